"""Daemons that die in every step of a plate and come back: the plate goes on in that step."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from control.procedure.by_hand import bake_of
from control.procedure.plate_bench import NAMES, short

from daemon.daemon_shop import UNIT, Bench, Daemon, config_for, in_simulated_time
from platelink.contract.words import PlateAct
from platelink.control.procedure.plate import Plate
from platelink.control.procedure.table import StepState
from platelink.daemon import recovery
from platelink.recipe.model import Recipe
from platelink.record.journal import Journal
from platelink.record.reader import JournalReader
from platelink.simulated.plates import WARM_UNIT, asked_for
from platelink.unit.bed import CANNOT_REACH
from platesim.faults import DeviceResets


@pytest.fixture(autouse=True)
def coarser_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Plates take a while: the wire is looked at about once a sample."""
    monkeypatch.setattr("platelink.simulated.virtual.Bench.grain_s", 0.04)


WHO = "example-operator"
RECIPE = short()
TOTAL_MJ_CM2 = 96.0


@dataclass
class Shop:
    """A bench that lives on, its journal, and the daemon that is there just now."""

    directory: Path
    recipe: Recipe = field(default_factory=lambda: RECIPE)

    def __post_init__(self) -> None:
        self.bench = Bench(WARM_UNIT)
        self.config = config_for(self.directory, parameters=WARM_UNIT)
        self._daemon: Daemon | None = None
        self.faults: list[str] = []

    @property
    def daemon(self) -> Daemon:
        assert self._daemon is not None
        return self._daemon

    @property
    def room(self) -> Any:
        return self.daemon.shell.core.plates.in_flight

    @property
    def plate(self) -> Plate:
        found = self.room.plates.get("p-1")
        assert found is not None, self.daemon.lines[-3:]
        return found

    async def begin(self, *, set_ms: int = 0) -> None:
        """A new daemon; ``set_ms``: the computer's clock was set by that much."""
        self._daemon = Daemon(self.config, self.bench)
        self._daemon.clock.set_ms = set_ms
        await self._daemon.__aenter__()

    async def end(self) -> None:
        self._note_fault()
        await self.daemon.__aexit__()

    def _note_fault(self) -> None:
        fault = self.daemon.ask("status")["journal"]["fault"]
        if fault:
            self.faults.append(fault)

    async def crash(self, down_s: float = 2.0, *, power_cut: bool = False) -> None:
        self._note_fault()
        await self.daemon.kill()
        if power_cut:
            self.bench.unit.inject(DeviceResets())
        await asyncio.sleep(down_s)
        await self.begin()

    def make(self) -> None:
        recipe = self.recipe.content()
        asked = {"plate": "p-1", "recipe": recipe, "revision": "short@1"}
        answer = self.daemon.ask("plate_make", plate=asked, who=WHO)
        assert answer["ok"], answer

    def act(self, act: PlateAct, **more: Any) -> str:
        answer = self.daemon.ask("plate", plate="p-1", act=str(act), who=WHO, **more)
        return "" if answer["ok"] else str(answer["error"])

    def lead(self) -> None:
        """What a patient person does next."""
        plate, room = self.plate, self.room
        acts = room.acts(plate, self.daemon.shell.core.busy())
        if values := asked_for(plate):
            self.act(PlateAct.MEASURE, values=values)
        elif PlateAct.BEGIN in acts:
            self.act(PlateAct.BEGIN)
        elif PlateAct.RESTART in acts:
            self.act(PlateAct.RESTART)
        elif PlateAct.DONE in acts:
            stage = plate.work.status().stage
            if stage is None or stage.due or stage.planned_s is None:
                self.act(PlateAct.DONE)

    async def work(self, until: Callable[[], object], limit_s: float = 400.0) -> None:
        end = self.daemon.clock.now() + limit_s
        while not until():
            assert self.daemon.clock.now() < end, self.daemon.lines[-2:]
            self.lead()
            await asyncio.sleep(0.1)

    async def to(self, step: str, state: StepState = StepState.RUNNING) -> None:
        index = NAMES.index(step)

        def there() -> bool:
            return self.plate.index == index and self.plate.present.state is state

        await self.work(there)

    async def finish(self) -> None:
        await self.work(lambda: "p-1" not in self.room.plates)
        await asyncio.sleep(1.0)
        await self.end()

    def judge(self, *, dose_off: float = 0.01, state: str = "complete") -> dict[str, Any]:
        """The journal is whole; the dose of the plate is the true one. The plate's end."""
        assert self.faults == []
        with JournalReader.open(self.config.journal.path) as journal:
            assert journal.open_runs() == []
            for run in journal.runs(limit=100):
                found = journal.check(run.start.run_id)
                assert found is not None and found.ok, (run.start.step, found)
            snapshots = [name for name in journal.snapshots() if name.startswith("plate:")]
            assert snapshots == []
            end = journal.run("p-1").end
            assert end is not None
        assert end.state == state
        if state == "complete":
            steps = {s["name"]: s for s in end.data["steps"]}
            assert [s["state"] for s in steps.values()] == ["complete"] * len(NAMES)
            told = steps["film"]["dose_mj_cm2"] + steps["back"]["dose_mj_cm2"]
            true = self.bench.unit.true_dose_mj_cm2()
            assert told == pytest.approx(true, rel=dose_off)
            assert true == pytest.approx(TOTAL_MJ_CM2, rel=max(dose_off, 0.025))
            assert 15.0 <= steps["dry"]["in_band_s"] <= 16.5
        return end.data


def in_shop(
    tmp_path: Path, work: Callable[[Shop], Awaitable[None]], recipe: Recipe = RECIPE
) -> Shop:
    shop = Shop(tmp_path, recipe)

    async def whole() -> None:
        await shop.begin()
        await shop.daemon.until_up()
        shop.bench.unit.mark()
        shop.make()
        await work(shop)

    in_simulated_time(whole())
    return shop


async def lit(shop: Shop, seconds: float) -> None:
    await shop.work(lambda: shop.daemon.light_s >= seconds)


async def in_contact(shop: Shop) -> None:
    await shop.to("film")


async def in_light(shop: Shop) -> None:
    await shop.to("film")
    await lit(shop, 2.0)


async def near_the_end(shop: Shop) -> None:
    await shop.to("film")
    await lit(shop, 4.6)


async def in_tail(shop: Shop) -> None:
    await shop.to("film")
    await shop.work(lambda: str(shop.daemon.shell.core.bed.exposure.step) == "tail")


async def held(shop: Shop) -> None:
    await in_light(shop)
    assert not shop.act(PlateAct.HOLD, reason="look")
    await shop.daemon.until(lambda: shop.plate.present.state is StepState.HELD)


async def restarted(shop: Shop) -> None:
    await held(shop)
    assert not shop.act(PlateAct.RESTART)
    await shop.daemon.until(lambda: shop.bench.unit.lamp_on)
    await asyncio.sleep(1.0)


async def in_stage(shop: Shop) -> None:
    await shop.to("washout")
    await asyncio.sleep(2.0)


async def in_bake(shop: Shop) -> None:
    await shop.to("dry")
    await asyncio.sleep(6.0)


async def held_bake(shop: Shop) -> None:
    await in_bake(shop)
    assert not shop.act(PlateAct.HOLD)


async def in_blow_off(shop: Shop) -> None:
    await shop.to("blow-off")
    await asyncio.sleep(1.0)


async def back_lit(shop: Shop) -> None:
    await shop.to("back")
    await lit(shop, 1.5)


async def ready(shop: Shop) -> None:
    await shop.to("film", StepState.READY)


async def inspecting(shop: Shop) -> None:
    await shop.to("inspect", StepState.READY)


MOMENTS = [
    ready, in_contact, in_light, near_the_end, in_tail, held, restarted, in_stage, in_blow_off,
    in_bake, held_bake, back_lit, inspecting,
]  # fmt: skip


TWICE = [in_light, in_tail, held, in_bake]


@pytest.mark.parametrize(
    ("moment", "times"),
    [*((moment, 1) for moment in MOMENTS), *((moment, 2) for moment in TWICE)],
    ids=[*(m.__name__ for m in MOMENTS), *(f"{m.__name__}-twice" for m in TWICE)],
)
def test_a_plate_goes_on_in_its_step(
    tmp_path: Path, moment: Callable[[Shop], Awaitable[None]], times: int
) -> None:
    async def work(shop: Shop) -> None:
        await moment(shop)
        index = shop.plate.index
        for _ in range(times):
            await shop.crash()
        assert shop.plate.index == index
        await shop.finish()

    shop = in_shop(tmp_path, work)
    shop.judge()


@pytest.mark.parametrize("moment", MOMENTS, ids=lambda m: m.__name__)
def test_a_power_cut_of_computer_and_device(
    tmp_path: Path, moment: Callable[[Shop], Awaitable[None]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both start anew: light ended with the power, and at most a second of it was not stored."""
    boots = iter(f"boot-{i}" for i in range(100))
    monkeypatch.setattr("platelink.daemon.shell.boot_id", lambda: next(boots))

    async def work(shop: Shop) -> None:
        await moment(shop)
        index = shop.plate.index
        await shop.crash(20.0, power_cut=True)
        assert shop.plate.index == index
        await shop.finish()

    shop = in_shop(tmp_path, work)
    # What fell unseen is counted half: 2 s of 12 mW/cm² may be 12 mJ/cm² off of 96.
    shop.judge(dose_off=0.13)


def test_a_crash_between_the_closing_of_a_run_and_what_its_plate_makes_of_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    boots = iter(f"boot-{i}" for i in range(100))
    monkeypatch.setattr("platelink.daemon.shell.boot_id", lambda: next(boots))

    async def work(shop: Shop) -> None:
        await in_light(shop)
        await shop.crash(20.0, power_cut=True)
        shop.daemon.shell.writer.keep = lambda values, *, at_utc, now: None
        await shop.daemon.until(lambda: not shop.plate.cut)
        once = shop.plate.present
        assert once.unsure_mj_cm2 > 1.0
        await shop.crash(1.0)
        again = shop.plate.present
        assert not shop.plate.cut
        assert again.state is StepState.HELD
        assert again.dose_mj_cm2 == pytest.approx(once.dose_mj_cm2)
        assert again.unsure_mj_cm2 == pytest.approx(once.unsure_mj_cm2)
        await shop.finish()

    in_shop(tmp_path, work).judge(dose_off=0.13)


@pytest.mark.parametrize("set_ms", [-3_600_000, -4_000, 3_600_000])
def test_a_clock_that_was_set_meanwhile_makes_no_time_longer_or_shorter(
    tmp_path: Path, set_ms: int
) -> None:
    """The computer has another clock that goes on while no program runs."""

    async def work(shop: Shop) -> None:
        await in_stage(shop)
        before = shop.plate.work.status().stage
        await shop.daemon.kill()
        await asyncio.sleep(6.0)
        await shop.begin(set_ms=set_ms)
        stage = shop.plate.work.status().stage
        assert stage.stage == before.stage
        assert 5.9 <= stage.elapsed_s - before.elapsed_s <= 7.2
        await in_bake(shop)
        before_s = bake_of(shop.plate).elapsed_s
        shop.daemon.clock.set_ms = -set_ms  # while the program runs
        await asyncio.sleep(1.0)
        await shop.daemon.kill()
        await asyncio.sleep(3.0)
        await shop.begin()
        assert 3.7 <= bake_of(shop.plate).elapsed_s - before_s <= 5.2
        await shop.finish()

    shop = in_shop(tmp_path, work)
    shop.judge()
    with JournalReader.open(shop.config.journal.path) as journal:
        told = [e.data["down_s"] for e in journal.events("p-1") if e.name == "plate resumed"]
    assert [5.9 <= told[0] <= 7.2, 2.9 <= told[1] <= 4.2] == [True, True], told


def test_a_computer_s_clock_that_was_set_back_while_it_started_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """How long nobody watched is not known: a stage is held for a person to judge, a bake goes
    on."""
    boots = iter(f"boot-{i}" for i in range(100))
    monkeypatch.setattr("platelink.daemon.shell.boot_id", lambda: next(boots))

    async def work(shop: Shop) -> None:
        await in_stage(shop)
        await shop.daemon.kill()
        await asyncio.sleep(3.0)
        await shop.begin(set_ms=-3_600_000)
        assert shop.plate.present.state is StepState.HELD
        assert "not known" in shop.plate.present.reason
        await in_bake(shop)
        before_s = bake_of(shop.plate).in_band_s
        await shop.daemon.kill()
        await shop.begin(set_ms=-7_200_000)
        assert before_s - 1.6 <= bake_of(shop.plate).in_band_s <= before_s
        await shop.finish()

    in_shop(tmp_path, work).judge()


def test_a_plate_taken_up_says_how_long_nothing_ran(tmp_path: Path) -> None:
    """Not how old its snapshot is: in an exposure nothing of it changes."""

    async def work(shop: Shop) -> None:
        await near_the_end(shop)
        await shop.crash(3.0)
        await shop.finish()

    shop = in_shop(tmp_path, work)
    with JournalReader.open(shop.config.journal.path) as journal:
        (event,) = (e for e in journal.events("p-1") if e.name == "plate resumed")
    assert 3.0 <= event.data["down_s"] < 4.5
    assert event.text == f"after at most {math.ceil(event.data['down_s'])} s, at film"


def test_oven_minutes_across_a_crash(tmp_path: Path) -> None:
    seen: dict[str, float] = {}

    async def work(shop: Shop) -> None:
        await in_bake(shop)
        seen["before"] = bake_of(shop.plate).in_band_s
        await shop.crash(60.0)
        seen["after"] = bake_of(shop.plate).in_band_s
        await shop.finish()

    shop = in_shop(tmp_path, work)
    assert seen["before"] - 1.6 <= seen["after"] <= seen["before"]
    data = shop.judge()
    (dry,) = [s for s in data["steps"] if s["name"] == "dry"]
    assert dry["elapsed_s"] >= 75.0


def test_the_end_of_an_exposure_that_the_plate_was_not_told(tmp_path: Path) -> None:
    """The process dies between the end of the exposure's run and what the plate makes of it."""

    async def work(shop: Shop) -> None:
        await in_tail(shop)
        writer = shop.daemon.shell.writer
        writer.keep = lambda values, *, at_utc, now: None  # nothing more is kept
        await shop.daemon.until(lambda: shop.plate.step.name == "washout")
        await shop.crash()
        assert shop.plate.step.name == "washout"
        assert shop.plate.present.state is StepState.READY
        await shop.finish()

    in_shop(tmp_path, work).judge()


def test_a_device_that_stays_away_longer_than_it_is_waited_for(tmp_path: Path) -> None:
    """The plate is held with what is known; light that nobody waits for is ended."""
    at: dict[str, float] = {}

    async def work(shop: Shop) -> None:
        shop.daemon.expose()  # what these lamps give is learned
        await shop.daemon.until_ended()
        shop.bench.unit.mark()
        await in_light(shop)
        shop.bench.there = False
        await shop.crash()
        assert shop.plate.cut
        await shop.daemon.until(lambda: not shop.plate.cut, recovery.WAIT_S + 5.0)
        at["given up"] = shop.daemon.clock.now()
        assert shop.plate.present.state is StepState.HELD
        assert "interrupted" in shop.plate.progress.deviations[-1]
        assert "give or take" in shop.plate.present.reason
        assert not shop.act(PlateAct.STOP, reason="dose not known")
        shop.bench.there = True
        await shop.daemon.until(lambda: shop.daemon.shell.core.up, 60.0)
        assert shop.bench.unit.lamp_on, "the order would have gone on"
        await shop.daemon.until(lambda: not shop.bench.unit.lamp_on, 0.5)
        at["dark"] = shop.daemon.clock.now()
        await shop.end()

    shop = in_shop(tmp_path, work, short(dose_mj_cm2="1500.0"))
    film = shop.judge(state="stopped")["steps"][1]
    unit = shop.bench.unit
    rate = unit.true_dose_mj_cm2() / unit.light_on_truth_s
    until_given_up = unit.true_dose_mj_cm2() - rate * (at["dark"] - at["given up"])
    # By the light last seen: lamps that are still warming up come to a little more.
    assert abs(film["dose_mj_cm2"] - until_given_up) <= 1.25 * film["unsure_mj_cm2"]


@pytest.mark.parametrize(
    ("act", "state"), [(PlateAct.STOP, "stopped"), (PlateAct.ABORT, "aborted")]
)
def test_light_left_burning_is_ended_with_its_plate(
    tmp_path: Path, act: PlateAct, state: str
) -> None:
    async def work(shop: Shop) -> None:
        await in_light(shop)
        await shop.crash(0.0)
        assert shop.bench.unit.lamp_on
        # Before the device has even answered: the light is on, and is ended when it does.
        assert shop.act(act, reason="enough") == CANNOT_REACH
        assert shop.bench.unit.lamp_on
        await shop.daemon.until(lambda: "p-1" not in shop.room.plates, 5.0)
        assert not shop.bench.unit.lamp_on
        await shop.end()

    shop = in_shop(tmp_path, work)
    data = shop.judge(state=state)
    film = data["steps"][1]
    assert film["dose_mj_cm2"] == pytest.approx(shop.bench.unit.true_dose_mj_cm2(), rel=0.02)


def test_other_plates_are_led_on_while_an_exposure_is_recovered(tmp_path: Path) -> None:
    async def work(shop: Shop) -> None:
        other = {"plate": "p-2", "recipe": RECIPE.content(), "revision": "short@1"}
        assert shop.daemon.ask("plate_make", plate=other, who=WHO)["ok"]
        for act in ("done", "skip"):
            answer = shop.daemon.ask("plate", plate="p-2", act=act, who=WHO, reason="made before")
            assert answer["ok"], answer
        await in_light(shop)
        await shop.crash(0.2)
        await shop.daemon.until(lambda: shop.daemon.shell.core.up)
        assert shop.plate.cut and shop.bench.unit.lamp_on
        answer = shop.daemon.ask("plate", plate="p-2", act="begin", who=WHO)
        assert answer["ok"], answer
        assert shop.daemon.ask("plate", plate="p-2", act="stop", who=WHO, reason="test")["ok"]
        await shop.finish()

    shop = in_shop(tmp_path, work)
    shop.judge()


def test_the_light_of_a_plate_is_shown_and_held_after_a_crash(tmp_path: Path) -> None:
    async def work(shop: Shop) -> None:
        await in_light(shop)
        await shop.crash(0.2)
        await shop.daemon.until(lambda: shop.daemon.shell.core.reading)
        await asyncio.sleep(0.9)
        (plate,) = shop.daemon.ask("status")["plates"]
        now, unit = plate["now"], shop.bench.unit
        assert unit.lamp_on and now["exposure"]["step"] == "light"
        assert 0.8 < now["exposure"]["dose_mj_cm2"] / unit.true_dose_mj_cm2() < 1.01
        assert "hold" in now["acts"] and "restart" not in now["acts"]
        assert not shop.act(PlateAct.HOLD, reason="look")
        await asyncio.sleep(0.3)
        assert not unit.lamp_on
        await shop.daemon.until(lambda: shop.plate.present.state is StepState.HELD, 10.0)
        assert not shop.act(PlateAct.RESTART)
        await shop.finish()

    shop = in_shop(tmp_path, work)
    shop.judge()


def test_kept_state_that_cannot_be_read_gives_the_plate_up_in_the_record(tmp_path: Path) -> None:
    async def work(shop: Shop) -> None:
        await in_bake(shop)
        await shop.daemon.kill()
        with Journal.open(shop.config.journal.path, unit=UNIT, new_uuid="u") as journal:
            journal.keep(
                {"plate:p-1": {"format": 99}}, at_utc=journal.reader.snapshots()["boot"].at_utc
            )
        await shop.begin()
        await asyncio.sleep(3.0)
        assert not shop.room.plates
        await shop.end()

    shop = in_shop(tmp_path, work)
    assert shop.judge(state="aborted") == {}
