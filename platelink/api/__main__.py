"""``python -m platelink.api``: the service, started by the daemon and by nobody else.

Its settings are JSON on standard input.
"""

from __future__ import annotations

import sys

from platelink.api.serve import run
from platelink.api.settings import Settings

if sys.stdin.isatty():
    sys.exit("the daemon starts the service: platelink serve")
run(Settings.model_validate_json(sys.stdin.read()))
