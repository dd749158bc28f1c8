"""A recorder in figures."""

from __future__ import annotations

from collections.abc import Iterator

from platelink.publish.recorder import Heard, RecorderStatus
from platelink.serving.figure import Figure

FRESH_S = 30.0
"""It tells its status every two seconds, and a slow disk may hold it up; one that is older says
nothing of now."""


def of_recorder(status: RecorderStatus, heard: Heard, name: str, age_s: float) -> Iterator[Figure]:
    """What it has taken, what waits, and who has been heard; nothing of it but its age once it is
    old."""
    labels = {"recorder": name}
    text = "Since the recorder's loop said how it is."
    yield Figure("platelink_recorder_status_age_seconds", text, [(labels, age_s)])
    if age_s > FRESH_S:
        return
    counts = status.counts
    for short, text, value in (
        ("connected", "1: the broker is there.", float(status.connected)),
        ("received_total", "Messages, over the life of its journal.", counts.received),
        ("duplicates_total", "Messages that came again.", counts.duplicates),
        ("dead_letters_total", "Messages and rows that were set aside.", counts.dead_letters),
        ("confirmed_lines_total", "Lines that the store surely has.", counts.confirmed_lines),
        ("moved_times_total", "Points moved to the next free millisecond.", counts.moved_times),
        ("unknown_steps_total", "Entries whose start did not come.", counts.unknown_steps),
        ("waiting", "Entries that wait for the start of their run.", counts.waiting),
        ("early", "Messages from a clock that is ahead.", counts.early),
        ("rows_pending", "Rows to be written to the store.", status.pending),
        ("rows_unconfirmed", "Rows written, not yet surely kept.", status.unconfirmed),
        ("rows_written_again_total", "Since its start.", status.rows_written_again),
        ("lag_seconds", "Age of the oldest row that is to be written.", status.lag_s),
        ("store_restarts_total", "Restarts of the store that it saw.", status.store_restarts),
        ("store_rows_refused", "Rows that the store dropped.", status.store_rows_refused),
    ):
        yield Figure(f"platelink_recorder_{short}", text, [(labels, value)])
    yield Figure(
        "platelink_recorder_heard_timestamp_seconds",
        "When the newest entry of a unit came, since its start.",
        [
            ({**labels, "site": site, "unit": unit}, at_ms / 1000.0)
            for (site, unit), at_ms in sorted(heard.items())
        ],
    )


def problems_of(status: RecorderStatus, age_s: float) -> list[str]:
    """What keeps it from its work."""
    if age_s > FRESH_S:
        return [f"the recorder hangs: its loop has not turned for {age_s:.0f} s; look whether its "
                "disk answers, then systemctl restart platelink-recorder"]  # fmt: skip
    told = (status.broker_problem, status.store_problem, status.journal_problem)
    return [text for text in told if text]
