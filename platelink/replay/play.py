"""Tapes played whole, or up to the close of one plate, against the journal beside them."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from platelink.events.event import read
from platelink.events.unit import InputsTaped
from platelink.ledger.by import to_ms
from platelink.record.reader import JournalReader
from platelink.record.stored import RunRecord
from platelink.replay.again import Again
from platelink.replay.against import Counted, Difference, Made, Span, compare
from platelink.tape.files import Beginning, Tape, TapeError

LOOK_EVERY = 20_000
"""Inputs between two words on how far it is."""


@dataclass(slots=True)
class Played:
    """What came of one tape."""

    tape: str
    release: str
    """That made it; empty where it does not tell."""
    began_ms: int
    until_ms: int
    inputs: int = 0
    counted: Counted = field(default_factory=Counted)
    differences: list[Difference] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    """Why it, or a part of it, could not be played, or is not what was sealed."""

    @property
    def same(self) -> bool:
        """All came as it is on record."""
        return not self.differences and not self.problems

    @property
    def life_s(self) -> float:
        """How long it took then."""
        return max(0, self.until_ms - self.began_ms) / 1000.0


def play(
    tape: Tape, reader: JournalReader, *, last: int, sealed: InputsTaped | None = None,
    only: Collection[str] | None = None, since_ms: int = 0,
    far: Callable[[int, int], None] = lambda inputs, at_ms: None,
) -> Played:  # fmt: skip
    """Play it against the journal's entries up to number ``last``; ``sealed`` says how far, and its
    hash until there. ``only`` tells of these runs, and
    with it of nothing before ``since_ms``. ``far`` gets how far it is."""
    begun = tape.beginning()
    played = Played(tape.name, begun.release, begun.utc_ms, begun.utc_ms)
    if begun.journal != reader.uuid:
        why = (
            f"tape {tape.name} is of another journal than {reader.path}; a restored one has an id "
            "of its own: give the backup's file, with the folder of tapes copied beside it"
        )
        return Played(tape.name, "", 0, 0, problems=[why])
    again, made, known = Again(begun), Made(), hashlib.sha256()
    try:
        for record in tape.records():
            if sealed is not None:
                if again.inputs == sealed.inputs:
                    break
                known.update(record.pack())
            if outputs := again.feed(record):
                made.take(outputs)
            if again.inputs % LOOK_EVERY == 0:
                far(again.inputs, again.at_ms)
    except TapeError as error:
        played.problems.append(str(error))
    except Exception as error:  # whatever the unit of this release does wrong is what is looked for
        played.problems.append(
            f"at input {again.inputs} this release fails: {type(error).__name__}: {error}"
        )
    played.inputs, played.until_ms = again.inputs, again.at_ms
    if sealed is not None and again.inputs < sealed.inputs:
        played.problems.append(
            f"the tape has {again.inputs} inputs of {sealed.inputs} that were there at its close"
        )
    elif sealed is not None and known.hexdigest() != sealed.sha256:
        played.problems.append("the tape is not what it was at its close: it was changed")
    whole = sealed is not None or again.ended
    span = Span(begun.entries, last, whole, None if whole else again.unwritten_ms)
    played.counted, found = compare(made, again, reader, span, only)
    played.differences = [one for one in found if one.at_utc_ms >= since_ms]
    return played


def tape_of(run: RunRecord, reader: JournalReader) -> InputsTaped | None:
    """How far its tape was when a plate was closed; None: nothing was taped."""
    for event in reader.events(run.start.run_id):
        if (taped := read(InputsTaped, event.name, event.data)) is not None:
            return taped
    return None


def tapes_of(
    run: RunRecord, reader: JournalReader, there: Sequence[Tape]
) -> tuple[InputsTaped, list[Tape]]:
    """How far a plate is on tape, and its tapes in order. TapeError: it is on none."""
    name = run.start.run_id
    sealed = tape_of(run, reader)
    if sealed is None:
        why = "it is not closed yet" if run.end is None else "no inputs were taped when it was made"
        raise TapeError(f"{name} cannot be made again: {why}")
    names = [tape.name for tape in there]
    if sealed.tape not in names:
        raise TapeError(
            f"{name} cannot be made again: tape {sealed.tape} is not there any more; [journal] "
            "tapes_mb says how much is kept"
        )
    first = last = names.index(sealed.tape)
    while first > 0 and there[first].beginning().utc_ms > to_ms(run.start.at_utc):
        first -= 1
    return sealed, list(there[first : last + 1])


def play_plate(
    run: RunRecord, reader: JournalReader, there: Sequence[Tape],
    far: Callable[[int, int], None] = lambda inputs, at_ms: None,
) -> list[Played]:  # fmt: skip
    """A plate, tape after tape where the daemon was started again meanwhile. TapeError: it cannot
    be made again."""
    sealed, wanted = tapes_of(run, reader, there)
    name, began_ms = run.start.run_id, to_ms(run.start.at_utc)
    only = {name, *(part.start.run_id for part in reader.parts(name))}
    closed = reader.number_of(run.end.id) if run.end is not None else 0
    ends = [*(tape.beginning().entries for tape in wanted[1:]), closed]
    return [
        play(
            tape, reader, last=end, sealed=sealed if tape.name == sealed.tape else None, only=only,
            since_ms=began_ms, far=far,
        )
        for tape, end in zip(wanted, ends, strict=True)
    ]  # fmt: skip


def play_all(
    there: Sequence[Tape], reader: JournalReader,
    far: Callable[[int, int], None] = lambda inputs, at_ms: None, *, processes: int = 1,
) -> Iterator[Played]:  # fmt: skip
    """Tapes that follow each other, the newest one among them, in order. With more ``processes``
    several at a time, and ``far`` is told after each. What cannot be read keeps no other from being
    played, but for the one before it, of which the record does not tell where it ends."""
    begins = [_beginning(tape) for tape in there]
    ends = [*(one.entries if isinstance(one, Beginning) else None for one in begins[1:]),
            reader.last_number()]  # fmt: skip
    wrong = [_why_not(begun, end) for begun, end in zip(begins, ends, strict=False)]
    good = [(tape, end or 0) for tape, end, why in zip(there, ends, wrong, strict=False) if not why]
    found = _each(good, reader, far, processes)
    for tape, why in zip(there, wrong, strict=True):
        yield Played(tape.name, "", 0, 0, problems=[why]) if why else next(found)


def _beginning(tape: Tape) -> Beginning | str:
    """Or why it cannot be read."""
    try:
        return tape.beginning()
    except TapeError as error:
        return str(error)


def _why_not(begun: Beginning | str, end: int | None) -> str:
    """Why a tape cannot be played; empty where it can."""
    if isinstance(begun, str):
        return begun
    return (
        "" if end is not None else "where it ends stands on the tape after it, which is unreadable"
    )


def _each(
    good: Sequence[tuple[Tape, int]], reader: JournalReader, far: Callable[[int, int], None],
    processes: int,
) -> Iterator[Played]:  # fmt: skip
    """Tapes up to an entry each."""
    if min(processes, len(good)) < 2:
        for tape, end in good:
            yield play(tape, reader, last=end, far=far)
        return
    inputs = 0
    tapes, ends = zip(*good, strict=True)
    with ProcessPoolExecutor(min(processes, len(good))) as pool:
        for played in pool.map(_play_in, tapes, [reader.path] * len(good), ends):
            inputs += played.inputs
            far(inputs, played.until_ms)
            yield played


def _play_in(tape: Tape, journal: Path, last: int) -> Played:
    with JournalReader.open(journal) as reader:
        return play(tape, reader, last=last)


def since(there: Sequence[Tape], when: datetime) -> list[Tape]:
    """Tapes that were written on after this time; the order is theirs."""
    begins = [_beginning(tape) for tape in there]
    ends = [*(one.utc_ms if isinstance(one, Beginning) else None for one in begins[1:]), None]
    wanted = to_ms(when)
    return [t for t, end in zip(there, ends, strict=False) if end is None or end > wanted]
