"""Units that witness each other's logs (C2SP tlog-witness, tlog-cosignature): each keeps what it
saw last of another's log, and signs with its time whatever goes on from that, and nothing else.

The way of the messages is not C2SP's (HTTP): they are retained at the broker. Their bytes are.
"""

from __future__ import annotations

import base64
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final, NamedTuple

from platelink.evidence import contradictions
from platelink.evidence.contradictions import Contradicted
from platelink.evidence.keys import Signer, Verifier, cosigned_at_s
from platelink.evidence.log import SealLog
from platelink.evidence.merkle import EMPTY, consistency, leaf_hash, must_be_consistent
from platelink.evidence.note import (
    HASH_BYTES,
    Checkpoint,
    Note,
    Signature,
    read_checkpoint,
    read_note,
)
from platelink.evidence.witnessed import Seen, Witnessed
from platelink.evidence.wrong import EvidenceError

MOST_LINES: Final = 63
"""Of a consistency proof (C2SP tlog-witness)."""
CLOCKS_S: Final = 300
"""By which two clocks may differ."""
_CLOCK_SET = datetime(2020, 1, 1, tzinfo=UTC)
"""A clock that shows less was never set."""
_LAST_S = 253_402_300_799
"""The end of the year 9999."""


class ContradictionError(EvidenceError):
    """A log was shown that cannot be the one that was seen."""


@dataclass(frozen=True, slots=True)
class Request:
    """The body of tlog-witness's add-checkpoint: a checkpoint, and how the log grew to it from the
    size that the witness saw last."""

    old: int
    path: tuple[bytes, ...]
    note: Note

    @property
    def data(self) -> bytes:
        """As it is sent."""
        path = "".join(base64.b64encode(one).decode() + "\n" for one in self.path)
        return f"old {self.old}\n{path}\n".encode() + self.note.data


def read_request(data: bytes) -> Request:
    """``EvidenceError`` for anything but what ``Request.data`` gives."""
    above, mark, below = data.partition(b"\n\n")
    try:
        first, *path = above.decode().split("\n")
        found = Request(
            int(first.removeprefix("old ")),
            tuple(base64.b64decode(one, validate=True) for one in path), read_note(below),
        )  # fmt: skip
        good = all(len(one) == HASH_BYTES for one in found.path) and len(path) <= MOST_LINES
    except ValueError:
        good = False
    if not (mark and good and found.old >= 0 and found.data == data):
        raise EvidenceError("this is no request to cosign a checkpoint")
    return found


class Witness:
    """What a unit does with the logs of ``others``, given by their keys."""

    def __init__(
        self, log: SealLog, others: Sequence[Verifier], now: Callable[[], datetime]
    ) -> None:
        self._others, self._now = others, now
        self._book = Witnessed(log.database)

    def shown(self, data: bytes) -> None:
        """A checkpoint that another unit shows to everybody. ``EvidenceError`` says what is wrong
        with it; ``ContradictionError`` that it cannot be."""
        note = read_note(data)
        head = self._signed(note)
        self._agrees(note, head, self._book.newest(head.origin))

    def asked(self, data: bytes, signer: Signer, *, waited: bool = False) -> Note | None:
        """A request: the checkpoint with this unit's line below it, which is on the disk by then;
        None where it does not begin at what was seen last, and another one must follow: ``waited``
        long enough for that, the log does not go on."""
        request = read_request(data)
        note, head = request.note, self._signed(request.note)
        if request.old > head.size:
            raise EvidenceError(f"a log of {head.size} cannot have grown from {request.old}")
        seen = self._book.newest(head.origin)
        self._agrees(note, head, seen)
        if seen is not None and head.size <= seen.size:
            mine = signer.verifier.cosigner
            again = head.size == seen.size and not seen.note.signed_by([mine])
            return self._cosigned(note, head, seen, signer) if again else seen.note
        if request.old != (seen.size if seen is not None else 0):
            if not waited:
                return None
            if seen is None:
                raise EvidenceError("the first checkpoint of a log comes without a proof")
            raise self._contradiction(contradictions.unproven, note, head, seen)
        try:
            _must_go_on(request, head, seen)
        except EvidenceError:
            if seen is None:
                raise
            raise self._contradiction(contradictions.broken, note, head, seen) from None
        return self._cosigned(note, head, seen, signer)

    def latest(self) -> list[Note]:
        """What was cosigned last of each log that is witnessed: to be told again after a start."""
        found = [self._book.newest(name) for name in dict.fromkeys(k.name for k in self._others)]
        return [seen.note for seen in found if seen is not None]

    def _signed(self, note: Note) -> Checkpoint:
        head = read_checkpoint(note)
        keys = [key for key in self._others if key.name == head.origin]
        if not keys:
            raise EvidenceError(f"{head.origin} is the log of no unit that is named in [cosigning]")
        if not note.signed_by(keys):
            raise EvidenceError(
                f"a checkpoint of {head.origin} is not signed by the key in [cosigning]: where it "
                "has another key by now, add that"
            )
        return head

    def _agrees(self, note: Note, head: Checkpoint, seen: Seen | None) -> None:
        if seen is None:
            return
        root = self._book.root(head.origin, head.size)
        if root is not None and root != head.root:
            day = _day(seen.at_s)
            raise self._kept(note, contradictions.fork(unit_of(head.origin), head.size, day))
        if root is None and head.size < seen.size:
            raise self._contradiction(contradictions.smaller, note, head, seen)

    def _contradiction(
        self, say: Callable[[str, int, int, str], Contradicted], note: Note, head: Checkpoint,
        seen: Seen,
    ) -> EvidenceError:  # fmt: skip
        found = say(unit_of(head.origin), head.size, seen.size, _day(seen.at_s))
        return self._kept(note, found)

    def _kept(self, note: Note, found: Contradicted) -> EvidenceError:
        return _kept(self._book, note, found, self._now())

    def _cosigned(self, note: Note, head: Checkpoint, seen: Seen | None, signer: Signer) -> Note:
        now = self._now()
        if now < _CLOCK_SET:
            raise EvidenceError(
                f"nothing is cosigned: this computer's clock shows {now:%Y}; set it"
            )
        # Of one log no later statement may be dated before an earlier one.
        at_s = max(int(now.timestamp()), seen.at_s if seen is not None else 0)
        theirs = [key for key in self._others if key.name == head.origin]
        key = signer.verifier.cosigner
        made = Note(note.text, (
            *(one for one in note.signatures if any(one.is_of(each) for each in theirs)),
            Signature(key.name, key.id, signer.cosign(note.text.encode(), at_s)),
        ))  # fmt: skip
        self._book.keep(made, at_s)
        return made


def _must_go_on(request: Request, head: Checkpoint, seen: Seen | None) -> None:
    if request.old == 0:  # everything goes on from nothing
        if request.path or (head.size == 0 and head.root != EMPTY):
            raise EvidenceError("the first checkpoint of a log comes without a proof")
        return
    assert seen is not None
    must_be_consistent(seen.size, seen.head.root, head.size, head.root, request.path)


def _kept(book: Witnessed, note: Note, found: Contradicted, now: datetime) -> EvidenceError:
    """The error to raise: ``ContradictionError`` where it is news."""
    news = book.contradict(note, found, int(now.timestamp()))
    return (ContradictionError if news else EvidenceError)(found.text)


# --- the unit whose log is cosigned --------------------------------------------------------------


class Cosigned(NamedTuple):
    """Who cosigned a checkpoint, and when by their clock."""

    name: str
    at_utc: datetime


def cosigned_by(note: Note, keys: Sequence[Verifier]) -> list[Cosigned]:
    """Whose cosignatures a checkpoint has; ``EvidenceError`` where one of these keys does not
    hold. ``keys`` are those of the logs of other units."""
    cosigners = [key.cosigner for key in keys]
    note.signed_by(cosigners)
    found: dict[str, Cosigned] = {}
    for one in note.signatures:
        if any(one.is_of(key) for key in cosigners):
            at_s = min(cosigned_at_s(one.signature), _LAST_S)
            found.setdefault(one.name, Cosigned(one.name, datetime.fromtimestamp(at_s, UTC)))
    return list(found.values())


def counting(
    by: Sequence[Cosigned], sealed_utc: str, now: datetime | None
) -> tuple[list[Cosigned], list[str]]:
    """Which cosignatures count, and what is strange about the times of any: one may not be dated
    ahead (tlog-cosignature), and none can be older than what it answers for."""
    counted, doubts = [], []
    margin = timedelta(seconds=CLOCKS_S)
    for one in by:
        at = f"{one.at_utc:%Y-%m-%d %H:%M:%S} UTC"
        if now is not None and one.at_utc > now + margin:
            doubts.append(f"the cosignature of {one.name} is dated ahead, {at}: it does not count")
            continue
        counted.append(one)
        if one.at_utc < datetime.fromisoformat(sealed_utc) - margin:
            doubts.append(
                f"{one.name} cosigned at {at} by its clock, before this was sealed by the unit's: "
                "one of the two clocks was wrong"
            )
    return counted, doubts


def lacking(by: Sequence[Cosigned], others: Sequence[Verifier], needed: int) -> list[str]:
    """What lacks of the cosignatures that are needed, in a sentence."""
    if len(by) >= needed:
        return []
    have = {one.name for one in by}
    names = ", ".join(dict.fromkeys(key.name for key in others if key.name not in have))
    return [
        f"cosigned by {len(by)} units, {needed} are needed: "
        + (f"a cosignature lacks of {names}" if names else "no keys of other units were given")
    ]


def gather(log: SealLog, data: bytes, others: Sequence[Verifier], now: datetime) -> bool:
    """Take another unit's cosignature of this log to its checkpoint; True where it is news."""
    note = read_note(data)
    head = read_checkpoint(note)
    if head.origin != log.origin():
        return False  # of one that was before it
    by = cosigned_by(note, others)
    if not by:
        raise EvidenceError("a cosignature of this log is by no unit that is named in [cosigning]")
    own = log.head_of(head.size)
    if own is None or own.text != note.text:
        if not note.signed_by(log.keys()):
            raise EvidenceError(f"{by[0].name} cosigned what this unit never signed")
        found = contradictions.own(unit_of(by[0].name), head.size)
        raise _kept(Witnessed(log.database), note, found, now)
    ahead = [one.name for one in by if one.at_utc.timestamp() > now.timestamp() + CLOCKS_S]
    if ahead:
        raise EvidenceError(f"a cosignature of {ahead[0]} is dated ahead: set its clock, or ours")
    cosigners = [key.cosigner for key in others]
    lines = [one for one in note.signatures if any(one.is_of(key) for key in cosigners)]
    return sum(log.add_cosignature(head.size, one) for one in lines) > 0


def request_to(log: SealLog, name: str) -> Request:
    """What is to be sent to the unit whose log has this name."""
    note = log.head()
    if note is None:
        raise EvidenceError(f"{log.path} has no checkpoint yet")
    size, old = read_checkpoint(note).size, log.cosigned_size(name)
    path: list[bytes] = []
    if 0 < old < size:
        path = consistency([leaf_hash(data) for data in log.leaf_data()[:size]], old)
    signed = tuple(one for one in note.signatures if one.name == log.origin())
    return Request(old, tuple(path), Note(note.text, signed))


def unit_of(origin: str) -> str:
    """The unit of a log's name, for people."""
    parts = origin.split("/")
    return parts[2] if len(parts) == 4 else origin


def _day(at_s: int) -> str:
    return f"{datetime.fromtimestamp(at_s, UTC):%Y-%m-%d %H:%M} UTC"
