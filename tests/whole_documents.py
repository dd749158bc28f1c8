"""Documents with all their keys, for tests to which most of them do not matter. All invented."""

from __future__ import annotations

from typing import Any

LINK: dict[str, Any] = {
    "state": "up", "text": "up", "frames": 10, "frames_lost": 0, "crc_failures": 0, "resent": 0,
    "reconnects": 0, "reboots": 0, "device_rx_bad": 0, "last_frame_age_s": 0.02, "tick_ppm": 1.5,
}  # fmt: skip
ALARMS: dict[str, Any] = {"unacknowledged": 0, "per_hour": 0, "flood": False, "list": []}
LIGHT: dict[str, Any] = {
    "state": "dark", "measured": False, "output": False, "order": None, "left_on": False,
}  # fmt: skip
STATUS: dict[str, Any] = {
    "link": LINK, "run_id": None, "reading": None, "exposure": None, "light": LIGHT,
    "unit": "unit-1", "at_utc": "2026-06-01T08:00:00.000+00:00",
    "bed": {"plate": None, "free": True}, "plates": [], "advisory": False, "alarms": ALARMS,
    "problem": "", "journal": {"pending": 0, "fault": ""},
}  # fmt: skip


def alarm(name: str, **more: Any) -> dict[str, Any]:
    return {
        "name": name, "state": "unacknowledged", "priority": "high", "group": "", "active": True,
        "value": None, "limit": None, "unit": "", "since_utc": None, "until_utc": None,
        "who": None, "why": None, "first_out": False, "count": 1, "text": "", "cause": "",
        "next_act": "", **more,
    }  # fmt: skip


def plate_now(name: str, **more: Any) -> dict[str, Any]:
    now = {
        "name": "identify", "kind": "prompt", "state": "running", "instructions": "",
        "cautions": [], "reason": "", "waiting_for": [], "acts": [], "untimed": False,
    }  # fmt: skip
    return {
        "plate": name, "recipe": "plate-a-fine@1", "title": "Stock A", "job": None, "lot": None,
        "by": "somebody", "state": "running", "reason": "", "step": 0, "steps": [],
        "deviations": 0, "now": now, "note": None, "hash": "", "deviations_told": [], **more,
    }  # fmt: skip
