"""Documents in the service's shape; all names and values are invented."""

from __future__ import annotations

import math
from typing import Any

from browser.record_documents import CORRECTIONS, NOTES

Json = dict[str, Any]
T0_MS = 1_772_445_600_000  # 2026-03-02T10:00:00Z


def step(name: str, kind: str, state: str = "waiting") -> Json:
    return {"name": name, "kind": kind, "state": state}


STEPS = (("identify", "prompt"), ("film", "expose"), ("screen", "expose"), ("washout", "wash"),
         ("blow-off", "blow_off"), ("dry", "bake"), ("hardening", "expose"),
         ("inspect", "inspect"))  # fmt: skip
UV = "UV injures eyes and skin. The lid stays closed while light is on."


def plate(at: str, state: str, acts: list[str], *, name: str = "P-1041", **more: Any) -> Json:
    """A plate at one of ``STEPS``."""
    index = next(i for i, (known, _) in enumerate(STEPS) if known == at)
    kind = STEPS[index][1]
    states = ["complete" if i < index else state if i == index else "waiting" for i in range(8)]
    now = {"name": at, "kind": kind, "state": state, "instructions": None, "cautions": [],
           "reason": "", "waiting_for": [], "acts": acts, **more}  # fmt: skip
    plate_state = state if state in ("running", "held", "complete") else "running"
    return {
        "plate": name, "recipe": "plate-a-fine@2", "title": "Stock A, fine screen (invented)",
        "job": "J-2207 Example Pens", "lot": "L-118", "state": plate_state, "reason": "",
        "by": "B. Example", "step": index, "deviations": 0,
        "steps": [step(n, k, s) for (n, k), s in zip(STEPS, states, strict=True)], "now": now,
    }  # fmt: skip


def exposure(**more: Any) -> Json:
    return {"target_dose_mj_cm2": 340.0, "dose_mj_cm2": 0.0, "irradiance_mw_cm2": 9.1,
            "remaining_s": 37.4, "light_s": 0.0, "step": "none", "screen": "example-screen-fine",
            "contact": {"low_kpa": 56.0, "high_kpa": 89.0}, "tolerance_pct": 1.5,
            **more}  # fmt: skip


READY = plate("film", "ready", ["begin", "stop", "abort"], exposure=exposure(),
              instructions="Lay the artwork film on the plate, emulsion down. Close the blanket.",
              cautions=[UV])  # fmt: skip
WAITING = plate("film", "running", ["hold", "stop", "abort"], exposure=exposure(step="contact"),
                waiting_for=["contact vacuum", "dark reading"], cautions=[UV])  # fmt: skip
LIGHT = plate("film", "running", ["hold", "skip", "stop", "abort"], cautions=[UV],
              exposure=exposure(step="light", dose_mj_cm2=201.2, remaining_s=15.3,
                                light_s=22.1))  # fmt: skip
HELD = plate(
    "film", "held", ["restart", "skip", "stop", "abort"], cautions=[UV],
    reason=(
        "vacuum 51.5 kPa, below its limit 56.0 kPa for 0.30 s: check the blanket's edge and "
        "the hose, then restart"
    ),
    exposure=exposure(dose_mj_cm2=201.2, remaining_s=15.3, light_s=22.1),
)  # fmt: skip
WASH = plate(
    "washout", "running", ["done", "hold", "stop", "abort"],
    stage={"name": "soak", "prompt": "Put the plate under the water, image up.", "number": 1,
           "count": 3, "waiting": False, "planned_s": 25.0, "elapsed_s": 16.0, "due": False,
           "overdue": False},
    cautions=["The floor gets wet and slippery."],
)  # fmt: skip
WASH_DUE = plate(
    "washout", "running", ["done", "hold", "stop", "abort"],
    stage={"name": "rub", "prompt": "Rub with a soft pad.", "number": 2,
           "count": 3, "waiting": False, "planned_s": 30.0, "elapsed_s": 37.0, "due": True,
           "overdue": True},
    cautions=["The floor gets wet and slippery."],
)  # fmt: skip
BATH = plate(
    "washout", "ready", ["measure", "skip", "stop", "abort"],
    waiting_for=["the water temperature (band 21.0 to 27.0 °C): there is no probe; measure it and "
                 "enter it"],
    water={"low_c": 21.0, "high_c": 27.0, "water_c": None, "by": None},
    stage={"name": "soak", "prompt": "Put the plate under the water, image up.", "number": 1,
           "count": 3, "waiting": True, "planned_s": 25.0, "elapsed_s": 0.0, "due": False,
           "overdue": False},
    cautions=["The floor gets wet and slippery."],
)  # fmt: skip
OVEN = plate(
    "dry", "running", ["hold", "skip", "stop", "abort"], name="P-1040",
    bake={"step": "in_band", "oven_c": 58.3, "low_c": 55.0, "high_c": 61.0, "over_c": 69.0,
          "in_band_s": 512.0, "needed_s": 840.0, "elapsed_s": 604.0, "mean_c": 57.8,
          "min_c": 55.1, "max_c": 59.6, "equivalent_s": 503.0, "door_open": False},
    cautions=["The oven and the plate are hot."],
)  # fmt: skip
INSPECT = plate(
    "inspect", "ready", ["measure", "stop", "abort"],
    instructions="Let the plate cool to room temperature first.",
    inspect={
        "point": [
            {"name": "large area", "low_um": 28.0, "high_um": 33.0,
             "where": "The middle of the largest image."},
            {"name": "fine line", "low_um": 21.0, "high_um": 27.0, "where": None},
        ],
        "check": [
            {"name": "dots", "question": "Are all screen dots standing?", "defect": "dots-missing"},
        ],
    },
)  # fmt: skip


def status(*plates: Json, **more: Any) -> Json:
    """The unit with these plates."""
    lit = any((p["now"].get("exposure") or {}).get("step") == "light" for p in plates)
    return {
        "unit": "unit-1",
        "link": {"state": "up", "text": "", "frames": 1, "frames_lost": 0,
                 "last_frame_age_s": 0.04},
        "reading": {"irradiance_mw_cm2": 9.12 if lit else 0.0,
                    "vacuum_kpa": 78.4 if lit else 0.2, "oven_c": 58.3, "head_c": 31.0,
                    "water_c": None, "inputs": 3, "quality": []},
        "run_id": None, "exposure": None, "problem": None,
        "light": {"state": "on" if lit else "dark", "measured": lit, "output": lit,
                  "order": 1 if lit else None, "left_on": False},
        "journal": {"pending": 0, "fault": None}, "advisory": False,
        "bed": {"plate": None, "free": not lit}, "plates": list(plates),
        "alarms": {"unacknowledged": 0, "per_hour": 0, "flood": False, "list": []}, **more,
    }  # fmt: skip


def alarm(name: str, state: str, priority: str, **more: Any) -> Json:
    return {"name": name, "state": state, "priority": priority, "group": "x", "active": True,
            "value": None, "limit": None, "unit": "", "since_utc": "2026-03-02T10:04:00+00:00",
            "until_utc": None, "who": None, "why": None, "first_out": False, "count": 1,
            "text": "", "cause": "", "next_act": "", **more}  # fmt: skip


ALARMS = {
    "unacknowledged": 2, "per_hour": 4, "flood": False,
    "list": [
        alarm("contact lost", "unacknowledged", "high", value=51.5, limit=56.0, unit="kPa",
              first_out=True, text="51.5 kPa, at least 56.0 kPa wanted",
              cause="the blanket or its seal leaks, or the pump has stopped",
              next_act="find the leak, then restart the exposure"),
        alarm("oven over-temperature", "latched, unacknowledged", "high", active=False, value=70.4,
              limit=69.0, unit="°C", text="70.4 °C, limit 69.0 °C",
              cause="the oven's thermostat has failed or is set too high",
              next_act="take the plate out with gloves, switch the oven off, judge the plate"),
        alarm("stage overdue", "acknowledged", "medium", who="B. Example", count=3,
              text="rub: 37 s of 30 s", cause="nobody has confirmed that the stage is done",
              next_act="end the stage and confirm; a plate left in water keeps swelling"),
        alarm("calibration overdue", "acknowledged", "low", who="A. Example",
              text="light 0 was due on 2026-02-01",
              cause="a sensor's calibration is past its due date",
              next_act="calibrate it"),
        alarm("broker down", "shelved", "low", until_utc="2026-03-02T12:00:00+00:00",
              who="A. Example", why="network is being rebuilt", text="no connection for 300 s",
              cause="the network or the broker is down",
              next_act="check the network; nothing is lost, it is published later"),
    ],
}  # fmt: skip


KINDS = {"plate": "plate", "dry": "bake"}


def run(run_id: str, of_step: str, state: str = "complete", **more: Any) -> Json:
    return {"run_id": run_id, "unit": "unit-1", "kind": KINDS.get(of_step, "expose"),
            "step": of_step, "state": state, "reason": "by dose", "judgement": None,
            "begun_utc": "2026-03-02T10:00:00.000+00:00",
            "ended_utc": "2026-03-02T10:25:00.000+00:00",
            "target_dose_mj_cm2": None, "dose_mj_cm2": None, "device_dose_mj_cm2": None,
            "uncertain_mj_cm2": None, "difference_pct": None, "plate_to_plate_pct": None,
            "against_meter_pct": None, "light_s": None, "samples": 900, "events": 20, "gaps": 0,
            "operator": "B. Example", "plate": None, "job": "J-2207 Example Pens", "note": None,
            "recipe": "plate-a-fine@2", "lot": "L-118", "film": None, "screens": [], "alarms": [],
            "took_s": 1500.0, "corrections": [], "notes": [],
            "request": {}, "conditions": {}, "channels": [], "data": {}, **more}  # fmt: skip


def budget_line(name: str, u_pct: float, plate_u_pct: float, source: str = "assumed") -> Json:
    return {"name": name, "channel": 0 if name in ("reference", "fit", "dark") else None,
            "value": u_pct, "unit": "%", "distribution": "normal", "dof": 8.0, "source": source,
            "sensitivity": 1.0, "plate_sensitivity": 0.05, "u_pct": u_pct,
            "plate_u_pct": plate_u_pct}  # fmt: skip


UNCERTAINTY = {
    "plate_to_plate_pct": 0.96, "against_meter_pct": 13.7, "plate_to_plate_dof": None,
    "against_meter_dof": 23.0, "plate_to_plate_holds_pct": 95.45,
    "against_meter_holds_pct": 94.2, "k": 2.0, "assumed": ["position", "spectral"],
    "lines": [budget_line("reference", 5.0, 0.0, "calibration"),
              budget_line("position", 2.887, 0.144), budget_line("spectral", 2.887, 0.144),
              budget_line("timing", 0.003, 0.003, "measured")],
}  # fmt: skip
RUNS = [
    run("P-1040", "plate", "open", ended_utc=None, reason=None, took_s=None),
    run("P-1039", "plate", judgement="good", request={"revision": "plate-a-fine@2", "lot": "L-117"},
        screens=["example-screen-fine"], alarms=["contact lost"], corrections=CORRECTIONS,
        notes=NOTES, conditions={"platelink": "0.1.0", "calibrations": [
            {"sensor": "light 0", "calibration": "light 0@2"},
            {"sensor": "vacuum", "calibration": "as configured"}]},
        data={"judgement": "good", "defects": [], "deviations": [
            "rub: 37 of 30 s, late"]}),
    run("20260302-100200-aaaa", "film", plate="P-1039", target_dose_mj_cm2=340.0,
        dose_mj_cm2=340.02, light_s=37.4, difference_pct=0.0059, plate_to_plate_pct=0.96,
        against_meter_pct=13.7, data={"uncertainty": UNCERTAINTY}),
    run("20260302-100800-bbbb", "dry", plate="P-1039",
        data={"mean_c": 58.2, "in_band_s": 840.0}),
    run("P-1038", "plate", judgement="reject", job="J-2201 Example Caps",
        data={"judgement": "reject", "defects": ["dots-missing"], "deviations": []}),
    run("P-1037", "plate", "aborted", reason="doses disagree", job="J-2201 Example Caps"),
]  # fmt: skip
EVENTS = [
    {"id": f"u-{second}", "run_id": "P-1039", "unit": "unit-1",
     "at_utc": f"2026-03-02T10:00:{second:02}.000+00:00", "kind": "event", "name": name,
     "text": text, "ticks": None, "data": {"who": who} if who else {}}
    for second, name, text, who in (
        (0, "plate made", "plate-a-fine@2, 8 steps", "B. Example"),
        (2, "step", "identify: waiting to ready", None),
        (9, "armed", "about 37.4 s of light expected", None),
        (31, "held", "held with 138.8 mJ/cm² to go", None),
        (44, "restarted", "restarting with 138.8 mJ/cm² to go", "B. Example"),
    )
]  # fmt: skip


def samples(run_id: str, points: int, query: dict[str, str]) -> Json:
    """A rise, a plateau with ripple, a gap."""
    first, last = int(query.get("from_ms", T0_MS)), int(query.get("until_ms", T0_MS + 60_000))
    times = [first + (last - first) * i // (points - 1) for i in range(points)]

    def series(f: Any) -> Json:
        values = [
            None if 0.42 < i / points < 0.45 else round(f(i / points), 3) for i in range(points)
        ]
        return {"at_utc_ms": times, "values": values, "unit": ""}

    if run_id.endswith("bbbb"):
        found = {
            "oven_c": series(lambda x: 25 + 33 * (1 - math.exp(-9 * x)) + 0.6 * math.sin(90 * x))
        }
    else:
        found = {
            "irradiance_mw_cm2": series(
                lambda x: 9.2 * (1 - 0.1 * math.exp(-5 * x)) if 0.1 < x < 0.9 else 0.0
            ),
            "dose_mj_cm2": series(lambda x: 340 * min(1.0, max(0.0, (x - 0.1) / 0.8))),
            "vacuum_kpa": series(lambda x: 82 * (1 - math.exp(-30 * x)) + 0.3 * math.sin(200 * x)),
        }
    return {"samples": points, "from_ms": first, "until_ms": last, "gaps": [], "series": found}


def revision(recipe: str, number: int, state: str, title: str) -> Json:
    life = [{"state": "draft", "who": "B. Example", "why": "first try",
             "at_utc": "2026-01-20T09:00:00+00:00"}]  # fmt: skip
    if state != "draft":
        life.append({"state": "approved", "who": "A. Example", "why": "ten good plates",
                     "at_utc": "2026-02-02T09:00:00+00:00"})  # fmt: skip
    if state == "retired":
        life.append({"state": "retired", "who": "A. Example", "why": "a later one is approved",
                     "at_utc": "2026-02-22T09:00:00+00:00"})  # fmt: skip
    return {"recipe": recipe, "revision": number, "name": f"{recipe}@{number}", "state": state,
            "hash": "0" * 64, "life": life, "title": title, "stock": "example-stock-a"}  # fmt: skip


RECIPES = [
    revision("plate-a-fine", 1, "retired", "Stock A, fine screen (invented)"),
    revision("plate-a-fine", 2, "approved", "Stock A, fine screen (invented)"),
    revision("plate-a-fine", 3, "draft", "Stock A, fine screen (invented)"),
    revision("plate-a-bold", 1, "approved", "Stock A, bold type (invented)"),
]


def revision_only(listed: Json) -> Json:
    return {name: value for name, value in listed.items() if name not in ("title", "stock")}


def recipe_document(which: str) -> Json:
    found = next(r for r in RECIPES if r["name"] == which)
    return {
        **revision_only(found),
        "revisions": [revision_only(r) for r in RECIPES if r["recipe"] == found["recipe"]],
        "content": {
            "format": 1, "id": found["recipe"], "title": found["title"],
            "description": "Fine type and halftones; shallow.", "stock": "example-stock-a",
            "step": [
                {"kind": "prompt", "name": "identify",
                 "cautions": ["Work under yellow light only."],
                 "instructions": "Read lot, screen and job aloud from their labels."},
                {"kind": "expose", "name": "film",
                 "instructions": "Lay the artwork film on the plate.",
                 "cautions": [UV], "dose_mj_cm2": 340.0, "tolerance_pct": 1.5, "on_leak": "hold",
                 "guard_factor": 1.5, "contact": {"low_kpa": 56.0, "high_kpa": 89.0,
                                                  "hold_test_s": 3.0}},
                {"kind": "wash", "name": "washout", "cautions": [], "water_low_c": 21.0,
                 "water_high_c": 27.0, "stage": [{"name": "soak", "duration_s": 25.0,
                 "tolerance_s": 5.0, "prompt": "Put the plate under the water, image up."}]},
                {"kind": "bake", "name": "dry", "cautions": ["The oven and the plate are hot."],
                 "low_c": 55.0, "nominal_c": 58.0, "high_c": 61.0, "limit_c": 69.0,
                 "in_band_s": 840.0, "reach_limit_s": 1080.0, "activation_energy_kj_mol": 80.0},
            ],
        },
    }  # fmt: skip


LOTS = [
    {"name": "L-118", "stock": "example-stock-a", "received_on": "2026-01-10", "note": None,
     "best_before": "2027-01-10", "area_cm2": 24000.0, "opened_on": "2026-02-01",
     "area_left_cm2": 13250.0, "uses": 31, "closed": None, "findings": []},
    {"name": "L-102", "stock": "example-stock-b", "received_on": "2025-01-10", "note": None,
     "best_before": "2026-01-10", "area_cm2": 12000.0, "opened_on": None,
     "area_left_cm2": 12000.0, "uses": 0, "closed": None, "findings": [
         {"name": "expired", "blocks": True, "text": "past its best-before date 2026-01-10"}]},
]  # fmt: skip
SCREENS = [
    {"name": "example-screen-fine", "ruling_lines_per_cm": 54.0, "tint_pct": 88.0,
     "angle_deg": 45.0, "max_uses": 500, "uses": 212, "note": None, "closed": None,
     "findings": []},
    {"name": "example-screen-worn", "ruling_lines_per_cm": 38.0, "tint_pct": 79.0,
     "angle_deg": 45.0, "max_uses": 300, "uses": 300, "note": None, "closed": None, "findings": [
         {"name": "uses", "blocks": False, "text": "300 uses, its limit is 300"}]},
]  # fmt: skip
MAINTENANCE = [
    {"name": "blanket-seal", "reset_by": "done", "note": "hinge side first",
     "since_utc": "2026-01-10T08:00:00.000+00:00", "due_since_utc": "2026-05-20T09:30:00.000+00:00",
     "sure": True, "closed": None, "intervals": [
         {"name": "exposures", "used": 5012.0, "limit": 5000.0, "unknown": 0,
          "due_since_utc": "2026-05-20T09:30:00.000+00:00", "text": "exposures 5012 of 5000"}]},
]  # fmt: skip
FILMS = [
    {"name": "F-12", "artwork": "invented-logo", "made_on": "2026-05-01", "density": 4.1,
     "max_uses": None, "note": None, "uses": 12, "closed": None, "findings": []},
]  # fmt: skip
PEOPLE = [
    {"name": "A. Example", "role": "lead", "open": True, "added_utc": "2026-01-01T08:00:00+00:00",
     "signed_in_utc": "2026-03-02T09:00:00+00:00", "locked_until_utc": None},
    {"name": "B. Example", "role": "operator", "open": True,
     "added_utc": "2026-01-01T08:00:00+00:00", "signed_in_utc": None,
     "locked_until_utc": "2026-03-02T11:00:00+00:00"},
    {"name": "C. Example", "role": "auditor", "open": False,
     "added_utc": "2026-01-01T08:00:00+00:00", "signed_in_utc": None, "locked_until_utc": None},
]  # fmt: skip
LAMPS = {
    "since_utc": "2026-01-12T07:00:00+00:00", "entered": True, "burn_h": 61.4, "starts": 812,
    "exposures": 806, "before": [], "warm_up_s": 0.6, "warm_up": "12 % is missing at the strike",
    "fade_pct": -4.1, "fade_low_pct": -4.9, "fade_high_pct": -3.3, "fade_per": "100 burn hours",
    "why_no_fade": "",
    "channels": [{"name": "centre", "first_mw_cm2": 9.41, "now_mw_cm2": 9.12, "change_pct": -3.1}],
    "steps": [{"at_utc": "2026-02-03T07:00:00+00:00", "changes_pct": [4.2],
               "text": "lamps cleaned, as was entered (+4.2 %)"}],
    "scales": [
        {"at_utc": "2026-02-10T07:00:00+00:00", "sensor": "centre", "calibration": "light 0@2",
         "made_on": "2026-02-09", "cause": "routine", "rescaled_pct": 8.0, "changed_pct": None},
        {"at_utc": "2026-02-20T07:00:00+00:00", "sensor": "centre", "calibration": "light 0@3",
         "made_on": "2026-02-20", "cause": "new sensor", "rescaled_pct": None,
         "changed_pct": -11.5},
    ],
    "readings": [], "asks": "take a hand meter reading",
    "sensor": "one channel: fading lamps and an ageing sensor look the same",
    "forecast": {"step": "hardening", "target_dose_mj_cm2": 900.0, "limit_s": 240.0, "now_s": 99.3,
                 "early_utc": "2026-04-03T07:00:00+00:00", "likely_utc": None, "late_utc": None,
                 "until_utc": "2026-04-20T07:00:00+00:00"},
    "why_no_forecast": "",
}  # fmt: skip
DEVICE = {
    "unit": "unit-1", "lamps": "wired",
    "sensors": [
        {"name": "light 0", "calibration": "light 0@2", "certificate": "EX-117", "u": 0.71,
         "unit": "mW/cm²", "calibrated_on": "2025-01-15", "due_on": "2026-01-15",
         "days_left": -46, "overdue": True, "settings": {"name": "centre", "dark_counts": 18.4}},
        {"name": "vacuum", "calibration": "as configured", "certificate": None, "u": None,
         "unit": "kPa", "calibrated_on": "2026-01-15", "due_on": "2027-01-15", "days_left": 319,
         "overdue": False, "settings": {}},
    ],
    "learned": {"irradiance_mw_cm2": 9.12, "afterglow_s": 0.041, "warm_up_deficit_s": 0.62},
    "lessons": [
        {"irradiance_mw_cm2": 9.12, "afterglow_s": 0.041, "warm_up_deficit_s": 0.62,
         "run_id": "20260302-100200-aaaa", "at_utc": "2026-03-02T10:03:00+00:00"},
    ],
    "firmware": {"boot_id": 77, "firmware": "1.0.0", "board": "host",
                 "at_utc": "2026-03-02T09:00:00+00:00"},
    "config": {"unit": {"name": "unit-1", "lamps": "wired", "adc_bits": 10},
               "contact": {"low_kpa": 56.0, "high_kpa": 89.0, "debounce_s": 0.3}},
}  # fmt: skip


def calibration(revision: int, stage: str, **more: Any) -> Json:
    """One of light 0."""
    done = stage != "reading"
    return {
        "name": f"light 0@{revision}", "sensor": "light 0", "revision": revision, "stage": stage,
        "in_force": False, "cause": "routine", "unit": "mW/cm²", "levels": 4,
        "reference": {"name": "hand meter", "certificate": "EX-117", "due_on": "2026-09-01",
                      "u_rel": 0.07, "u_abs": 0.0, "k": 2.0, "resolution": 0.01},
        "begun_by": "B. Example", "begun_utc": "2026-03-02T09:00:00.000+00:00",
        "finished_utc": "2026-03-02T09:20:00.000+00:00" if done else None,
        "approved_by": None, "due_on": "2027-03-01" if done else None,
        "days_left": 364 if done else None, "gain": 0.0149 if done else None,
        "offset": 0.0 if done else None, "u": 0.84 if done else None,
        "top": 12.0 if done else None, "asks": "", **more,
    }  # fmt: skip


CALIBRATIONS = [
    calibration(1, "approved", approved_by="A. Example", gain=0.0151,
                finished_utc="2025-01-15T09:20:00.000+00:00", due_on="2026-01-15", days_left=-46),
    calibration(2, "approved", approved_by="A. Example", in_force=True, cause="cleaned sensor"),
    calibration(3, "reading", levels=1),
]  # fmt: skip
COUNTS = {"mean": 826.67, "rms": 0.61, "u_mean": 0.02, "n": 15000, "low": 824, "high": 830,
          "head_c": 31.0, "supply_v": None}  # fmt: skip
COUNTS_NOW = {
    "sensor": "light 0", "unit": "mW/cm²", "counts": COUNTS, "x": None, "value": 11.98,
    "drift": 0.8, "limit": 12.4, "waits_s": 0.0, "settled": True, "text": "settled",
}  # fmt: skip


def calibration_document(name: str) -> Json | None:
    """One with its levels."""
    found = next((one for one in CALIBRATIONS if one["name"] == name), None)
    if found is None:
        return None
    done = found["stage"] != "reading"
    levels = [
        {"number": 1, "reference": 12.0, "x": 805.4, "counts": COUNTS,
         "residual": 0.004 if done else None, "left_out": None},
        {"number": 2, "reference": 9.9, "x": 640.0, "counts": COUNTS, "residual": None,
         "left_out": "the meter slipped"},
    ]  # fmt: skip
    line = {"offset": 0.0, "gain": 0.0149, "u_offset": 0.0, "u_gain": 7e-6, "dof": 3,
            "residual_sd": 0.006, "bow": 0.01, "x_low": 268.0, "x_high": 805.0}  # fmt: skip
    return found | {
        "dark": COUNTS | {"mean": 21.3}, "level": levels, "line": line if done else None,
        "history": [{"act": "begun", "at_utc": found["begun_utc"], "who": "B. Example", "why": "",
                     "body": {}}],
    }  # fmt: skip
