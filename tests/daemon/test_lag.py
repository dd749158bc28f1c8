"""The meter of the loop's lateness, held up on purpose."""

from __future__ import annotations

import asyncio
import json
import time
from pathlib import Path

from platelink.daemon.lag import EVERY_S, LagMeter


def test_a_loop_that_is_held_up_is_seen_for_as_long_as_it_was(tmp_path: Path) -> None:
    held_s = 0.08

    async def work() -> None:
        meter = LagMeter()
        meter.start()
        await asyncio.sleep(5 * EVERY_S)
        time.sleep(held_s)
        await asyncio.sleep(5 * EVERY_S)
        meter.write(tmp_path / "lag.json")

    asyncio.run(work())
    noted = json.loads((tmp_path / "lag.json").read_text())
    assert len(noted["at_s"]) == len(noted["late_s"]) >= 4
    assert noted["at_s"] == sorted(noted["at_s"])
    assert sum(noted["late_s"]) >= held_s - EVERY_S  # once, in its whole length
    assert max(noted["late_s"]) >= held_s - EVERY_S
