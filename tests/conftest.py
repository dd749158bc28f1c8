"""For all tests: how wide a screen is and how busy the computer is are none of their business."""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings

os.environ.pop("COLUMNS", None)  # pytest-xdist tells its workers the width of a screen
settings.register_profile(
    "any computer", deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("any computer")
