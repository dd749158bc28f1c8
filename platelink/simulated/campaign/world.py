"""Plays one case: unit, daemon and person in simulated time, and keeps what there was to be seen.

What is *true* is read from the plant; what is *said* from the lines that every follower gets.
"""

from __future__ import annotations

import asyncio
import math
from pathlib import Path
from random import Random
from typing import Any

from platelink.config.load import loads
from platelink.contract.unit import EndedLine, EventLine, LiveLine, Status, StatusLine
from platelink.contract.words import LampsWere
from platelink.control.light.exposure import Exposure
from platelink.control.light.face import AnyExposure
from platelink.control.states import State
from platelink.recipe.load import loads as recipe_of
from platelink.record.reader import JournalReader
from platelink.simulated.campaign.draw import (
    Case,
    ClockSet,
    Killed,
    NotWritable,
    Strike,
    Touched,
)
from platelink.simulated.campaign.seen import Exposed, Look, Seen
from platelink.simulated.campaign.word import lamps_were
from platelink.simulated.harness import configuration
from platelink.simulated.virtual import Bench, Daemon

UNIT, WHO = "unit-1", "example-operator"
EXPECTED_MW_CM2 = 12.0
LOOK_S = 0.1
SHOW_S = 0.3
"""How often faces get the status: less often than in life, which is cheaper and no easier."""
GLOW_S = 0.3
"""Light this long after the lamps are off is still theirs."""
STRIKES_S = 1.3
"""No lamp takes longer, and a look more."""
HIDES = ("dark", "frozen")
SPOILS = (*HIDES, "saturated", "stray", "light_offset")
SMALL_SHARE = 0.04
"""Of the light: docs/exposure.md says that a sensor may shift by that, and back, unnoticed."""
LIES = ("vacuum_wanders",)
"""What makes a gauge show a wrong vacuum that no one can tell from a true one."""
NOISE_SEEN_S = 3.0
"""A daemon must have seen the gauge's noise for so long to tell that it stands still."""
NEAR_KPA = 0.5
LIT_MW_CM2 = 1.5
"""More than any stray light of a case, less than any lamp."""
SETTLE_S = 4.0
FAULTS_OVER_S = 39.0
PATIENCE_S = 120.0
"""How long after the last fault a run may take to end."""
NEXT_MJ_CM2 = 60.0
MOST_RESTARTS = 4


class World:
    """See the file's first lines."""

    def __init__(self, case: Case, directory: Path) -> None:
        self.case = case
        self.seen = Seen(case)
        self.bench = Bench(case.unit, case.seed)
        self.bench.grain_s = 0.04
        text = configuration(
            case.unit, unit=UNIT, site="invented-shop", port="/dev/simulated",
            journal=directory / "journal.sqlite", expected_mw_cm2=EXPECTED_MW_CM2,
        )  # fmt: skip
        if case.learns:
            text = text.replace("afterglow_s = 0.005", "afterglow_s = 0.0")
        self.config = loads(text)
        self.daemon: Daemon | None = None
        self._status: Status | None = None
        self._lamp_dose = self._true_dose = 0.0
        self._lit_until = -1.0
        self._blocked = self._blind = self._spoilt = self._lies = 0
        self._frozen_at = self._begun_at = math.inf
        self._on_at = math.inf
        self._restarts = 0
        self._asked_at = 0.0
        """The newest exposure was asked for."""
        self._held_at: float | None = None
        self._plate = f"plate-{case.seed}"
        self._made = False
        self._blink = Random(case.seed)  # noqa: S311 -- a seeded case, not a secret

    @property
    def now(self) -> float:
        return asyncio.get_running_loop().time()

    async def play(self) -> None:
        """The whole case."""
        await self._begin()
        await self._wait(SETTLE_S)
        zero = self.now
        tasks = [asyncio.create_task(self._strike(s, zero)) for s in self.case.strikes]
        while self.now < zero + FAULTS_OVER_S:
            self._lead()
            await self._wait(0.5)
        await asyncio.gather(*tasks)
        if self.daemon is None:
            await self._begin()
        self.seen.quiet_at = self.now
        await self._to_the_end()
        await self._next()
        assert self.daemon is not None
        daemon, self.daemon = self.daemon, None
        await daemon.__aexit__()
        self._read_back()

    # --- time ------------------------------------------------------------------------------

    async def _wait(self, seconds: float) -> None:
        end = self.now + seconds
        while self.now < end - 1e-9:
            await asyncio.sleep(min(LOOK_S, end - self.now))
            self._look()

    def _look(self) -> None:
        unit = self.bench.unit
        before = unit.time_s if not self.seen.looks else self.seen.looks[-1].t
        t = self.bench.catch_up()
        true = unit.true_dose_mj_cm2()
        fell, self._true_dose = true - self._true_dose, true
        if unit.lamp_on:
            self._lit_until = t + GLOW_S
        if before <= self._lit_until:
            self._lamp_dose += fell
        output = self.bench.lamp_driven
        self._on_at = min(self._on_at, before) if output else math.inf
        hidden = self._blind > 0 and t - self._on_at <= STRIKES_S
        lit = t > before and fell > LIT_MW_CM2 * (t - before) and unit.lamp_on
        shift = self._shift_mw_cm2()
        small = lit and output and shift * (t - before) <= SMALL_SHARE * fell
        self.seen.looks.append(
            Look(
                t, lit, output, self._lamp_dose, hidden, self._spoilt > 0, self._status,
                self._loose(), small_mw_cm2=small * shift,
            )
        )  # fmt: skip

    def _shift_mw_cm2(self) -> float:
        """What the light sensors' shifts make of the light, either way."""
        plant, light = self.bench.unit.plant, self.bench.unit.parameters.plant.sensors.light
        n = self.bench.unit.parameters.light_channels
        shifts = (abs(counts) for col, (counts, *_) in plant.shifts.items() if col < n)
        return sum(shifts) / light[0].counts_per_mw_cm2 / n

    def _loose(self) -> bool:
        exposure = self._exposure
        limits = exposure.request.contact if isinstance(exposure, Exposure) else None
        if limits is None or self._lies or self._frozen_at < self._begun_at + NOISE_SEEN_S:
            return False
        low_kpa, high_kpa = limits.low_kpa - NEAR_KPA, limits.high_kpa + NEAR_KPA
        return not low_kpa <= self.bench.unit.vacuum_kpa <= high_kpa

    # --- the host --------------------------------------------------------------------------

    async def _begin(self) -> None:
        self.daemon = Daemon(self.config, self.bench)
        self.daemon.shell.show_s = SHOW_S
        self.daemon.shell.followers.add(self._hear)
        await self.daemon.__aenter__()
        self._begun_at = self.now

    async def _kill(self, killed: Killed) -> None:
        daemon = self.daemon
        if daemon is None:
            return
        self.daemon = None
        if killed.unsent:
            daemon.mute()
            await asyncio.sleep(LOOK_S)
        await daemon.kill()
        self._status = None
        await asyncio.sleep(killed.down_s)
        await self._begin()

    def _hear(self, line: LiveLine) -> None:
        if isinstance(line, StatusLine):
            self._status = line.status
        elif isinstance(line, EventLine):
            self.seen.told.append(line)
        elif isinstance(line, EndedLine) and line.ended in self.seen.exposed:
            self._look()
            exposed, look = self.seen.exposed[line.ended], self.seen.looks[-1]
            exposed.ended, exposed.ended_at = line, look.t
            exposed.ended_dose, exposed.ended_lit = look.dose_mj_cm2, look.lit

    async def _strike(self, strike: Strike, zero: float) -> None:
        await asyncio.sleep(max(0.0, zero + strike.at_s - self.now))
        match strike.happening:
            case Killed():
                await self._kill(strike.happening)
            case NotWritable():
                self._block(+1)
                await asyncio.sleep(strike.for_s)
                self._block(-1)
            case ClockSet(seconds):
                if self.daemon is not None:
                    self.daemon.clock.set_ms += round(1000.0 * seconds)
            case Touched(act, times):
                for _ in range(times):
                    self._touch(act)
            case fault:
                self.bench.catch_up()
                self.bench.unit.inject(fault)
                self._blind += strike.kind in HIDES
                self._spoilt += strike.kind in SPOILS
                self._lies += strike.kind in LIES
                if strike.kind == "vacuum_frozen":
                    self._frozen_at = min(self._frozen_at, self.now)
                if strike.for_s:
                    await asyncio.sleep(strike.for_s)
                    self.bench.catch_up()
                    self.bench.unit.undo(fault)
                    self._look()
                    self._blind -= strike.kind in HIDES
                    self._spoilt -= strike.kind in SPOILS
                    self._lies -= strike.kind in LIES
                    if strike.kind == "vacuum_frozen":
                        self._frozen_at = math.inf

    def _block(self, change: int) -> None:
        self._blocked += change
        if self.daemon is not None:
            self.daemon.block_journal(self._blocked > 0)

    # --- people ----------------------------------------------------------------------------

    def _ask(self, do: str, **more: object) -> dict[str, Any]:
        if self.daemon is None:
            return {"ok": False, "error": "there is no service"}
        return self.daemon.ask(do, who=WHO, **more)

    def _touch(self, act: str) -> None:
        """A person does something, whether or not it makes sense."""
        if act == "expose":
            self._expose(40.0)
        elif self.case.plate:
            reason = "by mistake" if act in ("stop", "abort", "skip") else ""
            self._ask("plate", plate=self._plate, act=act, reason=reason)
            self._hear_of_run(55.0)
        elif act in ("hold", "restart", "stop", "abort"):
            self._ask(act, reason="by mistake")

    def _expose(self, dose_mj_cm2: float, *, contact: bool = False, last: bool = False) -> str:
        """Ask for an exposure; why it was refused, else empty."""
        self._look()
        job = {"dose": f"{dose_mj_cm2:.3f} mJ/cm2", "contact": contact}
        answer = self._ask("expose", job=job)
        if not answer["ok"]:
            return str(answer["error"])
        self._note(str(answer["run_id"]), round(dose_mj_cm2, 3), last=last)
        return ""

    def _note(self, run_id: str, target: float, *, last: bool = False) -> None:
        look = self.seen.looks[-1]
        self._asked_at = look.t
        self.seen.exposed.setdefault(
            run_id, Exposed(run_id, target, look.t, look.dose_mj_cm2, last)
        )  # fmt: skip

    def _hear_of_run(self, target: float) -> None:
        run_id = self.daemon.shell.core.run_id if self.daemon is not None else None
        if run_id is not None and run_id not in self.seen.exposed:
            self._note(run_id, target)

    def _lead(self) -> None:
        """What a patient person does now."""
        if self.daemon is None:
            return
        if not self._made:
            self._look()
            self._made = self._take_up()
        elif self.case.plate:
            self._lead_plate()
        else:
            self._lead_exposure()

    def _take_up(self) -> bool:
        case = self.case
        if not case.plate:
            return not self._expose(case.dose_mj_cm2, contact=case.contact)
        recipe = recipe_of(case.recipe).content()
        return bool(self._ask("plate_make", plate={"recipe": recipe, "plate": self._plate})["ok"])

    @property
    def _exposure(self) -> AnyExposure | None:
        """The newest of the daemon that runs."""
        return self.daemon.shell.core.bed.exposure if self.daemon is not None else None

    def _lead_exposure(self) -> None:
        exposure = self._exposure
        if self._waits_held(exposure is not None and exposure.state is State.HELD):
            going_on = self._restarts <= MOST_RESTARTS
            self._ask("restart" if going_on else "stop", reason=self._word() if going_on else "")

    def _word(self) -> str:
        """What the lamps did, as a person saw it, while the light sensor was in doubt; empty where
        nobody asks. One in four has not looked."""
        exposure = self._exposure
        if exposure is None or not exposure.status().asks_what_fell:
            return ""
        if self._blink.random() < 0.25:
            return LampsWere.UNKNOWN
        return lamps_were(self.seen.looks, self._asked_at, exposure.status().reason)

    def _waits_held(self, held: bool) -> bool:
        """A held step has been looked at for some seconds."""
        if not held:
            self._held_at = None
            return False
        self._held_at = self.now if self._held_at is None else self._held_at
        if self.now < self._held_at + 2.0:
            return False
        self._held_at = self.now
        self._restarts += 1
        return True

    def _lead_plate(self) -> None:
        plates = self._ask("status").get("plates") or []
        for plate in plates:
            now = plate["now"]
            acts, stage = now["acts"], now.get("stage")
            due = stage is None or stage["due"] or stage["planned_s"] is None
            act = ""
            if "begin" in acts:
                act = "begin"
            elif self._waits_held("restart" in acts):
                act = "restart" if self._restarts <= MOST_RESTARTS else "stop"
            elif "done" in acts and due:
                act = "done"
            if act:
                self._look()
                reason = {"stop": "it does not go on", "restart": self._word()}.get(act, "")
                self._ask("plate", plate=plate["plate"], act=act, step=plate["step"], reason=reason)
                target = (now.get("exposure") or {}).get("target_dose_mj_cm2")
                self._hear_of_run(float(target or 0.0))

    # --- after the last fault ----------------------------------------------------------------

    def _over(self) -> bool:
        if self.daemon is None or self.daemon.shell.core.recovering:
            return False
        core = self.daemon.shell.core
        return not (core.bed.exposing or core.plates.in_flight.plates or core.run_id)

    async def _to_the_end(self) -> None:
        """Lead what goes on; what is not over in half of the patience is stopped, then aborted."""
        begun = self.now
        for share, act in ((0.5, ""), (0.75, "stop"), (1.0, "abort")):
            if act and not self._over():
                self._ask(act, reason="it takes too long")
                if self.case.plate:
                    self._ask("plate", plate=self._plate, act=act, reason="it takes too long")
            while not self._over() and self.now < begun + share * PATIENCE_S:
                self._lead()
                await self._wait(0.5)

    async def _next(self) -> None:
        """A plain exposure with every fault gone: what a person does about alarms is done."""
        self._restarts, self._held_at = 0, None
        end = self.now + 60.0
        while self.now < end:
            for alarm in self._ask("status")["alarms"]["list"]:
                for act in ("acknowledge", "reset"):
                    self._ask("alarm", name=alarm["name"], act=act)
            self.seen.refused = self._expose(NEXT_MJ_CM2, last=True)
            if not self.seen.refused:
                break
            await self._wait(3.0)
        end = self.now + 90.0
        while not self._over() and self.now < end:
            self._lead_exposure()
            await self._wait(0.5)
        await self._wait(2.0)

    def _read_back(self) -> None:
        with JournalReader.open(self.config.journal.path) as reader:
            self.seen.open_runs = [r.start.run_id for r in reader.open_runs()]
            for run_id, exposed in self.seen.exposed.items():
                run = reader.run(run_id)
                if run is not None:  # after a crash a step asks for what is missing
                    exposed.end = run.end
                    exposed.target_mj_cm2 = run.start.target_dose_mj_cm2 or 0.0
            for row in reader.outbox_after(0, 1_000_000):
                entry = row.entry
                if entry.kind == "event":
                    self.seen.recorded.add((entry.run_id, entry.name, entry.text))
