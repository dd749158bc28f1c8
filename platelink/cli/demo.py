"""``platelink demo``: the main job on a simulated unit, faster than life.

Everything but the unit is real: the daemon on a serial line (a pseudo-terminal), the journal, and,
where they are installed, a broker, a recorder and a time-series store as children of this process.
"""

from __future__ import annotations

import contextlib
import json
import math
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

from platelink.cli.live import Line, Teller, ask, daemon_of, follow, wait_for_link
from platelink.cli.simulation import configuration
from platelink.config import Config, load
from platelink.daemon.clock import Clock
from platelink.publish.services import BrokerService, ServiceError, StoreService
from platelink.record.check import check
from platelink.record.journal import Journal
from platelink.runs import RunSamples
from platesim.board import build as build_board
from platesim.ptyprocess import PtyProcess
from platesim.scenarios import SCENARIOS

SPEED = 10.0
SCENARIO = "faded"
EXPECTED_MW_CM2 = 9.0
"""What the shop saw last; the demonstration's lamps have faded further."""
EXPOSURES = (("film", 210.0), ("screen", 120.0))
LEAK = {"conductance_l_s": 1.2, "at_light_s": 8.0, "for_s": 6.0}
STORE_WAIT_S = 15.0
KEPT = frozenset({"platelink.toml", "journal.sqlite", "journal.sqlite-wal", "journal.sqlite-shm"})
PLATE, JOB, OPERATOR = "demo-plate-1", "invented-job", "demo"


class Demo:
    """One demonstration in one directory."""

    def __init__(self, directory: Path, *, as_json: bool) -> None:
        self.directory = directory
        self.as_json = as_json
        self.tell = Teller(as_json=as_json, quiet=frozenset({"device started"}))
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

    def make(self, path: Path, unit: PtyProcess) -> list[Line]:
        """Both exposures; the ending line of each."""
        ended = []
        for step, dose in EXPOSURES:
            self.say(f"\n{step} exposure, target {dose:.0f} mJ/cm²")
            unit.order(do="mark")
            if step == "film":
                unit.order(fault="leak", **LEAK)
            request = {
                "dose": f"{dose} mJ/cm2", "step": step, "plate": PLATE, "job": JOB,
                "operator": OPERATOR,
            }  # fmt: skip
            line = follow(path, request, lambda line: self._watch(path, line))
            line["true_dose_mj_cm2"] = unit.truth()["dose_mj_cm2"]
            line["target_dose_mj_cm2"] = dose
            ended.append(line)
        return ended

    def _watch(self, path: Path, line: Line) -> None:
        """Show the line; when contact was lost, do what an operator does."""
        self.tell(line)
        if "event" in line and line["event"]["name"] == "held":
            self.say("  (the operator smooths the blanket and restarts)")
            time.sleep(LEAK["for_s"] / SPEED)
            ask(path, do="restart")

    def audit(self, config: Config, ended: list[Line]) -> dict[str, Any]:
        """What the journal says of the runs, and whether the store holds the same."""
        rows = []
        with Journal.open(config.journal.path, read_only=True) as journal:
            for line in ended:
                found = check(journal, line["ended"])
                run = journal.run(line["ended"])
                assert found is not None and run is not None and run.end is not None
                rows.append(
                    {
                        "run": line["ended"],
                        "step": run.start.step,
                        "state": run.end.state,
                        "target_mj_cm2": line["target_dose_mj_cm2"],
                        "recorded_mj_cm2": run.end.dose_mj_cm2,
                        "reintegrated_mj_cm2": found.reintegrated_mj_cm2,
                        "true_mj_cm2": line["true_dose_mj_cm2"],
                        "light_s": run.end.light_s,
                        "samples": found.samples,
                        "events": found.events,
                        "ok": found.ok,
                        "verdict": found.verdict,
                    }
                )
            entries = [row.entry for row in journal.outbox_after(0, 1_000_000)]
        stored = self._stored(config, entries) if self.store is not None and self.broker else None
        return {"runs": rows, "store": stored, "left_out": self.left_out}

    def _stored(self, config: Config, entries: list[Any]) -> dict[str, int]:
        """Points of the dose in journal and store, once the store shows them."""
        wanted = {
            (entry.run_id, at_ms): dose
            for entry in entries
            if isinstance(entry, RunSamples)
            for at_ms, dose in zip(entry.at_utc_ms, entry.values["dose_mj_cm2"], strict=True)
            if dose is not None
        }
        end = time.monotonic() + STORE_WAIT_S
        found: dict[tuple[str, int], float] = {}
        while time.monotonic() < end and len(found) < len(wanted):
            found = self._export("dose_mj_cm2")
            time.sleep(0.2)
        # The store rounds to twelve digits: off by up to 1e-12 of the value, and a hair more.
        same = sum(
            math.isclose(found[key], dose, rel_tol=2e-12)
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
    click.echo(
        f"  {'run':<22}{'step':<8}{'state':<10}{'target':>8}{'recorded':>10}{'again':>9}"
        f"{'true':>9}  mJ/cm²"
    )
    for row in found["runs"]:
        click.echo(
            f"  {row['run']:<22}{row['step']:<8}{row['state']:<10}{row['target_mj_cm2']:>8.1f}"
            f"{row['recorded_mj_cm2']:>10.2f}{row['reintegrated_mj_cm2']:>9.2f}"
            f"{row['true_mj_cm2']:>9.2f}  {row['samples']} samples, {row['events']} events"
        )
    click.echo(
        "  (again: integrated anew from the stored sums; true: what the simulated lamps gave)"
    )
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
    click.echo(f"\nlook further:  {program} --config {config} show last")


def remove_all_but_the_record(directory: Path) -> None:
    """Leave what ``show`` needs; broker, store and the journal's reserve are megabytes."""
    for entry in directory.iterdir():
        if entry.is_dir():
            shutil.rmtree(entry)
        elif entry.name not in KEPT:
            entry.unlink()


@click.command()
@click.option("--keep", type=click.Path(path_type=Path), help="Directory for the demo's files.")
@click.option("--json", "as_json", is_flag=True, help="The result as JSON.")
def demo(keep: Path | None, as_json: bool) -> None:
    """Expose a film and a screen on a simulated unit, with a leak on the way.

    No hardware is touched and no light is made: the unit is simulated, ten times faster than life.
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
        with this.recorder(path), daemon_of(config, Clock(SPEED)) as socket:
            wait_for_link(socket)
            ended = this.make(socket, unit)
            found = this.audit(config, ended)
    if keep is None:
        remove_all_but_the_record(directory)
    if as_json:
        click.echo(json.dumps(found))
    else:
        show_audit(found, directory)
    good = all(row["ok"] and row["state"] == "complete" for row in found["runs"])
    stored = found["store"] is None or found["store"]["same"] == found["store"]["points"]
    if not (good and stored):
        raise click.ClickException("the demonstration did not go as it should; see above")
