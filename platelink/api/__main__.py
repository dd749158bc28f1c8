"""``python -m platelink.api``: the service, started by the daemon and by nobody else.

Its settings are JSON on standard input.
"""

from __future__ import annotations

import sys

from platelink.contract.service import Settings
from platelink.memory import one_arena

one_arena()
if sys.stdin.isatty():
    sys.exit("the daemon starts the service: platelink serve")
settings = Settings.model_validate_json(sys.stdin.read())
if settings.lane:  # what it does not need is not loaded
    from platelink.api.lane import run
else:
    from platelink.api.serve import run
run(settings)
