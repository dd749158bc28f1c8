"""The demonstration: a whole plate on a simulated unit, faster than real time.

Everything but the unit is real: the daemon on a serial line (a pseudo-terminal), the journal, and,
where they are installed, a broker, a recorder and a time-series store as children of this process.
"""

from __future__ import annotations

import contextlib
import secrets
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

from platelink.client import Client
from platelink.client.waiting import wait_for_link
from platelink.config.load import load
from platelink.contract.unit import EventLine, LiveLine
from platelink.daemon.background import client_of_daemon
from platelink.daemon.clock import Clock
from platelink.events.event import read
from platelink.events.steps import StepMoved
from platelink.publish.services import BrokerService, ServiceError, StoreService
from platelink.simulated.audit import Audit, audit
from platelink.simulated.demo_plate import PlateMaker
from platelink.simulated.harness import configuration
from platesim.board import build as build_board
from platesim.ptyprocess import PtyProcess
from platesim.scenarios import SCENARIOS

SPEED = 12.0
SCENARIO = "plate"
LEAD = "demo-lead"
EXPECTED_MW_CM2 = 9.0
"""What the shop saw last; the demonstration's lamps have faded further."""
EXPOSURES = frozenset({"film", "screen", "hardening"})
SITE, UNIT = "invented-shop", "demo-unit"
USER = f"{SITE}/{UNIT}"
REMAINS = frozenset(
    {
        "platelink.toml", "journal.sqlite", "journal.sqlite-wal", "journal.sqlite-shm",
        "recipes.sqlite", "people.sqlite",
    }
)  # fmt: skip


@contextlib.contextmanager
def demonstration(
    keep: Path | None,
    *,
    page: bool,
    say: Callable[[str], None],
    on_line: Callable[[LiveLine], None],
) -> Iterator[Audit]:
    """Make the plate in a directory to keep, or in one of its own. Inside the block the unit is
    up, and its page where it is asked for. ``say`` takes text for people, ``on_line`` every line
    of the unit. BoardError, before anything is begun, where the compiler is missing."""
    build_board()
    directory = keep or Path(tempfile.mkdtemp(prefix="platelink-demo-"))
    directory.mkdir(parents=True, exist_ok=True)
    say(f"A simulated unit with faded lamps, {SPEED:.0f} times faster than real time. All names")
    say("and figures are invented. No hardware is touched.")
    with Demo(directory, say, on_line).played(page=page) as found:
        yield found
    if keep is None:
        remove_all_but_the_record(directory)


class Demo:
    """One demonstration in one directory."""

    def __init__(
        self, directory: Path, say: Callable[[str], None], on_line: Callable[[LiveLine], None]
    ) -> None:
        self.directory = directory
        self.say, self.on_line = say, on_line
        self.broker: BrokerService | None = None
        self.store: StoreService | None = None
        self.left_out: list[str] = []

    @contextlib.contextmanager
    def played(self, *, page: bool) -> Iterator[Audit]:
        """The whole story; unit and page stay up inside the block."""
        with self.services(), PtyProcess(scenario=SCENARIO, speed=SPEED) as unit:
            path = self.write_config(unit.path)
            with (
                self.recorder(path),
                client_of_daemon(load(path), Clock(SPEED)) as client,
            ):
                wait_for_link(client)
                with self.page(path, client) if page else contextlib.nullcontext():
                    true_mj_cm2 = self.make(client, unit)
                    published_to = self.store.url if self.store and self.broker else None
                    yield audit(self.directory, true_mj_cm2, published_to, tuple(self.left_out))

    @contextlib.contextmanager
    def services(self) -> Iterator[None]:
        """Broker and store as children, where they are installed."""
        with contextlib.ExitStack() as stack:
            for started in (
                BrokerService(self.directory / BrokerService.program, USER),
                StoreService(self.directory / StoreService.program),
            ):
                try:
                    started.start()
                except ServiceError as error:
                    self.left_out.append(str(error))
                    continue
                stack.callback(started.stop)
                if isinstance(started, BrokerService):
                    self.broker = started
                elif isinstance(started, StoreService):
                    self.store = started
            yield

    def write_config(self, port: str) -> Path:
        """The configuration of the simulated unit, with what is there to publish to."""
        more = f'[store]\nurl = "{self.store.url}"\n\n' if self.store is not None else ""
        more += self.broker.section(USER) if self.broker is not None else "[recorder]\n"
        more += f'path = "{self.directory / "recorder.sqlite"}"\n'
        path = self.directory / "platelink.toml"
        path.write_text(
            configuration(
                SCENARIOS[SCENARIO].parameters,
                unit=UNIT,
                site=SITE,
                port=port,
                journal=self.directory / "journal.sqlite",
                expected_mw_cm2=EXPECTED_MW_CM2,
                more=more,
            ),
            encoding="utf-8",
        )
        return path

    @contextlib.contextmanager
    def recorder(self, config: Path) -> Iterator[None]:
        """The recorder as its own process."""
        if self.broker is None or self.store is None:
            yield
            return
        with self._child(config, "recorder", out=False):
            yield

    @contextlib.contextmanager
    def page(self, config: Path, client: Client) -> Iterator[None]:
        """The page as its own process, and somebody to sign in as."""
        pin = str(secrets.randbelow(900_000) + 100_000)
        client.add_first(LEAD, pin)
        client.sign_in(LEAD, pin)
        with self._child(config, "page", "--listen", "127.0.0.1:0", out=True) as child:
            assert child.stdout is not None
            self.say(f"{child.stdout.readline().strip()}   sign in as {LEAD}, PIN {pin}")
            yield

    @contextlib.contextmanager
    def _child(
        self, config: Path, command: str, *options: str, out: bool
    ) -> Iterator[subprocess.Popen[str]]:
        """A command as a process with a log of its own; ``out``: its first line is read here."""
        words = [sys.executable, "-m", "platelink", "--config", str(config), command, *options]
        with (self.directory / f"{command}.log").open("wb") as log:
            child = subprocess.Popen(  # noqa: S603 -- our own command
                words, stdout=subprocess.PIPE if out else log, stderr=log, text=True
            )
            try:
                yield child
            finally:
                child.terminate()
                child.wait(timeout=10.0)
                if child.stdout is not None:
                    child.stdout.close()

    def make(self, client: Client, unit: PtyProcess) -> dict[str, float]:
        """The whole plate, line by line; what the simulated lamps gave, by step."""
        maker = PlateMaker(client, unit, self.say, speed=SPEED)
        for line in maker.make():
            self.on_line(line)
            if not isinstance(line, EventLine):
                continue
            moved = read(StepMoved, line.event.name, line.event.data)
            if moved is not None and moved.to == "complete" and moved.name_ in EXPOSURES:
                maker.ended(moved.name_)
        return maker.true_mj_cm2


def remove_all_but_the_record(directory: Path) -> None:
    """Leave what ``show`` needs; broker, store and the journal's reserve are megabytes."""
    for entry in directory.iterdir():
        if entry.is_dir():
            shutil.rmtree(entry)
        elif entry.name not in REMAINS:
            entry.unlink()
