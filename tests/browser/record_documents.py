"""What happened to a plate, and trends, in the service's shape; all of it is invented."""

from __future__ import annotations

from typing import Any

Json = dict[str, Any]


def _at(second: int) -> str:
    return f"2026-03-02T10:{second // 60:02}:{second % 60:02}.000+00:00"


def _step(name: str, kind: str, begun: int, took: float, reason: str = "", **more: Any) -> Json:
    return {"name": name, "kind": kind, "state": "complete", "begun_utc": _at(begun),
            "took_s": took, "holds": 0, "causes": [], "by": "B. Example", "reason": reason,
            "runs": [], **more}  # fmt: skip


FILM, DRY = "20260302-100200-aaaa", "20260302-100800-bbbb"
MARKS = [
    {"run_id": FILM, "at_utc": _at(9), "kind": "leak",
     "text": "contact weaker: fell by 3.1 kPa a minute to 64.9 kPa, limit 56.0 kPa"},
    {"run_id": FILM, "at_utc": _at(31), "kind": "hold",
     "text": "holding: vacuum 51.5 kPa, below its limit 56.0 kPa for 0.30 s"},
    {"run_id": FILM, "at_utc": _at(31), "kind": "alarm", "text": "contact lost: 51.5 kPa"},
    {"run_id": FILM, "at_utc": _at(44), "kind": "act", "text": "asked: restart, by B. Example"},
    {"run_id": DRY, "at_utc": _at(20), "kind": "door",
     "text": "oven door open: oven air falls 9.1 °C/min (limit 6.0 °C/min), now 52.2 °C"},
    {"run_id": DRY, "at_utc": _at(38), "kind": "door", "text": "oven door closed"},
]  # fmt: skip
_ALARM = {
    "priority": "high", "value": 51.5, "limit": 56.0, "unit": "kPa", "why": "", "of_run": FILM,
}  # fmt: skip


def depth(plate: str, verdict: str = "go on") -> Json:
    """Predicted of a plate; of P-1039 with causes, as it came out shallower."""
    off = plate == "P-1039"
    causes = [("contact", 0.81, ["vacuum lost", "too shallow"]), ("nothing", 0.17, [])]
    return {
        "plate": plate, "verdict": "measure" if off else verdict, "picked": False, "text": "",
        "record": {"step": "screen", "exposed_utc": _at(191), "dose_mj_cm2": 240.2, "lot": "L-7",
                   "days_open": 4.1, "bath_days": None, "bath_m2": None,
                   "contact_kpa": 4.2 if off else 0.1, "light_off_pct": -0.8,
                   "not_recorded": ["place on the bed"]},
        "points": [{"point": "large area", "limit_low_um": 22.0, "limit_high_um": 27.0,
                    "depth_um": 24.6, "low_um": 22.9, "high_um": 26.3, "learned_from": 61,
                    "measured_um": 22.4 if off else None, "text": "",
                    "verdict": "measure" if off else verdict}],
        "causes": [{"cause": c, "probability": p, "speaks": s, "look": ""} for c, p, s in causes]
        if off else [],
        "why_no_causes": "", "symptoms": ["soft edges"],
    }  # fmt: skip


def story(run_id: str) -> Json:
    """Of a plate all of it, of an exposure or a bake what is its own."""
    whole: Json = {
        "run_id": run_id, "steps": [], "stages": [], "depths": [], "checks": [],
        "inspection_note": "", "deviations": [], "alarms": [], "people": [],
        "marks": [mark for mark in MARKS if mark["run_id"] == run_id],
    }  # fmt: skip
    if run_id == "P-1039":
        whole |= {
            "steps": [
                _step("identify", "prompt", 0, 4.0, "done"),
                _step("film", "expose", 5, 96.0, "target dose reached", holds=1,
                      causes=["sudden"], runs=[FILM]),
                _step("screen", "expose", 130, 61.0, "target dose reached"),
                _step("washout", "wash", 240, 121.0, "done"),
                _step("blow-off", "blow_off", 370, 18.0, "done"),
                _step("dry", "bake", 400, 1004.0, "840 s in band", runs=[DRY]),
                _step("hardening", "expose", 1420, 190.0, "target dose reached"),
                _step("inspect", "inspect", 1630, 40.0, "good"),
            ],
            "stages": [
                {"name": "soak", "planned_s": 25.0, "actual_s": 26.1, "held_s": 0.0,
                 "how": "in time", "water_mean_c": 24.2, "by": "B. Example"},
                {"name": "rub", "planned_s": 30.0, "actual_s": 37.0, "held_s": 0.0, "how": "late",
                 "water_mean_c": 24.0, "by": "B. Example"},
            ],
            "depths": [
                {"point": "large area", "recorded_um": 42.5, "um": 24.5, "corrected": True,
                 "low_um": 22.0, "high_um": 27.0, "within": True},
                {"point": "fine line", "recorded_um": 21.0, "um": 21.0, "corrected": False,
                 "low_um": 19.0, "high_um": 24.0, "within": True},
            ],
            "checks": [{"name": "dots", "question": "Are all screen dots standing?", "yes": True}],
            "deviations": ["rub: 37 of 30 s, late"],
            "alarms": [
                {**_ALARM, "at_utc": _at(31), "alarm": "contact lost", "became": "unacknowledged",
                 "by": ""},
                {**_ALARM, "at_utc": _at(40), "alarm": "contact lost", "became": "acknowledged",
                 "by": "B. Example"},
            ],
            "people": [
                {"name": "B. Example", "did": [{"what": "made it", "times": 1},
                                               {"what": "begin", "times": 7},
                                               {"what": "measured", "times": 1}]},
                {"name": "A. Example", "did": [{"what": "acknowledged", "times": 1}]},
            ],
            "marks": MARKS,
        }  # fmt: skip
    return whole


CORRECTIONS = [
    {"at_utc": "2026-03-03T07:12:00.000+00:00", "who": "A. Example", "why": "digits swapped",
     "field": "depth large area", "was": 42.5, "now": 24.5},
    {"at_utc": "2026-03-03T07:15:00.000+00:00", "who": "A. Example", "why": "wrong label read",
     "field": "lot", "was": "L-117", "now": "L-118"},
]  # fmt: skip
NOTES = [{"at_utc": "2026-03-09T09:40:00.000+00:00", "who": "B. Example",
          "text": "press reports a scratch at the left edge"}]  # fmt: skip


def _days(values: list[float], spread: float) -> list[Json]:
    return [
        {"day": f"2026-02-{2 + 2 * i:02}", "count": 3 + i % 3, "low": v - spread, "median": v,
         "high": v + spread * (1 + i % 2)}
        for i, v in enumerate(values)
    ]  # fmt: skip


def _trend(what: str, unit: str, days: list[Json], of: str = "", **more: Any) -> Json:
    return {"what": what, "of": of, "unit": unit, "low_limit": None, "high_limit": None,
            "days": days, "corrected": 0, **more}  # fmt: skip


TRENDS = {
    "since_utc": "2026-02-01T00:00:00+00:00", "until_utc": "2026-03-03T00:00:00+00:00",
    "runs": 214, "more": False,
    "trends": [
        _trend("irradiance", "mW/cm²", _days([9.4 - 0.05 * i for i in range(8)]
                                             + [10.8 - 0.04 * i for i in range(5)], 0.1)),
        _trend("pull-down", "s", _days([4.1, 4.0, 4.2, 4.1, 4.4, 4.6, 4.9, 5.3, 5.2, 5.6], 0.3)),
        _trend("dose error", "%", _days([0.01, -0.02, 0.0, 0.03, 0.01, -0.01], 0.03),
               low_limit=-1.5, high_limit=1.5),
        _trend("bake", "min", _days([14.0, 14.0, 14.1, 14.0], 0.0), "plate-a-fine: dry",
               low_limit=14.0),
        _trend("depth", "µm", _days([24.5, 24.1, 25.2, 26.4, 27.3, 24.0], 0.8),
               "plate-a-fine: large area", low_limit=22.0, high_limit=27.0, corrected=1),
    ],
    "changes": [
        {"at_utc": "2026-02-10T08:00:00.000+00:00", "kind": "recipe", "text": "plate-a-fine@2"},
        {"at_utc": "2026-02-17T07:30:00.000+00:00", "kind": "lamps",
         "text": "other lamps put in by A. Example: six new tubes"},
        {"at_utc": "2026-02-18T08:10:00.000+00:00", "kind": "calibration",
         "text": "light 0: light 0@2"},
    ],
}  # fmt: skip

KNOWN: Json = {"up_to": 5210, "behind": 0, "unread": 0}
THERE = {
    "values": {
        "job": ["Label job 3", "Label job 7"], "lot": ["L-0071", "L-0072"],
        "recipe": ["plate-a-fine"], "revision": ["plate-a-fine@2", "plate-a-fine@3"],
        "verdict": ["good", "reject"], "state": ["complete", "interrupted", "open"],
        "kind": ["expose", "plate"], "lamp_set": ["1", "2"],
        "operator": ["A. Example", "B. Example"], "screen": ["example-120", "example-150"],
        "alarm": ["contact lost", "oven door open"], "sensor": ["light 0", "oven"],
        "calibration": ["light 0@1", "light 0@2"],
    },
    "more": ["job"],
}  # fmt: skip


def piece(name: str, run_id: str, off_pct: float, **more: Any) -> Json:
    """One plate as an answer to a question has it."""
    return {
        "name": name, "run_id": run_id, "unit": "unit-1", "kind": "plate", "state": "complete",
        "verdict": "good", "began_utc": _at(0), "ended_utc": _at(3000), "off_pct": off_pct,
        "job": "Label job 7", "note": "roller 214", "operator": "B. Example", "lot": "L-0071",
        "recipe": "plate-a-fine", "revision": "plate-a-fine@3", "screens": ["example-150"],
        "people": ["B. Example"], "alarms": [], "lamp_set": "2", "sensors": ["light 0", "oven"],
        "calibrations": ["light 0@2"], "defects": [], "notes": ["roller 214"], "corrected": [],
        "matched": [], "longest_s": [], "at_least": [], "imported": None, **more,
    }  # fmt: skip


TWO = (
    piece("P-1039", "P-1039", 0.214),
    piece("P-1031", "P-1031", 1.83, verdict="reject", alarms=["contact lost", "oven door open"],
          job="Label job 3 for the very long name of a customer", corrected=["verdict"],
          defects=["dirt"]),
)  # fmt: skip


IMPORTED: Json = {
    "made": [
        piece("P-0412", "P-0412", 0.31, unit="unit-7", lamp_set="", imported={
            "called": "unit-7/P-0412", "site": "hall-2", "sealed_utc": _at(3100),
            "key": "platelink/hall-2/unit-7/0a1b2c3d+00000000+AAAA", "imported_utc": _at(9000),
        }),
    ],
    "more": False, "looked_back_to_utc": None, "behind": 2, "cannot": [], "left_out": 1,
    "why": ["unit-7/P-0413 is not what was imported"],
}  # fmt: skip


def pieces(where: int) -> Json:
    """The answer to a question with so many thresholds."""
    told = {"matched": ["vacuum below 50 kPa for 3.250 s"] * where, "longest_s": [3.25] * where,
            "at_least": [False] * where}  # fmt: skip
    return {**KNOWN, "made": [one | told for one in TWO], "more": where > 0, "decoded": where,
            "looked_back_to_utc": _at(0) if where else None, "behind": 12 * where,
            "unread": where, "courses_removed": 3 * where,
            "imported": IMPORTED if where else None}  # fmt: skip


COMPARED: Json = {
    "first": TWO[0], "second": TWO[1],
    "differences": [
        {"what": "film vacuum low", "first": 71.2, "second": 48.9, "rank": 9.4},
        {"what": "film dose_mj_cm2", "first": 340.4, "second": 346.2, "rank": 4.1},
        {"what": "film off_pct", "first": 0.118, "second": 1.824, "rank": 3.2},
        {"what": "film light_s", "first": 37.8, "second": 41.2, "rank": 2.0},
        {"what": "dry oven mean", "first": 58.1, "second": 57.4, "rank": 1.1},
        {"what": "inspect large area depth_um", "first": 27.1, "second": 26.0, "rank": 0.6},
        {"what": "film gaps", "first": 0.0, "second": 1.0, "rank": 0.2},
        {"what": "verdict", "first": "good", "second": "reject", "rank": None},
        {"what": "alarms", "first": "", "second": "contact lost, oven door open", "rank": None},
        {"what": "lot", "first": None, "second": "L-0071", "rank": None},
    ],
    "same": ["kind", "state", "film state", "dry state", "film target_mj_cm2"],
}  # fmt: skip


def touched(corrected: bool) -> Json:
    """What a sensor touches; with a correction the doses again."""
    dose = {"plate": "P-1039", "run_id": FILM, "step": "film", "began_utc": _at(0),
            "read_with": "light 0@2", "target_mj_cm2": 340.0, "recorded_mj_cm2": 340.4,
            "again_mj_cm2": 340.4, "corrected_mj_cm2": 350.61, "corrected_off_pct": 3.12,
            "why": ""}  # fmt: skip
    why = {"plate": "P-1031", "corrected_mj_cm2": None, "corrected_off_pct": None,
           "why": "entry 512 cannot be read"}  # fmt: skip
    return {**KNOWN, "sensor": "light 0", "made": list(TWO), "more": True,
            "doses": [dose, dose | why] if corrected else []}  # fmt: skip
