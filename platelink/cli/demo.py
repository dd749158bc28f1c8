"""``platelink demo``: the main job on a simulated unit, faster than life.

Everything but the unit is real: the daemon on a serial line (a pseudo-terminal), the journal, and,
where they are installed, a broker, a recorder and a time-series store as children of this process.
"""

from __future__ import annotations

import contextlib
import json
import math
import secrets
import shutil
import subprocess
import sys
import tempfile
import time
import urllib.parse
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from platelink.cli.demo_plate import PLATE, PlateMaker
from platelink.cli.live import Teller, daemon_of, wait_for_link
from platelink.cli.simulation import configuration
from platelink.client import Client
from platelink.config import Config, load
from platelink.daemon.clock import Clock
from platelink.publish.services import BrokerService, ServiceError, StoreService
from platelink.record.check import check
from platelink.record.journal import Journal, RunRecord
from platelink.runs import RunSamples
from platesim.board import build as build_board
from platesim.ptyprocess import PtyProcess
from platesim.scenarios import SCENARIOS

SPEED = 12.0
SCENARIO = "plate"
LEAD = "demo-lead"
EXPECTED_MW_CM2 = 9.0
"""What the shop saw last; the demonstration's lamps have faded further."""
STORE_WAIT_S = 15.0
KEPT = frozenset(
    {
        "platelink.toml", "journal.sqlite", "journal.sqlite-wal", "journal.sqlite-shm",
        "recipes.sqlite", "people.sqlite",
    }
)  # fmt: skip


QUIET_HERE = frozenset(
    {
        "device started", "asked", "stage prompt", "stage started", "stages ended", "link up",
        "plate made", "learned",
    }
)  # fmt: skip
"""Events that the story does without."""


class Demo:
    """One demonstration in one directory."""

    def __init__(self, directory: Path, *, as_json: bool) -> None:
        self.directory = directory
        self.as_json = as_json
        self.tell = Teller(as_json=as_json, quiet=QUIET_HERE)
        self.broker: BrokerService | None = None
        self.store: StoreService | None = None
        self.left_out: list[str] = []

    def say(self, text: str = "") -> None:
        """A line for people."""
        if not self.as_json:
            click.echo(text)

    @contextlib.contextmanager
    def services(self) -> Iterator[None]:
        """Broker and store as children, where they are installed."""
        with contextlib.ExitStack() as stack:
            for service in (BrokerService, StoreService):
                directory = self.directory / service.program
                directory.mkdir()
                started = service(directory)
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
        more = ""
        if self.broker is not None:
            more += f'[broker]\nhost = "127.0.0.1"\nport = {self.broker.port}\n\n'
        if self.store is not None:
            more += f'[store]\nurl = "{self.store.url}"\n\n'
        more += f'[recorder]\npath = "{self.directory / "recorder.sqlite"}"\n'
        path = self.directory / "platelink.toml"
        path.write_text(
            configuration(
                SCENARIOS[SCENARIO].parameters,
                unit="demo-unit",
                site="invented-shop",
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
        command = [sys.executable, "-m", "platelink", "--config", str(config), "recorder"]
        with (self.directory / "recorder.log").open("wb") as log:
            child = subprocess.Popen(command, stdout=log, stderr=log)  # noqa: S603
            try:
                yield
            finally:
                child.terminate()
                child.wait(timeout=10.0)

    @contextlib.contextmanager
    def page(self, config: Path, client: Client) -> Iterator[None]:
        """The page as its own process, and somebody to sign in as."""
        pin = str(secrets.randbelow(900_000) + 100_000)
        client.add_first(LEAD, pin)
        client.sign_in(LEAD, pin)
        command = [sys.executable, "-m", "platelink", "--config", str(config), "page",
                   "--listen", "127.0.0.1:0"]  # fmt: skip
        with (self.directory / "page.log").open("wb") as log:
            child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=log, text=True)  # noqa: S603
            assert child.stdout is not None
            try:
                self.say(f"{child.stdout.readline().strip()}   sign in as {LEAD}, PIN {pin}")
                yield
            finally:
                child.terminate()
                child.wait(timeout=10.0)
                child.stdout.close()

    def make(self, client: Client, unit: PtyProcess) -> PlateMaker:
        """The whole plate, told line by line."""
        maker = PlateMaker(client, unit, self.say, speed=SPEED)
        exposures = {"film", "screen", "hardening"}
        for line in maker.make():
            self.tell(line)
            event = line.get("event") or {}
            if event.get("name") == "step" and event["data"]["to"] == "complete":
                step = event["data"]["name"]
                if step in exposures:
                    maker.ended(step)
        return maker

    def audit(self, config: Config, maker: PlateMaker) -> dict[str, Any]:
        """What the journal says of the plate and its runs, and whether the store holds the same."""
        with Journal.open(config.journal.path, read_only=True) as journal:
            runs = [run for run in reversed(journal.runs(plate=PLATE)) if run.end]
            plate = next(run for run in runs if run.start.run_id == PLATE)
            rows = [self._row(journal, run, maker) for run in runs if run is not plate]
            whole = check(journal, PLATE)
            entries = [row.entry for row in journal.outbox_after(0, 1_000_000)]
        assert whole is not None and plate.end is not None
        stored = self._stored(entries) if self.store is not None and self.broker else None
        told = {"plate": PLATE, "state": plate.end.state, "ok": whole.ok, **plate.end.data}
        return {"plate": told, "runs": rows, "store": stored, "left_out": self.left_out}

    def _row(self, journal: Journal, run: RunRecord, maker: PlateMaker) -> dict[str, Any]:
        found = check(journal, run.start.run_id)
        assert found is not None and run.end is not None
        return {
            "run": run.start.run_id,
            "step": run.start.step,
            "state": run.end.state,
            "target_mj_cm2": run.start.target_dose_mj_cm2,
            "recorded_mj_cm2": run.end.dose_mj_cm2,
            "reintegrated_mj_cm2": found.reintegrated_mj_cm2,
            "true_mj_cm2": maker.true_mj_cm2.get(run.start.step),
            "light_s": run.end.light_s,
            "in_band_s": run.end.data.get("in_band_s"),
            "mean_c": run.end.data.get("mean_c"),
            "samples": found.samples,
            "events": found.events,
            "ok": found.ok,
            "verdict": found.verdict,
        }

    def _stored(self, entries: list[Any]) -> dict[str, int]:
        """Points of the dose in journal and store, once the store shows them."""
        wanted = {
            (entry.run_id, at_ms): dose
            for entry in entries
            if isinstance(entry, RunSamples) and "dose_mj_cm2" in entry.values
            for at_ms, dose in zip(entry.at_utc_ms, entry.values["dose_mj_cm2"], strict=True)
            if dose is not None
        }
        end = time.monotonic() + STORE_WAIT_S
        found: dict[tuple[str, int], float] = {}
        while time.monotonic() < end and len(found) < len(wanted):
            found = self._export("dose_mj_cm2")
            time.sleep(0.2)
        # The store rounds to twelve digits: off by up to half of the last of them.
        same = sum(
            math.isclose(found[key], dose, rel_tol=5e-12)
            for key, dose in wanted.items()
            if key in found
        )
        return {"points": len(wanted), "in_store": len(found), "same": same}

    def _export(self, field: str) -> dict[tuple[str, int], float]:
        """Every point of one field in the store, by run and millisecond."""
        assert self.store is not None
        # The unit's time runs ahead of the clock: without an end the store stops at now.
        query = urllib.parse.urlencode(
            {"match[]": f"platelink_{field}", "end": time.time() + 3600.0}
        )
        with urllib.request.urlopen(f"{self.store.url}/api/v1/export?{query}") as answer:  # noqa: S310 -- our own child on loopback
            lines = [json.loads(line) for line in answer.read().splitlines()]
        return {
            (line["metric"]["run"], at_ms): value
            for line in lines
            for at_ms, value in zip(line["timestamps"], line["values"], strict=True)
        }


def show_audit(found: dict[str, Any], directory: Path) -> None:
    """The audit view."""
    click.echo("\nafterwards, from the journal")
    click.echo(f"  {'run':<22}{'step':<11}{'state':<10}{'target':>8}{'recorded':>10}{'again':>9}"
               f"{'true':>9}  mJ/cm²")  # fmt: skip
    for row in found["runs"]:
        head = f"  {row['run']:<22}{row['step']:<11}{row['state']:<10}"
        if row["target_mj_cm2"] is None:
            what = f"{row['in_band_s']:.0f} s in band, mean {row['mean_c']:.1f} °C"
        else:
            what = (
                f"{row['target_mj_cm2']:>8.1f}{row['recorded_mj_cm2']:>10.2f}"
                f"{row['reintegrated_mj_cm2']:>9.2f}{row['true_mj_cm2']:>9.2f}"
            )
        click.echo(f"{head}{what}  {row['samples']} samples, {row['events']} events")
    click.echo(
        "  (again: integrated anew from the stored sums; true: what the simulated lamps gave)"
    )
    plate = found["plate"]
    click.echo(f"  {plate['plate']}: {plate['state']}, {plate['judgement']}")
    for text in plate["deviations"]:
        click.echo(f"    not as the recipe says: {text}")
    if found["store"] is not None:
        store = found["store"]
        click.echo(
            f"  store: {store['in_store']} of {store['points']} points of the dose are there, "
            f"{store['same']} the same to twelve digits"
        )
    for text in found["left_out"]:
        click.echo(f"  left out: {text}")
    program = "platelink" if shutil.which("platelink") else f"{sys.executable} -m platelink"
    config = directory / "platelink.toml"
    click.echo(f"\nlook further:  {program} --config {config} show {plate['plate']}")


def remove_all_but_the_record(directory: Path) -> None:
    """Leave what ``show`` needs; broker, store and the journal's reserve are megabytes."""
    for entry in directory.iterdir():
        if entry.is_dir():
            shutil.rmtree(entry)
        elif entry.name not in KEPT:
            entry.unlink()


def stay() -> None:
    """Where somebody sits before it, the unit and its page stay until they have seen enough."""
    if sys.stdin.isatty():
        click.pause("\nthe unit and its page stay up; press a key to end them")


@click.command()
@click.option("--keep", type=click.Path(path_type=Path), help="Directory for the demo's files.")
@click.option("--headless", is_flag=True, help="The story in text only; it ends by itself.")
@click.option("--json", "as_json", is_flag=True, help="The result as JSON.")
def demo(keep: Path | None, headless: bool, as_json: bool) -> None:
    """Make a whole plate on a simulated unit: a leak and an oven door left ajar on the way.

    No hardware is touched and no light is made: the unit is simulated, faster than life.
    On a real unit keep lids and interlocks as the maker built them; UV light injures skin and eyes.
    """
    build_board()  # a missing compiler is told before anything is begun
    directory = keep or Path(tempfile.mkdtemp(prefix="platelink-demo-"))
    directory.mkdir(parents=True, exist_ok=True)
    this = Demo(directory, as_json=as_json)
    this.say(
        f"A simulated unit with faded lamps, {SPEED:.0f} times faster than life. All names and"
    )
    this.say("figures are invented. No hardware is touched.")
    with this.services(), PtyProcess(scenario=SCENARIO, speed=SPEED) as unit:
        path = this.write_config(unit.path)
        config = load(path)
        with this.recorder(path), daemon_of(config, Clock(SPEED)) as client:
            wait_for_link(client)
            with contextlib.nullcontext() if headless or as_json else this.page(path, client):
                found = this.audit(config, this.make(client, unit))
                if as_json:
                    click.echo(json.dumps(found))
                else:
                    show_audit(found, directory)
                if not (headless or as_json):
                    stay()
    if keep is None:
        remove_all_but_the_record(directory)
    good = found["plate"]["ok"] and found["plate"]["judgement"] == "good"
    good = good and all(row["ok"] and row["state"] == "complete" for row in found["runs"])
    stored = found["store"] is None or found["store"]["same"] == found["store"]["points"]
    if not (good and stored):
        raise click.ClickException("the demonstration did not go as it should; see above")
