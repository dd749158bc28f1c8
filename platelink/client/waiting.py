"""Waiting for a unit whose daemon has just been started."""

from __future__ import annotations

import time

from platelink.client.client import Client
from platelink.client.errors import ClientError

LINK_WAIT_S = 12.0
"""How long a fresh daemon may take to reach its device, real seconds."""


def wait_for_link(client: Client, limit_s: float = LINK_WAIT_S) -> None:
    """Until the device answers; ``ClientError`` says what is in the way."""
    end = time.monotonic() + limit_s
    while True:
        status = client.status()
        if status.link.state == "up":
            return
        if time.monotonic() > end:
            problem = status.problem or status.link.text
            raise ClientError(
                f"no device after {limit_s:.0f} s: {problem}; see `platelink doctor`", "fault"
            )
        time.sleep(0.05)
