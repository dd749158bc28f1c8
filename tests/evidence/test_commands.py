"""Sealing beside a daemon, and what the commands say of records, whole and changed."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime

import pytest
from calibrations.make import DUE, TODAY, read
from click.testing import CliRunner
from experiments.make import RUNS, concluded

from evidence.made import UNIT, journal_of_two
from evidence.test_sealer import Bench
from platelink.calibrations.store import CalibrationStore
from platelink.cli.group import main
from platelink.config.load import ConfigError, load
from platelink.contract.words import Role
from platelink.daemon.cosigning import Cosigning
from platelink.daemon.sealing import Sealing, seal_places
from platelink.doctor.findings import seals, witnessed
from platelink.evidence.contradictions import fork, smaller
from platelink.evidence.keys import Signer, Verifier
from platelink.evidence.log import SealLog
from platelink.evidence.note import Checkpoint, Signature, read_checkpoint, read_note, sign
from platelink.evidence.witnessed import MOST_KEPT, Witnessed
from platelink.experiments.store import ExperimentStore
from platelink.ledger.by import By
from platelink.people.store import People
from platelink.publish.topics import Topics
from platelink.recipe.store import RecipeStore
from platelink.simulated.harness import configuration
from platelink.simulated.plates import example
from platesim.unit import UnitParameters

pytestmark = pytest.mark.timeout(600)


class Unit:
    def __init__(self, folder):
        self.folder = folder
        self.config = folder / "platelink.toml"
        self.config.write_text(
            configuration(
                UnitParameters(), unit=UNIT, site="invented-shop", port="/dev/null",
                journal=folder / "journal.sqlite", expected_mw_cm2=9.0,
            ),
            "utf-8",
        )  # fmt: skip
        self.places = seal_places(load(self.config))
        own = Topics("invented-shop", UNIT)
        self.cosigning = Cosigning(own, ())
        self._checkpoint = own.checkpoint
        self._all = []

    @property
    def published(self):
        """What goes to the broker, newest last."""
        while (text := self.cosigning.texts.next()) is not None:
            self.cosigning.texts.sent(*text, mid=1)
            self.cosigning.texts.answered(1)
            assert text[0] == self._checkpoint
            self._all.append(text[1])
        return self._all

    def seal(self):
        sealing = Sealing(self.places, self.cosigning)
        sealing.start()
        sealing.stop()
        return sealing.fault

    def says(self, *words, code=0):
        done = CliRunner().invoke(main, ["--config", str(self.config), *map(str, words)])
        assert done.exit_code == code, done.output
        return done.output


@pytest.fixture
def unit(tmp_path):
    journal_of_two(tmp_path / "journal.sqlite")
    return Unit(tmp_path)


def test_what_the_commands_say_of_a_unit_that_is_whole(unit):
    assert "no log of seals lies beside it" in unit.says("show", "plate-1.film", "--no-plot")
    assert seals(unit.places).health == "ok"
    assert unit.seal() == ""
    head = read_checkpoint(read_note(unit.published[-1].encode()))
    assert head.size == 4
    shown = unit.says("show", "plate-1.film", "--no-plot")
    assert "SEAL\n  plate plate-1, sealed " in shown
    assert f" of {head.origin}, now 4 leaves; platelink verify compares" in shown
    assert json.loads(unit.says("show", "plate-1.film", "--json"))["seal"]["index"] == 1
    said = unit.says("verify", "plate-1")
    assert "as leaf 1" in said and "1 sealed records compared: each is what was sealed" in said
    said = unit.says("verify", "--journal")
    assert "4 sealed records compared: each is what was sealed; the log has 4 leaves" in said
    assert unit.published[-1] in said
    assert unit.says("seal", "head") == unit.published[-1]
    found = seals(unit.places)
    assert (found.health, found.measured) == ("ok", f"{unit.places.log}, 4 leaves, only grown")


def test_a_bundle_made_and_verified_here_and_elsewhere(unit, tmp_path):
    unit.seal()
    key, bag = unit.says("seal", "key").strip(), tmp_path / "bag"
    assert Verifier.of_text(key)
    unit.says("bundle", "plate-1", "--to", bag)
    assert "plate plate-1 of unit invented-unit is what was sealed" in unit.says(
        "verify", "--bundle", bag
    )
    assert f"under key {key}" in unit.says("verify", "--bundle", bag, "--key", key)
    record = bag / "data" / "record.json"
    record.write_bytes(record.read_bytes().replace(b"example-operator", b"somebody-else"))
    said = unit.says("verify", "--bundle", bag, "--key", key, code=1)
    assert "CHANGED  data/record.json is not what was sealed" in said
    assert "is NOT what was sealed under key" in said
    elsewhere = CliRunner().invoke(main, ["--config", "nowhere", "verify", "--bundle", str(bag)])
    assert elsewhere.exit_code == 2
    assert "have it by another way than the bundle" in elsewhere.output


def test_what_the_commands_say_of_a_record_that_was_changed(unit, tmp_path):
    unit.seal()
    Bench(tmp_path).tamper(
        "UPDATE entries SET body = json_set(body, '$.operator', 'somebody-else') "
        "WHERE run_id = 'plate-1' AND kind = 'start'"
    )
    said = unit.says("verify", "plate-1", code=1)
    assert "CHANGED  plate plate-1, sealed " in said
    assert 'runs 0, start, operator was "example-operator", is "somebody-else"' in said
    assert "1 sealed records compared: NOT what was sealed" in said
    assert "is not what was sealed" in unit.says(
        "bundle", "plate-1", "--to", tmp_path / "b", code=1
    )
    assert unit.says("verify", "plate-2")


def test_a_log_that_was_changed_is_told_by_verify_check_and_doctor(unit, tmp_path):
    unit.seal()
    Bench(tmp_path).tamper("DELETE FROM leaves WHERE place = 3", file=unit.places.log)
    text = "leaves are gone: the checkpoint is of 4, there are 3"
    assert text in unit.says("verify", "--journal", code=1)
    assert text in unit.says("check", "plate-1.film", code=1)
    assert seals(unit.places).health == "wrong"
    assert text in seals(unit.places).measured


def test_a_key_is_rotated_by_hand(unit):
    unit.seal()
    new = unit.says("seal", "rotate").strip()
    assert "waits already" in unit.says("seal", "rotate", code=1)
    unit.seal()
    assert unit.says("seal", "key").strip() == new
    assert unit.published[-1].count("\n— ") == 2
    assert unit.says("verify", "--journal")


def test_a_key_that_others_can_read_is_told(unit):
    unit.seal()
    unit.places.key.chmod(0o640)
    assert "can be read by others" in seals(unit.places).measured
    unit.places.key.unlink()
    assert "is gone" in seals(unit.places).measured


def test_a_backup_has_the_log_and_not_the_key_and_restored_another_log_begins(unit, tmp_path):
    unit.seal()
    first = read_checkpoint(read_note(unit.published[-1].encode())).origin
    unit.says("backup", tmp_path / "backup")
    names = {path.name for path in (tmp_path / "backup").iterdir()}
    assert "journal.seals" in names and not any("key" in name for name in names)
    secret = unit.places.key.read_bytes()
    assert not any(secret in p.read_bytes() for p in (tmp_path / "backup").iterdir())
    for path in unit.folder.glob("journal.s*"):
        if path != unit.places.key:
            path.unlink()
    unit.says("restore", tmp_path / "backup")
    unit.seal()
    assert read_checkpoint(read_note(unit.published[-1].encode())).origin != first
    assert unit.places.log.with_name("journal.seals.before-1").exists()
    assert unit.says("verify", "--journal")


def test_calibrations_recipes_and_people_are_sealed_and_compared(unit):
    """By the daemon's own thread, from the stores that its configuration names."""
    by = By("invented-lead", datetime(2030, 1, 2, 3, 4, 5, tzinfo=UTC), "invented")
    stores = dict(unit.places.stores)
    with People.open(stores["people"]) as people:
        people.add_first("invented-lead", "2718281828", by)
        people.add("invented-hand", Role.OPERATOR, "1618033", by)
        people.change_role("invented-hand", Role.LEAD, by)
    with RecipeStore.open(stores["recipes"]) as recipes:
        recipes.add(example(), by)
        assert unit.seal() == ""
        before = unit.says("seal", "head")
        recipes.approve("plate-a-fine@1", by)
        recipes.retire("plate-a-fine@1", by)
    with CalibrationStore.open(stores["calibrations"]) as calibrations:
        read(calibrations)
        calibrations.finish("light 0@1", DUE, by, today=TODAY)
        calibrations.approve("light 0@1", by._replace(why="as the meter"))
    with ExperimentStore.open(stores["experiments"]) as experiments:
        concluded(experiments)
        typed = {"dose_mj_cm2": 421.0, "held": 5, "washed": 6}
        experiments.read("wedge-1", typed, by, RUNS)
        experiments.conclude("wedge-1", by, release="0.1.0")  # both conclusions are sealed
    assert unit.seal() == ""
    (unit.folder / "before").write_text(before, "utf-8")
    assert "13 sealed records compared: each is" in unit.says(
        "verify", "--journal", "--head", unit.folder / "before"
    )
    for store, statement, what in (
        ("calibrations", "UPDATE entries SET body = json_set(body, '$.gain', 2) "
         "WHERE act = 'finished'", "calibration finished light 0@1"),
        ("experiments", "UPDATE entries SET body = json_set(body, '$.typed.held', 4) "
         "WHERE number = 3", "experiment concluded wedge-1, entry 6"),
        ("people", "UPDATE entries SET who = 'x' WHERE act = 'role changed'", "people entry 3"),
        ("recipes", "DELETE FROM entries WHERE act = 'retired'", "recipe retired plate-a-fine@1"),
    ):  # fmt: skip
        whole = stores[store].read_bytes()
        Bench(unit.folder).tamper(statement, file=stores[store])
        assert f"CHANGED  {what}, sealed " in unit.says("verify", "--journal", code=1)
        stores[store].write_bytes(whole)
    assert unit.says("verify", "--journal")


def test_who_cosigned_is_said_by_verify_and_needed_by_the_configuration(unit, tmp_path):
    unit.seal()
    other = Signer.of_seed("platelink/invented-shop/unit-2/0a1b2c3d", bytes(range(32)))
    with SealLog.open(unit.places.log) as log:
        note, key = log.head(), other.verifier.cosigner
        made = other.cosign(note.text.encode(), int(datetime.now(UTC).timestamp()))
        assert log.add_cosignature(read_checkpoint(note).size, Signature(key.name, key.id, made))
    bag, line = tmp_path / "bag", other.verifier.text
    unit.says("bundle", "plate-1", "--to", bag)
    assert "cosigned by" not in unit.says("verify", "--bundle", bag)
    given = ("verify", "--bundle", bag, "--cosigner", line, "--needed")
    assert f"  cosigned by {other.name} at 20" in unit.says(*given, 1)
    assert json.loads(unit.says(*given, 1, "--json"))["cosigned"][0]["name"] == other.name
    assert "CHANGED  cosigned by 1 units, 2 are needed" in unit.says(*given, 2, code=1)
    unit.config.write_text(
        f'{unit.config.read_text()}\n[broker]\nhost = "127.0.0.1"\n\n[cosigning]\n'
        f'units = ["{line}"]\nneeded = 1\n'
    )
    assert f"  cosigned by {other.name} at 20" in unit.says("verify", "--bundle", bag)
    assert f"its head was cosigned by {other.name} at 20" in unit.says("verify", "--journal")
    unit.seal()
    stranger = Signer.of_seed(other.name, bytes(32)).verifier.text
    said = unit.says("verify", "--bundle", bag, "--cosigner", stranger, code=1)
    assert f"a cosignature lacks of {other.name}" in said
    said = unit.says("verify", "--journal", "--cosigner", stranger)
    assert (
        f"notice   cosigned by 0 units, 1 are needed: a cosignature lacks of {other.name}" in said
    )


def test_a_log_of_another_unit_that_cannot_be_is_told_by_doctor(unit):
    unit.seal()
    other = Signer.of_seed("platelink/invented-shop/unit-2/0a1b2c3d", bytes(range(32)))

    def head(size):
        return sign(Checkpoint(other.name, size, bytes(32)).text, other)

    with SealLog.open(unit.places.log) as log:
        book = Witnessed(log.database)
        book.keep(head(5), 1_900_000_000)
        assert list(witnessed(unit.places)) == []
        assert book.contradict(head(3), smaller("unit-2", 3, 5, "some day"), 1_900_000_001)
        assert not book.contradict(head(3), smaller("unit-2", 3, 5, "some day"), 1_900_000_002)
        assert book.contradict(head(4), fork("unit-2", 4, "some day"), 1_900_000_003)
        assert [one.health for one in witnessed(unit.places)] == ["notice", "wrong"]
        assert (
            "unit-2 showed a log of 3 seals after one of 5" in next(witnessed(unit.places)).measured
        )
        book.keep(head(6), 1_900_000_009)
        (left,) = witnessed(unit.places)
        assert "a second log of 4 seals" in left.measured
        for size in range(100, 100 + MOST_KEPT):
            book.contradict(head(size), fork("unit-2", size, "some day"), 1_900_000_010)
        assert len(book.standing()) == MOST_KEPT - 1  # one is over


def test_the_key_of_another_unit_is_looked_at_where_it_stands_in_the_configuration(unit):
    whole = Signer.of_seed("platelink/invented-shop/unit-2/0a1b2c3d", bytes(range(32))).verifier
    text = unit.config.read_text()
    for line, told in (
        (whole.text, "needs a [broker] section"), (whole.text[:-1], "must be the line"),
        (whole.text.replace("unit-2", "unit-3"), "its id does not fit it"),
        (whole.cosigner.text, "must be the line"),
    ):  # fmt: skip
        unit.config.write_text(f'{text}\n[cosigning]\nunits = ["{line}"]\n')
        with pytest.raises(ConfigError, match=re.escape(told)):
            load(unit.config)
    unit.config.write_text(f"{text}\n[cosigning]\nneeded = 1\n")
    with pytest.raises(ConfigError, match="1 of 0 units cannot cosign"):
        load(unit.config)
