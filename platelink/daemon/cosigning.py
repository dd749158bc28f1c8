"""The log of seals among units, by way of the broker: others are shown how it stands and asked to
cosign it, and theirs are cosigned.

Asked once a round by the thread that seals; nothing here keeps it from sealing.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from datetime import UTC, datetime

from platelink.evidence.cosign import ContradictionError, Witness, gather, request_to
from platelink.evidence.keys import Signer, Verifier
from platelink.evidence.log import SealLog
from platelink.evidence.note import Note, read_checkpoint
from platelink.evidence.wrong import EvidenceError
from platelink.publish.texts import RetainedTexts
from platelink.publish.topics import Topics

WAIT_ROUNDS = 60
"""For a request that begins at what was seen last: the unit has to hear of that first."""
_Take = Callable[[str, bytes, SealLog, Signer], None]


def topics_of(origin: str) -> Topics:
    """Of the unit whose log has this name: platelink/<site>/<unit>/<digits>."""
    _, site, unit, _ = origin.split("/")
    return Topics(site, unit)


def others_of(own: Topics, lines: Sequence[str]) -> tuple[Verifier, ...]:
    """The keys of other units among these lines of a configuration."""
    keys = [Verifier.of_text(line) for line in lines]
    return tuple(key for key in keys if topics_of(key.name) != own)


class Cosigning:
    """``others``: keys of the logs of other units; ``own``: topics of this one."""

    def __init__(
        self, own: Topics, others: Sequence[Verifier],
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:  # fmt: skip
        self._own, self._others, self._now = own, tuple(others), now
        self._units = list(dict.fromkeys(key.name for key in others))
        # What they show everybody is looked at before what they ask for.
        units = list(dict.fromkeys(map(topics_of, self._units)))
        self._takes: dict[str, _Take] = {
            **{unit.checkpoint: self._shown for unit in units},
            **{unit.cosign(own): self._asked for unit in units},
            **{unit.cosigned(own): self._gathered for unit in units},
        }
        self.texts = RetainedTexts(tuple(self._takes))
        """The publisher's."""
        self._asked_for: dict[str, tuple[int, int]] = {}
        self._waiting: dict[str, bytes] = {}
        self._rounds: dict[str, int] = {}
        """How long they wait."""
        self._begun = False
        self._refused: dict[str, str] = {}
        """Why a text was not taken, by topic; until one of that topic is."""
        self.contradictions: deque[str] = deque(maxlen=100)
        """Logs that cannot be: each is told once, by whoever takes it out."""

    def round(self, log: SealLog, signer: Signer) -> None:
        """Look at what came; cosign, gather, ask."""
        if not self._begun:
            for note in Witness(log, self._others, self._now).latest():
                self._give(note)
            self._begun = True
        heard = {**self._waiting, **self.texts.taken(self._takes)}
        for topic in filter(heard.__contains__, self._takes):
            try:
                self._takes[topic](topic, heard[topic], log, signer)
                self._refused.pop(topic, None)
            except ContradictionError as error:
                self.contradictions.append(str(error))
                self._refused[topic] = str(error)
            except EvidenceError as error:
                self._refused[topic] = str(error)
        self.texts.notice = "; ".join(self._refused.values())
        self._ask(log)

    def _shown(self, topic: str, data: bytes, log: SealLog, signer: Signer) -> None:
        Witness(log, self._others, self._now).shown(data)

    def _asked(self, topic: str, data: bytes, log: SealLog, signer: Signer) -> None:
        again = self._waiting.pop(topic, None) == data
        self._rounds[topic] = self._rounds.get(topic, 0) + 1 if again else 0
        waited = self._rounds[topic] >= WAIT_ROUNDS
        note = Witness(log, self._others, self._now).asked(data, signer, waited=waited)
        if note is None:
            self._waiting[topic] = data
        else:
            self._give(note)

    def _gathered(self, topic: str, data: bytes, log: SealLog, signer: Signer) -> None:
        gather(log, data, self._others, self._now())

    def _give(self, note: Note) -> None:
        other = topics_of(read_checkpoint(note).origin)
        self.texts.retain(self._own.cosigned(other), note.data.decode())

    def _ask(self, log: SealLog) -> None:
        """Show everybody how the log stands now; ask the others to cosign it."""
        head = log.head()
        if head is None:
            return
        self.texts.retain(self._own.checkpoint, head.data.decode())
        for name in self._units:
            state = log.size(), log.cosigned_size(name)
            if self._asked_for.get(name) != state:
                request = request_to(log, name)
                self.texts.retain(self._own.cosign(topics_of(name)), request.data.decode())
                self._asked_for[name] = state
