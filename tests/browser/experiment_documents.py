"""Experiments as the played service has them; all of it is invented."""

from __future__ import annotations

from typing import Any

Json = dict[str, Any]
AT = "2026-03-02T09:00:00.000+00:00"


def conclusion(**more: Any) -> Json:
    """What three wedges told."""
    text = "98 mJ/cm² holds (86 to 112 mJ/cm², 95 %, 3 exposures)"
    return {
        "told": True, "text": text, "ahead": "", "proposal": "", "fit": "wedge 1",
        "figure": {"name": "dose that holds", "unit": "mJ/cm²", "value": 98.2, "low": 86.1,
                   "high": 112.4},
        "lines": [text, "over the wedge, step 5: 438 mJ/cm² holds (384 to 502 mJ/cm², 95 %, "
                  "3 exposures)"],
        "platelink": "0.1.0", "readings": [1, 2, 3], "who": "B. Example",
        "at_utc": "2026-03-02T10:10:00.000+00:00", **more,
    }  # fmt: skip


def experiment(kind: str, nth: int, stage: str, **more: Any) -> Json:
    """One as lists have it."""
    return {
        "name": f"{kind}-{nth}", "kind": kind, "nth": nth, "stage": stage, "head": {}, "runs": [],
        "readings": 3, "begun_by": "B. Example", "begun_utc": AT, "conclusion": None, **more,
    }  # fmt: skip


CANNOT = "cannot tell: 3 patches make no curve; expose four or more"
EXPERIMENTS = [
    experiment("wedge", 1, "concluded", head={"hold_step": 5}, conclusion=conclusion(),
               runs=["20260302-100200-aaaa"]),
    experiment("depth", 1, "reading", head={"target_um": 28.5}, conclusion=conclusion(
        told=False, text=CANNOT, figure=None, lines=[CANNOT], fit="depth 1",
        ahead="expose a strip of eight patches about the dose, four in its middle, on two plates",
    )),
    experiment("reciprocity", 1, "dropped", readings=0),
    experiment("wedge", 2, "reading", readings=2),
    experiment("bed", 1, "reading", head={"plate_cm": [14, 10]}, readings=1),
]  # fmt: skip
WEDGES = [
    {"dose_mj_cm2": "402 mJ/cm2", "held": 4, "washed": 5},
    {"run": "20260302-100200-aaaa", "held": 4, "washed": 6},
    {"dose_mj_cm2": 487.5, "held": 5, "washed": 6},
]  # fmt: skip
TYPED = {
    "wedge": WEDGES,
    "depth": [{"dose_mj_cm2": 211.0, "plate": "1", "lot": "K-52", "points_um": [29, 28.5, n]}
              for n in (28, 29, 30)],
    "bed": [{"x_cm": 0, "y_cm": 0, "irradiance_mw_cm2": 10.4}],
}  # fmt: skip


def experiment_document(name: str) -> Json | None:
    """One with its readings."""
    found = next((one for one in EXPERIMENTS if one["name"] == name), None)
    if found is None:
        return None
    readings = [
        {"number": number, "typed": typed,
         "dose_mj_cm2": 443.2 if "run" in typed else None, "who": "B. Example", "at_utc": AT,
         "corrected": number == 3,
         "left_out": "the film slipped" if name == "wedge-2" and number == 1 else None}
        for number, typed in enumerate(TYPED.get(found["kind"], []), 1)
    ]  # fmt: skip
    acts = ("begun", *("read" for _ in readings), "concluded")
    return found | {
        "reading": readings if found["readings"] else [],
        "history": [{"act": act, "at_utc": AT, "who": "B. Example", "why": "", "body": {}}
                    for act in acts],
    }  # fmt: skip
