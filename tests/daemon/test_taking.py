"""What the shop sends, in a daemon: by the broker's texts into stores, record, status, light."""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from calibrations.make import PLAN, SLOPE, approved
from distribution.made import (
    BY,
    OTHER_KEY,
    PEOPLE_KEY,
    SHOP_KEY,
    UNIT,
    Unit,
    approve,
    calibrations_of,
    note,
    people_of,
    recipes_of,
    with_everybody,
)
from recipe.make import plate

from daemon.daemon_shop import Bench, Daemon, config_for, in_simulated_time
from platelink.calibrations.store import CalibrationStore
from platelink.config.model import Config
from platelink.daemon.calibrated import read_held, settings_of
from platelink.daemon.clock import Clock
from platelink.daemon.cosigning import Cosigning
from platelink.daemon.sealing import Sealing, seal_places
from platelink.daemon.setup import make_shell
from platelink.daemon.taking import AGAIN_S, Taking, acceptor_of, taking_of
from platelink.distribution.taken import taken_path
from platelink.publish.messages import Took
from platelink.publish.texts import RetainedTexts
from platelink.publish.topics import Topics
from platelink.recipe.store import RecipeStore

TOPICS = Topics("invented-shop", UNIT)
RECIPES, MINE = TOPICS.shop("recipes")
KEYS = f'[shop]\nkeys = ["{SHOP_KEY.verifier.text}"]\n'


@pytest.fixture
def store(tmp_path: Path):
    with RecipeStore.open(tmp_path / "shop.sqlite") as opened:
        approve(opened, plate())
        yield opened


class Thread:
    """What the thread does, round by round, with the clock of the test."""

    def __init__(self, folder: Path, knows_people: bool = False) -> None:
        self.unit, self.texts, self.clock = Unit(folder), RetainedTexts(), 0.0
        self.knows = knows_people
        self.begin()

    def begin(self) -> None:
        from platelink.distribution.unit import Acceptor

        acceptor = Acceptor(self.unit.settings, self.unit.file, lambda: self.unit.now)
        self.taking = Taking(
            acceptor, self.unit.file, TOPICS, self.texts, knows_people=lambda: self.knows,
            clock=lambda: self.clock,
        )  # fmt: skip

    def hear(self, topic: str, data: bytes) -> list[tuple[str, str]]:
        assert self.texts.heard(topic, data)
        return self.round()

    def round(self, after_s: float = 1.0) -> list[tuple[str, str]]:
        self.clock += after_s
        self.taking.round()
        return [(str(event.NAME), text) for event, text in self.taking.events()]

    def took(self) -> Took:
        topic, text = self.texts.next()
        assert topic == TOPICS.took
        return Took.model_validate_json(text)


def test_from_the_topic_into_the_store_and_everybody_is_told(store, tmp_path: Path) -> None:
    thread = Thread(tmp_path / "unit")
    ((name, text),) = thread.hear(RECIPES, note(recipes_of(store)))
    assert name == "sent by the shop" and "was taken" in text
    assert thread.unit.recipes() and thread.taking.fault == ""
    assert thread.took().taken["recipes"].revision == 1
    assert thread.round() == [] and thread.hear(RECIPES, note(recipes_of(store))) == []


def test_a_refusal_is_in_status_and_told_until_it_is_over(store, tmp_path: Path) -> None:
    thread = Thread(tmp_path / "unit")
    ((_, text),) = thread.hear(RECIPES, note(recipes_of(store), OTHER_KEY))
    assert text == thread.taking.fault
    assert text.startswith(f"{RECIPES} was refused: it is not signed by the shop's key")
    assert [one.text for one in thread.took().refused] == [text]
    thread.hear(RECIPES, note(recipes_of(store)))
    assert thread.taking.fault == "" and not thread.took().refused


def test_what_could_not_be_taken_is_tried_again_though_nobody_sends_it_again(
    store, tmp_path: Path
) -> None:
    thread = Thread(tmp_path / "unit")
    now = thread.unit.now
    thread.unit.later(days=-30)  # a computer whose clock is not set yet
    ((_, text),) = thread.hear(MINE, note(recipes_of(store, unit=UNIT)))
    assert "set the clock that is wrong" in text
    thread.unit.now = now
    assert thread.round(AGAIN_S / 2) == [] and not thread.unit.recipes()
    assert len(thread.round(AGAIN_S / 2)) == 1 and thread.unit.recipes()


def test_nothing_is_listened_to_but_what_is_for_this_unit(tmp_path: Path) -> None:
    texts = Thread(tmp_path / "unit").texts
    assert set(texts.listen) == {
        f"platelink/v1/invented-shop/_shop/{kind}{unit}"
        for kind in ("recipes", "people", "calibrations") for unit in ("", f"/{UNIT}")
    }  # fmt: skip


def test_what_is_on_record_is_not_told_at_the_next_start_and_what_is_not_is(
    store, tmp_path: Path
) -> None:
    thread = Thread(tmp_path / "unit")
    thread.unit.take(note(recipes_of(store)))  # by a person, while no daemon ran
    assert len(thread.round()) == 1
    thread.begin()  # killed before it was certain that the loop wrote it
    assert len(thread.round()) == 1
    for _ in range(3):
        assert thread.round() == []
    assert thread.unit.state.notes == () and thread.unit.state.noted == 1
    thread.begin()
    assert thread.round() == []


def test_first_people_of_a_unit_are_known_to_its_record(tmp_path: Path) -> None:
    """So that nobody becomes a lead by losing the file of people."""
    thread = Thread(tmp_path / "unit")
    people = TOPICS.shop("people")[0]
    with with_everybody(tmp_path / "people.sqlite") as shop:
        told = thread.hear(people, note(people_of(shop)))
        assert [name for name, _ in told] == ["sent by the shop", "people entered"]
        thread.knows = True
        assert len(thread.hear(people, note(people_of(shop, 2)))) == 1


def test_without_the_section_nothing_is_taken(tmp_path: Path) -> None:
    texts = RetainedTexts()
    assert taking_of(config_for(tmp_path), texts) is None
    of_sender = config_for(tmp_path, '[shop]\nusername = "shop"\n')
    assert taking_of(of_sender, texts) is None and texts.listen == ()


def test_keys_and_people_key_are_those_of_the_configuration(store, tmp_path: Path) -> None:
    import base64

    file = tmp_path / "people.key"
    file.write_text(base64.b64encode(PEOPLE_KEY).decode() + "\n")
    file.chmod(0o600)
    config = config_for(tmp_path, f'{KEYS}people_key_file = "{file}"\n')
    with with_everybody(tmp_path / "shop-people.sqlite") as shop:
        data = note(people_of(shop))
        file.chmod(0o644)
        acceptor = acceptor_of(config, lambda: BY.at_utc)
        assert "can be read by everybody" in acceptor.take("x", data).text
        file.chmod(0o600)
        assert acceptor.take("x", data).taken
    assert acceptor.take("x", note(recipes_of(store))).taken
    assert not acceptor.take("x", note(recipes_of(store, 2), OTHER_KEY)).taken


# --- a whole daemon --------------------------------------------------------------------------


def calibration_for(config: Config, folder: Path, slope: float, **change: Any) -> bytes:
    plan = replace(PLAN, settings=settings_of(config, "light 0") | change)
    with CalibrationStore.open(folder / f"bench-{slope}-{len(change)}.sqlite") as bench:
        approved(bench, plan=plan, slope=slope)
        return note(calibrations_of(bench, 1 + len(change)))


class Still(Sealing):
    """Without threads, which keep real time."""

    def start(self) -> None:
        pass

    def stop(self) -> None:
        pass


def with_taking(daemon: Daemon, config: Config, texts: RetainedTexts) -> Taking:
    taking = taking_of(config, texts)
    assert taking is not None
    cosigning = Cosigning(TOPICS, ())
    daemon.shell._syncer._beside = Still(seal_places(config), cosigning, taking=taking)
    daemon.shell._calibrated.others = taking.calibrated
    return taking


def test_a_real_daemon_is_made_so(tmp_path: Path) -> None:
    more = f'{KEYS}[broker]\nhost = "broker.example"\n'
    shell = make_shell(config_for(tmp_path, more), Clock(1.0), today=lambda: date(2026, 6, 1))
    taking = shell._syncer._beside._taking
    assert shell._calibrated.others == taking.calibrated
    assert set(taking._listen) <= set(shell.publisher.texts.listen)
    shell.journal.close()


def test_a_calibration_that_comes_under_light_is_in_force_only_after_it(tmp_path: Path) -> None:
    async def work() -> None:
        config = config_for(tmp_path, KEYS)
        daemon, texts = Daemon(config, Bench()), RetainedTexts()
        taking = with_taking(daemon, config, texts)
        async with daemon:
            await daemon.until_up()
            converter = daemon.shell.core.converter
            before = converter.light.channels[0].slope_mw_cm2_per_count
            daemon.expose()
            await daemon.until_light(1.0)
            texts.heard(
                TOPICS.shop("calibrations")[1], calibration_for(config, tmp_path, 1.2 * SLOPE)
            )
            taking.round()
            await asyncio.sleep(0.5)
            assert converter.light.channels[0].slope_mw_cm2_per_count == before
            await daemon.until_ended()
            await asyncio.sleep(0.5)
            after = daemon.shell.core.converter.light.channels[0].slope_mw_cm2_per_count
            assert after == pytest.approx(1.2 * SLOPE, rel=1e-3)
            second = daemon.expose()
            start = daemon.shell.journal.reader.run(second).start
            assert start.conditions["calibrations"][0]["approved_by"] == "shop: S. Example"
            daemon.ask("abort")
            await daemon.until_ended()
            (event,) = daemon.events("sent by the shop")
            assert event["data"] == {
                "taken": True, "kind": "calibrations", "revision": 1,
                "key": SHOP_KEY.verifier.text,
            }  # fmt: skip
            assert "light 0@1 in force" in event["text"]

    in_simulated_time(work())


@pytest.mark.parametrize(
    ("here", "there", "words"),
    [
        ("EX-4711", "EX-4711", ""), (None, "EX-4711", ""), (None, None, ""),
        ("EX-4711", "EX-4712", "other settings of light 0 (serial)"),
        ("EX-4711", None, "does not name the sensor it was made with, and light 0 here is EX-4711"),
    ],
)  # fmt: skip
def test_a_sensor_with_a_serial_number_takes_the_calibration_of_no_other(
    tmp_path: Path, here: str | None, there: str | None, words: str
) -> None:
    config = config_for(tmp_path, KEYS)
    data = calibration_for(config, tmp_path, SLOPE, serial=there)
    channel = config.light.channel[0].model_copy(update={"serial": here})
    light = config.light.model_copy(update={"channel": (channel,)})
    config = config.model_copy(update={"light": light})
    assert channel.channel() == config_for(tmp_path).light.channel[0].channel()
    outcome = acceptor_of(config, lambda: BY.at_utc).take("x", data)
    assert outcome.taken == (not words) and words in outcome.text
    held, unusable = read_held(config)
    assert set(held or {}) == (set() if words else {"light 0"}) and not unusable


def test_an_own_calibration_holds_on_when_the_serial_number_is_entered_later(
    tmp_path: Path,
) -> None:
    config = config_for(tmp_path)
    with CalibrationStore.open(config.calibrations_path()) as store:
        approved(store, plan=replace(PLAN, settings=settings_of(config, "light 0")))
    channel = config.light.channel[0].model_copy(update={"serial": "EX-4711"})
    light = config.light.model_copy(update={"channel": (channel,)})
    assert set(read_held(config.model_copy(update={"light": light}))[0]) == {"light 0"}


def test_one_made_with_other_settings_is_refused_in_status_and_record(tmp_path: Path) -> None:
    async def work() -> None:
        config = config_for(tmp_path, KEYS)
        daemon, texts = Daemon(config, Bench()), RetainedTexts()
        taking = with_taking(daemon, config, texts)
        async with daemon:
            await daemon.until_up()
            data = calibration_for(config, tmp_path, SLOPE, temp_coeff_per_c=0.004)
            texts.heard(TOPICS.shop("calibrations")[1], data)
            taking.round()
            await daemon.until(lambda: daemon.events("sent by the shop"))
            (event,) = daemon.events("sent by the shop")
            assert event["data"]["taken"] is False
            words = "does not fit this unit: light 0@1 was made with other settings of light 0"
            assert words in event["text"]
            assert words in daemon.shell.status().journal.notice
            assert json.loads(taken_path(config.journal.path).read_text())["taken"] == {}

    in_simulated_time(work())
