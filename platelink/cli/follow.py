"""The command ``plate follow``: a person led through a plate in a terminal, one key an act."""

from __future__ import annotations

import math
import queue
import sys
import threading
import time
from collections.abc import Iterable, Iterator
from contextlib import suppress
from typing import TYPE_CHECKING, Any

import click

from platelink.cli import complete
from platelink.cli.context import daemon, load_config
from platelink.cli.group import Failure, Misuse
from platelink.cli.plate import chosen
from platelink.cli.quantities import Display, clean
from platelink.cli.typed_secret import terminal
from platelink.contract.words import AlarmAct, LampsWere, PlateAct

if TYPE_CHECKING:
    from platelink.cli.keyboard import Keyboard
    from platelink.cli.leading import Leader
    from platelink.client import Client
    from platelink.contract.plates import PlateBrief
    from platelink.contract.unit import LiveLine, StatusLine

LOOK_S = 0.1
"""How often keys and lines are looked at."""
DEAF_S = 0.7
"""So long after an act Enter does nothing: pressed twice, it confirms no second thing."""


@click.command()
@click.argument("plate", required=False, shell_complete=complete.in_flight)
@click.option(
    "--accept-overdue", is_flag=True, help="Continue with overdue calibrations; needs a lead."
)
def follow(plate: str | None, accept_overdue: bool) -> None:
    """Guide you through PLATE in this terminal: what to do, timers, cautions, alarms; one key per
    act.

    It asks before light or heat. Leaving with q does not end the plate. Ctrl-C puts a running
    exposure on hold, then leaves. In danger use the unit's own emergency stop."""
    from platelink.cli.keyboard import Keyboard
    from platelink.cli.leading import Leader
    from platelink.cli.plate_text import head

    if not (terminal() and sys.stdout.isatty()):
        raise Misuse(
            "follow needs a terminal; without one use: platelink plate show, begin, done ..."
        )
    with daemon() as client:
        now = chosen(client, plate)
        rights = frozenset(client.me().rights)
        runs = {run for step in now.steps for run in step.runs}
        leader = Leader(now.plate, runs, rights, Display.of(load_config()))
        click.echo(head(now))
        with client.live() as lines, Keyboard() as keys:
            left = _Session(client, leader, keys, accept_overdue).go(Feed(lines))
        if left:
            again = f"platelink plate follow {leader.plate}"
            click.echo(clean(f"plate {leader.plate} continues; come back with: {again}"))
        elif leader.ended is None and not leader.gone:
            raise Failure(
                "lost the unit: its daemon or your sign-in has ended; the plate is kept; see "
                "`platelink whoami`, then `platelink plate follow {leader.plate}`"
            )
        else:
            _print_end(client, leader)


class Feed:
    """Lines of the unit, taken up by a thread, handed out without waiting. Of the statuses only the
    newest is kept: a question may stand for an hour."""

    def __init__(self, lines: Iterable[LiveLine]) -> None:
        self._lines = lines
        self._queue: queue.SimpleQueue[LiveLine] = queue.SimpleQueue()
        self._status: StatusLine | None = None
        self._thread = threading.Thread(target=self._read, name="feed", daemon=True)
        self._thread.start()

    def _read(self) -> None:
        from platelink.contract.unit import StatusLine

        for line in self._lines:
            if isinstance(line, StatusLine):
                self._status = line
            else:
                self._queue.put(line)

    def __iter__(self) -> Iterator[LiveLine]:
        status, self._status = self._status, None
        with suppress(queue.Empty):
            while True:
                yield self._queue.get_nowait()
        if status is not None:
            yield status

    @property
    def over(self) -> bool:
        """Nothing will come any more."""
        return not self._thread.is_alive() and self._queue.empty()


class _Session:
    """The loop between unit and person."""

    def __init__(
        self, client: Client, leader: Leader, keys: Keyboard, accept_overdue: bool
    ) -> None:
        self._client = client
        self._leader = leader
        self._keys = keys
        self._more = {"accept_overdue": True} if accept_overdue else {}
        self._acted_at = -math.inf

    def go(self, feed: Feed) -> bool:
        """Until the plate has ended or the unit is heard no more; True: until the person left."""
        leader = self._leader
        try:
            while not (leader.ended or leader.gone or feed.over):
                for line in feed:
                    for text in leader.take(line):
                        self._keys.print_line(text)
                self._keys.print_status(leader.status_text)
                act = self._wanted()
                if act == "leave":
                    return True
                if act is not None:
                    self._do(act)
                    self._acted_at = time.monotonic()
        except KeyboardInterrupt:
            self._dark()
            return True
        return False

    def _wanted(self) -> str | None:
        """The act of the key that was pressed, if one was."""
        from platelink.cli.leading import ENTER

        key = self._keys.key(LOOK_S)
        if key is None or (key in ENTER and time.monotonic() - self._acted_at < DEAF_S):
            return None
        return self._leader.act_of(key)

    def _dark(self) -> None:
        """Ctrl-C: light off, the remainder kept."""
        if self._leader.lit():
            self._act(PlateAct.HOLD, reason="held at the keyboard")
            self._keys.print_line("lamps off, on hold; restart it or stop the plate")

    def _do(self, act: str) -> None:
        from platelink.client import ClientError

        try:
            if act == AlarmAct.ACKNOWLEDGE:
                for name in self._leader.unacknowledged():
                    self._client.alarm(name, AlarmAct.ACKNOWLEDGE)
                return
            plate = self._leader.brief
            if plate is None:
                return
            with self._keys.lines():
                given = self._prompted(act, plate)
            if given is not None:
                self._act(PlateAct(act), step=plate.step, **given, **self._more)
        except ClientError as error:
            self._keys.print_line(clean(f"  not done: {error}"))

    def _act(self, act: PlateAct, **given: Any) -> None:
        from platelink.client import request
        from platelink.contract.plates import ActOnPlate

        self._client.act(self._leader.plate, act, request(ActOnPlate, **given))

    def _prompted(self, act: str, plate: PlateBrief) -> dict[str, Any] | None:
        """What belongs to the act, asked for; None: the person thought better of it."""
        from platelink.cli.measuring import prompted_values
        from platelink.cli.plate_text import cautions, will_happen

        now = plate.now
        try:
            if self._leader.asks_first(act):
                for text in (*cautions(now), will_happen(now, Display.of(load_config()))):
                    click.echo(f"  {text}")
                if act == PlateAct.RESTART and now.exposure and now.exposure.asks_what_fell:
                    return {"reason": _lamps_were()}
                return {} if click.confirm(f"  {act}") else None
            if act == PlateAct.MEASURE:
                return {"values": prompted_values(now)}
            if act in (PlateAct.STOP, PlateAct.ABORT, PlateAct.SKIP):
                return self._prompted_reason(act)
        except click.Abort:  # Ctrl-C at a question
            click.echo()
            return None
        return {}

    @staticmethod
    def _prompted_reason(act: str) -> dict[str, Any] | None:
        what = "skip this step" if act == PlateAct.SKIP else f"{act} the whole plate"
        if not click.confirm(f"  {what}"):
            return None
        return {"reason": str(click.prompt("  reason", default="", show_default=False))}


def _lamps_were() -> str:
    """What the person saw, as the reason of a restart; Ctrl-C: no restart."""
    words = click.Choice([str(word) for word in LampsWere])
    text = "  the light sensor failed for a while; to restart, say what the lamps did"
    return str(click.prompt(text, type=words))


def _print_end(client: Client, leader: Leader) -> None:
    from platelink.cli.leading import NOT_RECORDED
    from platelink.contract.runs import PlateEnd

    plate, record, ended = leader.plate, client.plate(leader.plate).record, leader.ended
    if ended is not None and ended.unrecorded:
        text = f"plate {plate} is {ended.state}: {ended.reason}"
        click.echo(clean(text) + NOT_RECORDED)
    elif record is not None:
        end = PlateEnd.model_validate(record.data)
        click.echo(clean(f"plate {plate} is {record.state}: {record.reason}"))
        if end.verdict:
            click.echo(clean(f"verdict   {end.verdict}"))
        for text in end.deviations:
            click.echo(clean(f"deviation {text}"))
    click.echo(clean(f"full record: platelink plate show {plate}"))
