"""A rehearsal: a simulated unit in real time, with daemon and page, for people to practise on.

Everything but the unit is what a real unit has: the daemon on a serial line (a pseudo-terminal),
journal, people, recipe, lot and screen, the page. Its name says on every face and in every record
that it is simulated. All names, PINs and figures are invented.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

from platelink.client import Client
from platelink.client.reach import answers
from platelink.client.waiting import wait_for_link
from platelink.config.load import load
from platelink.contract.words import Role
from platelink.simulated.bench_processes import ended
from platelink.simulated.demo_plate import LOT, provide
from platelink.simulated.harness import configuration
from platesim.board import build as build_board
from platesim.ptyprocess import PtyProcess
from platesim.scenarios import SCENARIOS

SITE, UNIT = "rehearsal", "REHEARSAL-simulated-unit"
LEAD, LEAD_PIN = "Lead (rehearsal)", "271828"
OPERATOR, OPERATOR_PIN = "Operator (rehearsal)", "314159"
RECIPE = "demo-plate"
SCENARIO = "plate"
EXPECTED_MW_CM2 = 9.0
MARK = "platelink-rehearsal"
"""File that says what a directory is: no other is emptied."""
UP_S = 30.0
LOOPBACK = "127.0.0.1"


class Trouble(NamedTuple):
    """What can be made to go wrong, and what is then to be seen."""

    order: dict[str, Any]
    text: str


TROUBLES = {
    "leak": Trouble({"fault": "leak", "conductance_l_s": 1.2, "for_s": 15.0},
                    "the blanket leaks for 15 s: contact is lost, the exposure is put on hold"),
    "lid": Trouble({"fault": "interlock", "for_s": 10.0}, "the lid is open for 10 s"),
    "stop": Trouble({"fault": "stop", "for_s": 3.0}, "the unit's stop button is pressed for 3 s"),
    "door": Trouble({"fault": "door", "for_s": 45.0}, "the oven door is open for 45 s"),
    "unplug": Trouble({"fault": "unplug", "for_s": 8.0}, "the cable is unplugged for 8 s"),
    "tube": Trouble({"fault": "tube", "tube": 2, "for_s": 30.0}, "one lamp is out for 30 s"),
}  # fmt: skip


class RehearsalError(Exception):
    """The rehearsal cannot begin; the text says what to do."""


def place(given: Path | None) -> Path:
    """Where a rehearsal's files are."""
    home = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local/share")
    return (given or Path(home) / "platelink/rehearsal").absolute()


@contextlib.contextmanager
def rehearsal(
    directory: Path, *, fresh: bool, port: int, say: Callable[[str], None], speed: float = 1.0
) -> Iterator[PtyProcess]:
    """Unit, daemon and page; all end with the block. ``say`` gets what a person needs to know."""
    build_board()
    _prepare(directory, fresh=fresh)
    with PtyProcess(scenario=SCENARIO, speed=speed, link=directory / "port") as unit:
        config = directory / "platelink.toml"
        config.write_text(
            configuration(
                SCENARIOS[SCENARIO].parameters, unit=UNIT, site=SITE, port=unit.path,
                journal=directory / "journal.sqlite", expected_mw_cm2=EXPECTED_MW_CM2,
            ),
            encoding="utf-8",
        )  # fmt: skip
        journal = load(config).socket_path()
        if answers(journal):
            raise RehearsalError(
                f"a rehearsal is running in {directory} already; end it with Ctrl-C, or name "
                "another directory with --keep"
            )
        with _child(directory, "serve", "--speed", str(speed)), Client(journal) as client:
            _wait(lambda: answers(journal), directory / "serve.log")
            wait_for_link(client)
            _furnish(client)
            where = f"{LOOPBACK}:{port if _is_free(port) else 0}"
            with _child(directory, "page", "--listen", where, out=True) as page:
                assert page.stdout is not None
                first = page.stdout.readline().strip()
                if not first:
                    raise RehearsalError(f"the page did not start; see {directory / 'page.log'}")
                for line in _hints(first.split(" ")[-1], config):
                    say(line)
                yield unit


def _prepare(directory: Path, *, fresh: bool) -> None:
    """An empty directory, or one of an earlier rehearsal."""
    mark = directory / MARK
    if directory.exists() and any(directory.iterdir()) and not mark.exists():
        raise RehearsalError(
            f"{directory} is not from a rehearsal; name an empty directory with --keep"
        )
    if fresh and mark.exists():
        shutil.rmtree(directory)
    directory.mkdir(parents=True, exist_ok=True)
    mark.write_text("files of platelink rehearse: a simulated unit\n", encoding="utf-8")


def _furnish(client: Client) -> None:
    """People, recipe, lot and screen, the first time: while there are no users, we are a lead."""
    if client.me().role != "lead":
        return
    client.add_first(LEAD, LEAD_PIN)
    client.sign_in(LEAD, LEAD_PIN)
    client.add_person(OPERATOR, Role.OPERATOR, OPERATOR_PIN)
    provide(client)
    client.sign_out()


def _hints(address: str, config: Path) -> Iterator[str]:
    program = "platelink" if shutil.which("platelink") else f"{sys.executable} -m platelink"
    yield "REHEARSAL on a simulated unit, in real time. No hardware is touched, no light is made;"
    yield "all names, PINs and figures are invented."
    yield ""
    yield f"  the page       {address}"
    yield f"  sign in as     {LEAD}, PIN {LEAD_PIN}"
    yield f"            or   {OPERATOR}, PIN {OPERATOR_PIN}   (unless you have changed them)"
    yield ""
    yield "Try on the page:"
    yield f"  1. New plate: recipe {RECIPE}, lot {LOT}, then begin its steps (about 6 minutes)"
    yield "  2. While light is on, type  leak  here; look at Now and Alarms, then restart"
    yield "  3. History: open the record of your plate"
    yield "or in another terminal:"
    yield f"  {program} --config {config} sign-in '{LEAD}'"
    yield f"  {program} --config {config} plate make {RECIPE} --lot {LOT}"
    yield f"  {program} --config {config} plate follow"
    yield ""
    yield "Type here, to have it happen to the unit:"
    for name, trouble in TROUBLES.items():
        yield f"  {name:<8} {trouble.text}"
    yield "Ctrl-C ends everything; the files stay for the next rehearsal (--fresh starts over)."


@contextlib.contextmanager
def _child(
    directory: Path, command: str, *options: str, out: bool = False
) -> Iterator[subprocess.Popen[str]]:
    """A command as a process of its own session: Ctrl-C is for us, and we end it."""
    config = str(directory / "platelink.toml")
    with (directory / f"{command}.log").open("wb") as log:
        child = subprocess.Popen(  # noqa: S603 -- our own command
            [sys.executable, "-m", "platelink", "--config", config, command, *options],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE if out else log, stderr=log,
            text=True, start_new_session=True,
        )  # fmt: skip
        try:
            with ended(child):
                yield child
        finally:
            if child.stdout is not None:
                child.stdout.close()


def _wait(condition: Callable[[], bool], log: Path) -> None:
    end = time.monotonic() + UP_S
    while not condition():
        if time.monotonic() > end:
            raise RehearsalError(f"the daemon did not start within {UP_S:.0f} s; see {log}")
        time.sleep(0.1)


def _is_free(port: int) -> bool:
    with socket.socket() as tried:
        tried.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        return tried.connect_ex((LOOPBACK, port)) != 0
