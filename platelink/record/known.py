"""What a journal's writer knows of its runs without an end. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from platelink.codec import Columns, check_block, columns_of
from platelink.record.errors import JournalRefused
from platelink.record.stored import OpenRun
from platelink.runs import RunChannels, RunStart, SampleBlock


@dataclass(slots=True)
class Known:
    """One of them."""

    start: RunStart
    channels: RunChannels | None = None
    samples: int = 0
    events: int = 0
    last_ticks: int | None = None
    last_ms: int | None = None
    """UTC of the newest sample, in ms since 1970."""
    columns: Columns | None = None

    def fits(self, run_id: str, block: SampleBlock) -> Columns:
        """The columns of samples that may follow; JournalRefused when they may not."""
        try:
            check_block(block)
        except ValueError as error:
            raise JournalRefused(f"samples of run {run_id}: {error}") from error
        columns = columns_of(block)
        if self.columns is not None and self.columns != columns:
            raise JournalRefused(
                f"samples of run {run_id} have columns {columns}, those before {self.columns}"
            )
        if self.last_ticks is not None and block.ticks[0] <= self.last_ticks:
            raise JournalRefused(
                f"samples of run {run_id} begin at tick {block.ticks[0]}, not after the last "
                f"stored one, {self.last_ticks}; end the run when the device has restarted"
            )
        return columns


Mark = tuple[int, dict[str, Known], dict[str, tuple[int, str]]]
"""The next number, the open runs, and the kept state: its time in ms and its text."""


def known(run: OpenRun) -> Known:
    """A run as it is stored."""
    return Known(
        start=run.start,
        channels=run.channels,
        samples=run.samples,
        events=run.events,
        last_ticks=int(run.last.ticks[0]) if run.last else None,
        last_ms=int(run.last.at_utc_ms[0]) if run.last else None,
        columns=columns_of(run.last) if run.last else None,
    )
