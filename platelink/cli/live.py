"""Commands on a running unit: serve, expose, and hold, restart, stop, abort, status.

``expose`` talks to the daemon of its configuration; where none runs it starts one for as long as
the exposure lasts.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import json
import queue
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

import click

from platelink.cli.plate_text import progress as plate_progress
from platelink.cli.plate_text import step_title
from platelink.cli.quantities import Display, clean
from platelink.cli.service import client_at
from platelink.client import Client, ClientError
from platelink.client.reach import answers
from platelink.config import Config
from platelink.daemon.clock import Clock
from platelink.daemon.lag import LagMeter
from platelink.daemon.setup import make_job, make_shell, socket_path
from platelink.daemon.shell import COMMANDS, Shell

LINK_WAIT_S = 12.0
"""How long a fresh daemon may take to reach its device, real seconds."""
Line = dict[str, Any]


class Background:
    """A daemon in a thread of this process."""

    def __init__(self, config: Config, clock: Clock) -> None:
        self._config, self._clock = config, clock
        self._ready = threading.Event()
        self._shell: Shell | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._error: Exception | None = None
        self._thread = threading.Thread(target=self._run, name="daemon", daemon=True)

    def __enter__(self) -> Background:
        self._thread.start()
        self._ready.wait()
        if self._error is not None:
            raise self._error
        return self

    def __exit__(self, *_: object) -> None:
        if self._loop is not None and self._shell is not None:
            with contextlib.suppress(RuntimeError):  # the loop has ended by itself
                self._loop.call_soon_threadsafe(self._shell.stop)
        self._thread.join()

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except Exception as error:  # told in the caller's thread
            self._error = error
        finally:
            self._ready.set()

    async def _serve(self) -> None:
        self._shell = make_shell(self._config, self._clock, today=date.today)
        self._loop = asyncio.get_running_loop()
        await self._shell.run(ready=self._ready.set)


@contextlib.contextmanager
def daemon_of(config: Config, clock: Clock | None = None) -> Iterator[Client]:
    """A client of the daemon of this configuration, which is started here if none runs."""
    path = socket_path(config)
    with contextlib.ExitStack() as stack:
        if not answers(path):
            stack.enter_context(Background(config, clock or Clock()))
        yield stack.enter_context(client_at(path))


def wait_for_link(client: Client, limit_s: float = LINK_WAIT_S) -> None:
    """Until the device answers; a click error says what is in the way."""
    end = time.monotonic() + limit_s
    while True:
        status = client.status()
        if status["link"]["state"] == "up":
            return
        if time.monotonic() > end:
            problem = status["problem"] or status["link"]["text"]
            raise click.ClickException(
                f"no device after {limit_s:.0f} s: {problem}; see `platelink doctor`"
            )
        time.sleep(0.05)


def follow(client: Client, request: Line, tell: Callable[[Line], None]) -> Line:
    """Ask for an exposure and pass every line on until its run ends; the ending line."""
    with client.live() as lines:
        run_id = client.expose(request)
        for line in lines:
            tell(line)
            if line.get("ended") == run_id:
                return line
    raise click.ClickException(
        "the daemon ended before the exposure did; see `platelink show last`"
    )


class Teller:
    """Prints lines of a daemon: events as they come, on a terminal the status in one line."""

    def __init__(
        self, *, as_json: bool, quiet: frozenset[str] = frozenset(), when_held: str = ""
    ) -> None:
        self._json = as_json
        self._when_held = when_held
        self._quiet = QUIET | quiet
        self._terminal = sys.stdout.isatty() and not as_json
        self._status_shown = False

    def __call__(self, line: Line) -> None:
        """Print one line."""
        if self._json:
            if "status" not in line:
                click.echo(json.dumps(line))
            return
        if "status" in line:
            if self._terminal:
                click.echo(f"\r\x1b[K{progress(line['status'])}", nl=False)
                self._status_shown = True
            return
        self._clear()
        if "event" in line and not self._unsaid(line["event"]):
            event = line["event"]
            click.echo(f"  {event['at_utc'][11:19]}  {event['name']:<16} {event['text']}".rstrip())
            if event["name"] == "held" and self._when_held:
                click.echo(f"  {self._when_held}")

    def _unsaid(self, event: Line) -> bool:
        """Recorded, but of no use to a person who watches."""
        data = event["data"]
        silent = event["name"] == "alarm" and SUPPRESSED in (data["from"], data["to"])
        turn = event["name"] == "step" and data["move"] == "turn"
        return silent or turn or event["name"] in self._quiet

    def _clear(self) -> None:
        if self._status_shown:
            click.echo("\r\x1b[K", nl=False)
            self._status_shown = False


SUPPRESSED = "suppressed by design"


class Aside:
    """Tells in a thread of its own: a terminal that was paused must not pause the control loop.
    What is told meanwhile waits, as much as is worth reading; the rest is in the journal."""

    def __init__(self, tell: Callable[[Line], None], *, statuses: bool = True) -> None:
        self._tell = tell
        self._statuses = statuses
        """Whether statuses are told at all: a thread woken for nothing is in the loop's way."""
        self._lines: queue.Queue[Line | None] = queue.Queue(LINES_WAIT)
        self._thread = threading.Thread(target=self._run, name="teller", daemon=True)

    def __enter__(self) -> Aside:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(queue.Full):
            self._lines.put(None, timeout=1.0)
        self._thread.join(timeout=2.0)

    def __call__(self, line: Line) -> None:
        """Have a line told, some time."""
        if not self._statuses and "status" in line:
            return
        with contextlib.suppress(queue.Full):
            self._lines.put_nowait(line)

    def _run(self) -> None:
        with contextlib.suppress(OSError):  # nobody reads on: the unit is led all the same
            while (line := self._lines.get()) is not None:
                self._tell(line)


LINES_WAIT = 1000
WHEN_HELD = "go on with `platelink restart` in another terminal, or end it with Ctrl-C"
QUIET = frozenset(
    {
        "state", "waiting", "order armed", "lamp opened", "lamp closed", "latch reset",
        "output expired",
    }
)  # fmt: skip
"""Events that others say better; the record has them all."""


def progress(status: Line) -> str:
    """The status in one line."""
    exposure, reading = status["exposure"], status["reading"] or {}
    if exposure is None:
        return f"link {status['link']['state']}"
    vacuum = reading.get("vacuum_kpa")
    parts = [
        f"{exposure['state']}, {exposure['step']}" if exposure["step"] != "none" else
        str(exposure["state"]),
        f"{exposure['dose_mj_cm2']:.1f} of {exposure['target_dose_mj_cm2']:.0f} mJ/cm²",
        f"{exposure['irradiance_mw_cm2']:.2f} mW/cm²",
        "" if vacuum is None else f"{vacuum:.1f} kPa vacuum",
        "" if exposure["remaining_s"] is None else f"{exposure['remaining_s']:.0f} s to go",
        "waits for " + ", ".join(exposure["waiting_for"]) if exposure["waiting_for"] else "",
    ]  # fmt: skip
    return "   ".join(part for part in parts if part)


def config_of(context: click.Context) -> Config:
    """The configuration the command line names."""
    from platelink.cli.context import load_config

    return load_config(context)


@click.command()
@click.option("--speed", default=1.0, hidden=True, help="Pace of a simulated unit, times life.")
@click.option("--measure-lag", type=click.Path(path_type=Path, dir_okay=False), hidden=True)
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
@click.pass_context
def serve(context: click.Context, speed: float, measure_lag: Path | None, as_json: bool) -> None:
    """Run the daemon: read the unit, answer commands, record, publish.

    UV light and heat can injure: keep lids and interlocks as the maker built them. This program
    never replaces the unit's own interlock or emergency stop.
    """
    config = config_of(context)
    statuses = sys.stdout.isatty() and not as_json
    with Aside(Teller(as_json=as_json), statuses=statuses) as tell:
        asyncio.run(_serve(config, Clock(speed), tell, measure_lag))


async def _serve(
    config: Config, clock: Clock, tell: Callable[[Line], None], measure_lag: Path | None
) -> None:
    shell = make_shell(config, clock, today=date.today)
    shell.listen(tell)
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, shell.stop)
    click.echo(
        f"serving unit {config.unit.name} on {config.link.port}, journal {config.journal.path}",
        err=True,
    )
    gc.collect()
    gc.freeze()  # what is there by now stays: looking through it again would hold up the loop
    if measure_lag is None:
        await shell.run()
        return
    meter = LagMeter()
    await shell.run(meter.start)
    meter.write(measure_lag)


@click.command()
@click.argument("unit", required=False, default="")
@click.option("--dose", required=True, help="Target dose with its unit, such as 420 mJ/cm2.")
@click.option("--step", default="film", show_default=True, help="Step of the plate.")
@click.option("--operator", help="Who makes the exposure.")
@click.option("--plate", help="Plate it is for.")
@click.option("--job", help="Job it is for.")
@click.option("--note", help="Anything to remember.")
@click.option("--contact/--no-contact", default=True, help="Wait for contact vacuum (default).")
@click.option("--max-light", "max_light_s", type=float, help="Longest time of light, seconds.")
@click.option("--accept-overdue", is_flag=True, help="Go on with calibrations past their date.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
def expose(unit: str, as_json: bool, **asked: Any) -> None:
    """Make one exposure that ends at its dose.

    The dose and its UNIT may stand apart (--dose 420 mJ/cm2) or in quotes together.

    UV light injures skin and eyes: lid closed, nobody looks at lit lamps. Ctrl-C stops the light in
    good order; the unit's own emergency stop is the one for danger.
    """
    context = click.get_current_context()
    config = config_of(context)
    request = {name: value for name, value in asked.items() if value is not None}
    request["dose"] = f"{request['dose']} {unit}".strip()
    try:
        # what is wrong with it is said before anything is started
        make_job(config, request, today=date.today())  # noqa: DTZ011 -- a date due in the shop's own time zone
    except ValueError as error:
        raise click.UsageError(str(error)) from None
    with daemon_of(config) as client:
        wait_for_link(client)
        with _interruptible(client.socket):
            line = follow(client, request, Teller(as_json=as_json, when_held=WHEN_HELD))
    if as_json:
        click.echo(json.dumps(line))
    else:
        click.echo(f"{line['state']}: {line['reason']}   (run {line['ended']})")
    if line["state"] != "complete":
        context.exit(1)


@contextlib.contextmanager
def _interruptible(path: Path) -> Iterator[None]:
    """Ctrl-C asks the daemon to stop the light; its end is then waited for as usual."""

    def stop(*_: object) -> None:
        with contextlib.suppress(ClientError), client_at(path) as client:
            client.command("stop", "stopped at the keyboard")

    before = signal.signal(signal.SIGINT, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _command(name: str, about: str) -> click.Command:
    @click.command(name, help=about)
    @click.option("--reason", default="", help="Why, for the record.")
    @click.option("--json", "as_json", is_flag=True, help="The answer as JSON.")
    @click.pass_context
    def command(context: click.Context, reason: str, as_json: bool) -> None:
        with running(context) as client:
            answer = client.command(name, reason)
        click.echo(json.dumps(answer) if as_json else f"{name}: asked")

    return command


def running(context: click.Context) -> Client:
    """A client of the daemon that runs; ``NoService`` says how to start one."""
    return client_at(socket_path(config_of(context)))


hold = _command("hold", "Lamp off, the remainder kept.")
restart = _command("restart", "Go on with the remainder of a held exposure.")
stop = _command("stop", "End the exposure in good order; the plate is not complete.")
abort = _command("abort", "End the exposure at once; something is wrong.")
assert set(COMMANDS) == {"hold", "restart", "stop", "abort"}


@click.command()
@click.option("--json", "as_json", is_flag=True, help="The answer as JSON.")
@click.pass_context
def status(context: click.Context, as_json: bool) -> None:
    """What the running daemon sees now."""
    with running(context) as client:
        answer = client.status()
    if as_json:
        click.echo(json.dumps(answer))
        return
    link, reading = answer["link"], answer["reading"] or {}
    click.echo(f"link        {link['state']}: {link['text']}")
    click.echo(
        f"            {link['frames']} frames, {link['frames_lost']} lost, {link['crc_failures']} "
        f"CRC failures, {link['resent']} resent, {link['reconnects']} reconnects"
    )
    for name, unit in (("irradiance_mw_cm2", "mW/cm²"), ("vacuum_kpa", "kPa"), ("oven_c", "°C")):
        value = reading.get(name)
        click.echo(f"{name.split('_')[0]:<12}{'-' if value is None else f'{value:g} {unit}'}")
    click.echo(f"exposure    {progress(answer) if answer['exposure'] else 'none'}")
    display = Display.of(config_of(context))
    for plate in answer["plates"]:
        step = f"{step_title(plate)}: {plate_progress(plate, display)}"
        click.echo(f"plate       {clean(plate['plate'])}, {step}")
    if answer["alarms"]["list"]:
        names = ", ".join(alarm["name"] for alarm in answer["alarms"]["list"])
        click.echo(f"alarms      {clean(names)}; see `platelink alarm list`")
    if answer.get("publisher"):
        publisher = answer["publisher"]
        click.echo(f"publisher   {publisher['pending']} entries pending, {publisher['problem']}")
    for problem in (answer["problem"], answer["journal"]["fault"]):
        if problem:
            click.echo(f"problem     {problem}")
