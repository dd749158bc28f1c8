"""What came of a tape this time against what the journal holds of it: bit for bit. Reads a journal.

Runs that had begun before the tape are compared from its begin on. What other parts of the daemon
wrote beside the core (notes, corrections, damage) has no other side and is left out.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from platelink.codec import join
from platelink.daemon.journaling import end_of
from platelink.events.event import EventName
from platelink.ledger.by import to_ms
from platelink.link.framing import DELIMITER, Decoder, Frame
from platelink.link.messages import unpack
from platelink.record.reader import JournalReader
from platelink.replay.again import Again, differing
from platelink.runs import RunEvent, SampleBlock
from platelink.unit.outputs import (
    CoreOutput,
    EventNoted,
    RunBegun,
    RunClosed,
    RunEnded,
    RunSampled,
)

BESIDE = frozenset({
    EventName.INPUTS_TAPED, EventName.SECURITY, EventName.PEOPLE_ENTERED, EventName.PLATE_NOTED,
    EventName.SENT_BY_SHOP,
    EventName.PLATE_CORRECTED, EventName.LAMPS_CHANGED, EventName.LAMPS_CLEANED,
    EventName.LAMPS_MEASURED, EventName.DOSE_CORRECTED, EventName.JOURNAL_BEGUN_ANEW,
    EventName.SAMPLES_REMOVED,
})  # fmt: skip
"""Events that the core does not make."""
_MOST_EVENTS = 1_000_000


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that came otherwise."""

    at_utc_ms: int
    what: str
    """command, event, samples, state, begin or end, and of what."""
    recorded: str
    """As it is on record; empty: nothing."""
    now: str
    """As this release does it; empty: nothing."""


@dataclass(slots=True)
class _Run:
    """What came of one run this time."""

    begun: RunBegun | None = None
    blocks: list[SampleBlock] = field(default_factory=list)
    events: list[EventNoted] = field(default_factory=list)
    end: RunEnded | RunClosed | None = None


@dataclass(slots=True)
class Made:
    """What came of a tape, by run; None: outside of runs."""

    runs: dict[str | None, _Run] = field(default_factory=dict)

    def take(self, outputs: Iterable[CoreOutput]) -> None:
        """What the core said to one input."""
        for output in outputs:
            match output:
                case RunBegun():
                    self._of(output.run_id).begun = output
                case RunSampled():
                    self._of(output.run_id).blocks.append(output.block)
                case EventNoted():
                    self._of(output.run_id).events.append(output)
                case RunEnded() | RunClosed():
                    self._of(output.run_id).end = output

    def _of(self, run_id: str | None) -> _Run:
        return self.runs.setdefault(run_id, _Run())


@dataclass(slots=True)
class Counted:
    """How much was compared."""

    runs: int = 0
    events: int = 0
    samples: int = 0
    removed: int = 0
    """Runs whose samples the record has no more, by the rule of the unit: not compared."""
    commands: int = 0
    states: int = 0


BLOCK_MS = 1500
"""Samples of so long wait for their block."""


@dataclass(frozen=True, slots=True)
class Span:
    """Which of the journal's entries came of a tape."""

    after: int
    last: int
    whole: bool
    """To the last of them: else its end was lost with the process, a second at most."""
    unwritten_ms: int | None = None
    """Since then nothing could be written until the process was killed: what was made went with it.
    Samples are written in blocks."""

    def lost(self, at_utc_ms: int) -> bool:
        """Made then, it never came into the record."""
        return self.unwritten_ms is not None and at_utc_ms >= self.unwritten_ms


def compare(
    made: Made, again: Again, reader: JournalReader, span: Span, only: Collection[str] | None
) -> tuple[Counted, list[Difference]]:
    """Everything of a tape, by time; ``only`` of these runs."""
    counted = Counted()
    found: list[Difference] = []
    for run_id, run in made.runs.items():
        if run_id is None:
            if only is None:
                recorded = _within(reader.unit_events(limit=_MOST_EVENTS)[::-1], reader, span)
                found += _events("", run.events, recorded, span, counted)
        elif (only is None or run_id in only) and run_id not in again.withdrawn:
            counted.runs += 1
            found += _run(run_id, run, reader, span, counted)
    counted.commands = len(again.commands.recorded)
    for at_ms, one, other in differing(again.commands):
        found.append(Difference(at_ms, "command", _command(one), _command(other)))
    counted.states = len(again.kept.recorded)
    for at_ms, one, other in differing(again.kept) if counted.states else ():
        texts = [f"state with check {x.hex()}" if x else "" for x in (one, other)]
        found.append(Difference(at_ms, "state kept for a restart", *texts))
    found = [one for one in found if one.recorded or not span.lost(one.at_utc_ms)]
    return counted, sorted(found, key=lambda d: d.at_utc_ms)


def _within(entries: Iterable[RunEvent], reader: JournalReader, span: Span) -> list[RunEvent]:
    return [e for e in entries if span.after < reader.number_of(e.id) <= span.last]


def _command(frame: bytes | None) -> str:
    if frame is None:
        return ""
    for one in Decoder(keep=1).feed(frame + DELIMITER):
        if isinstance(one, Frame):
            return f"{unpack(one.type, one.payload)} as number {one.seq}"
    return f"bytes {frame.hex()}"


def _run(
    run_id: str, run: _Run, reader: JournalReader, span: Span, counted: Counted
) -> Iterator[Difference]:
    known = reader.run(run_id)
    if known is None:
        at_ms = run.begun.at_utc_ms if run.begun else 0
        yield Difference(at_ms, f"run {run_id}", "", "made")
        return
    began_ms = to_ms(known.start.at_utc)
    if run.begun is not None:
        yield from _values(
            began_ms, f"begin of {run_id}", _begin_of(known.start), _begun(run.begun)
        )
    recorded = _within(reader.events(run_id), reader, span)
    yield from _events(run_id, run.events, recorded, span, counted)
    end = known.end
    if end is not None and reader.number_of(end.id) > span.last:
        end = None
    if known.removed is not None:
        counted.removed += 1
    elif run.blocks:
        counted.samples += sum(map(len, run.blocks))
        samples = reader.samples(run_id)
        yield from _samples(run_id, join(run.blocks), samples, span, ended=run.end is not None)
    if run.end is not None:
        told = {} if end is None else end.model_dump(mode="json", include=_END)
        yield from _values(run.end.at_utc_ms, f"end of {run_id}", told, _ended(run.end))
    elif end is not None and span.whole and run.begun is not None:
        told = end.model_dump(mode="json", include=_END)
        yield Difference(to_ms(end.at_utc), f"end of {run_id}", _text(told), "")


_BEGIN = {"step", "operator", "plate", "job", "note", "target_dose_mj_cm2", "request", "conditions"}
_NOTHING = {"gaps": 0, "data": {}}
_END = {"state", "reason", "dose_mj_cm2", "device_dose_mj_cm2", "light_s", "gaps", "data"}


def _plain(value: Any) -> Any:
    """As the record has it: what is no number is nothing."""
    return json.loads(json.dumps(value, default=str), parse_constant=lambda _: None)


def _begin_of(start: Any) -> dict[str, Any]:
    values: dict[str, Any] = start.model_dump(mode="json", include=_BEGIN)
    return _without_release(values)


def _begun(begun: RunBegun) -> dict[str, Any]:
    values = {name: _plain(getattr(begun, name)) for name in sorted(_BEGIN)}
    return _without_release(values)


def _without_release(values: dict[str, Any]) -> dict[str, Any]:
    """Another release has another name, and its new settings another hash; each setting is compared
    by itself."""
    for name in ("platelink", "config_hash"):
        values["conditions"].pop(name, None)
    return values


def _ended(end: RunEnded | RunClosed) -> dict[str, Any]:
    values = end_of(end)
    return {name: _plain(values.get(name, _NOTHING.get(name))) for name in sorted(_END)}


def _values(at_ms: int, what: str, recorded: Any, now: Any) -> Iterator[Difference]:
    """Where two plain values part, by the path to it."""
    if isinstance(recorded, dict) and isinstance(now, dict):
        for name in sorted(recorded.keys() | now.keys()):
            yield from _values(at_ms, f"{what}, {name}", recorded.get(name), now.get(name))
    elif recorded != now:
        yield Difference(at_ms, what, _text(recorded), _text(now))


def _text(value: Any) -> str:
    return "" if value is None else json.dumps(value, ensure_ascii=False)


def _events(
    run_id: str, made: list[EventNoted], recorded: list[RunEvent], span: Span, counted: Counted
) -> Iterator[Difference]:
    """In order; one that is on one side only does not shift the others."""
    where = f" of {run_id}" if run_id else ""
    left = [(_of_record(event), event) for event in recorded if event.name not in BESIDE]
    counted.events += len(left)
    newest = 0
    for event in made:
        wanted = _of_core(event)
        at = next((i for i, (told, _) in enumerate(left) if told == wanted), None)
        if at is not None:
            newest = at  # all before it are on record only
            del left[at]
            continue
        at = next((i for i, (told, _) in enumerate(left) if told[0] == wanted[0]), None)
        other = left.pop(at)[0] if at is not None else None
        texts = _text(other[1:]) if other else "", _text(wanted[1:])
        yield Difference(event.at_utc_ms, f"event {event.name}{where}", *texts)
    for told, only in left if span.whole else left[:newest]:
        what = f"event {only.name}{where}"
        yield Difference(to_ms(only.at_utc), what, _text(told[1:]), "")


def _of_record(event: RunEvent) -> tuple[Any, ...]:
    return event.name, to_ms(event.at_utc), event.text, event.ticks, event.data


def _of_core(event: EventNoted) -> tuple[Any, ...]:
    data = _plain({k: v for k, v in event.data.items() if v == v})  # noqa: PLR0124 -- as recorded
    return event.name, event.at_utc_ms, event.text, event.ticks, data


def _samples(
    run_id: str, made: SampleBlock, recorded: SampleBlock, span: Span, *, ended: bool
) -> Iterator[Difference]:
    """Compared from the first sample made this time on: before it another process recorded, and
    after it, where the run has not ``ended``."""
    begin = int(np.searchsorted(recorded.ticks, made.ticks[0]))
    columns: dict[str, Any] = (
        {"ticks": made.ticks, "at_utc_ms": made.at_utc_ms} | made.raw | made.values
    )
    others: dict[str, Any] = {"ticks": recorded.ticks, "at_utc_ms": recorded.at_utc_ms}
    others |= recorded.raw | recorded.values
    for name in sorted(columns.keys() | others.keys()):
        one, other = others.get(name), columns.get(name)
        if one is None or other is None:
            at_ms = int(made.at_utc_ms[0])
            sides = ("" if side is None else "recorded" for side in (one, other))
            yield Difference(at_ms, f"samples of {run_id}, {name}", *sides)
            continue
        one = one[begin:]
        n = min(len(one), len(other))
        parts = np.flatnonzero(one[:n].view(np.uint64) != other[:n].view(np.uint64))
        if len(parts):
            first = int(parts[0])
            what = f"samples of {run_id}, {name}: {len(parts)} of {n}, the first number"
            what += f" {begin + first}"
            at_ms = int(made.at_utc_ms[first])
            yield Difference(at_ms, what, repr(one[first].item()), repr(other[first].item()))
        if name == "ticks" and (len(one) < len(other) or (ended and len(one) > len(other))):
            at_ms = int(made.at_utc_ms[-1])
            if n < len(made) and span.lost(int(made.at_utc_ms[n]) + BLOCK_MS):
                continue
            what = f"samples of {run_id}, how many"
            yield Difference(at_ms, what, str(len(one)), str(len(other)))
