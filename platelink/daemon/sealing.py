"""The thread that seals what has closed: the control loop never waits for it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime

from platelink.config.model import Config
from platelink.daemon.cosigning import Cosigning
from platelink.daemon.retaining import Rule
from platelink.daemon.stamping import Stamping
from platelink.daemon.taking import Taking
from platelink.daemon.worker import Worker
from platelink.events.event import Event
from platelink.events.security import Security
from platelink.evidence.beside import key_path, log_path
from platelink.evidence.contradictions import WHAT
from platelink.evidence.sealer import Sealer, SealPlaces
from platelink.evidence.wrong import EvidenceError
from platelink.ledger.errors import StoreError
from platelink.record.errors import JournalError

ROUND_S = 1.0
"""How often it looks, real seconds."""
AFTER_FAULT_S = 30.0


def seal_places(config: Config) -> SealPlaces:
    """Where a unit's records, its log of seals and its key are."""
    journal = config.journal.path
    return SealPlaces(
        config.unit.site, config.unit.name, journal, log_path(journal), key_path(journal),
        (
            ("recipes", config.recipes_path()),
            ("people", config.people_path()),
            ("calibrations", config.calibrations_path()),
            ("experiments", config.experiments_path()),
        ),
    )  # fmt: skip


class Sealing(Worker):
    """``cosigning`` tells others of each new checkpoint. It ends after what has closed by then is
    sealed."""

    def __init__(
        self, places: SealPlaces, cosigning: Cosigning, retention: Rule | None = None,
        stamping: Stamping | None = None, taking: Taking | None = None,
    ) -> None:  # fmt: skip
        """``retention``: which samples are removed once they are sealed; ``stamping`` has what is
        sealed time-stamped; ``taking``, which hears the broker by the same texts, takes what the
        shop sends."""
        super().__init__("sealer")
        self._taking = taking
        self._places, self._cosigning, self._stamping = places, cosigning, stamping
        self.retention = retention
        self.fault = ""
        """Why nothing is sealed at present; empty while it goes."""

    @property
    def notice(self) -> str:
        """What is worth knowing while records are sealed."""
        parts = (self._stamping, self._taking)
        return "; ".join(one.fault for one in parts if one is not None and one.fault)

    def start(self) -> None:
        """Once."""
        super().start()
        for one in (self._stamping, self._taking):
            if one is not None:
                one.start()

    def stop(self) -> None:
        """See the class."""
        for one in (self._stamping, self._taking):
            if one is not None:
                one.stop()
        super().stop()

    def news(self) -> Iterator[tuple[Event, str]]:
        """Logs of other units that cannot be, what was taken of the shop, what was refused; each is
        told once."""
        while self._cosigning.contradictions:
            yield Security(WHAT), self._cosigning.contradictions.popleft()
        if self._taking is not None:
            yield from self._taking.events()

    def _run(self) -> None:
        """The thread never ends by an error: it says so and begins again."""
        last = False
        while not last:
            last = self._end.is_set()
            try:
                self._work()
            except (EvidenceError, StoreError, JournalError, OSError, LookupError) as error:
                self.fault = f"nothing is sealed: {error}"
                self._end.wait(AFTER_FAULT_S)

    def _work(self) -> None:
        sealer = Sealer(self._places, lambda: datetime.now(UTC))
        try:
            while True:
                ending = self._end.is_set()
                sealer.round()
                self.fault = ""
                self._cosigning.round(sealer.log, sealer.signer)
                if self._stamping is not None:
                    self._stamping.round(sealer.log)
                if ending:
                    return
                self._end.wait(ROUND_S)
        finally:
            with suppress(StoreError):
                sealer.close()
