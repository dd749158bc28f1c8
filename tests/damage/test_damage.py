"""Damaged files of every kind end in a sentence with file and way out, never in a raw exception."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest
from daemon.daemon_shop import Bench, Daemon, config_for, in_simulated_time

from damage import campaign
from platelink.ledger.errors import StoreError
from platelink.people.store import People
from platelink.record.errors import JournalError
from platelink.record.journal import Journal
from platelink.record.reader import JournalReader

FEW, ALL = 25, 1500
"""Copies of each kind; the whole takes some ten minutes."""


@pytest.mark.parametrize("kind", campaign.KINDS, ids=lambda kind: kind.name)
def test_what_is_damaged_is_told(tmp_path: Path, kind: campaign.Kind) -> None:
    assert campaign.played(kind, tmp_path, range(FEW)) == []


@pytest.mark.long
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("kind", campaign.KINDS, ids=lambda kind: kind.name)
def test_the_whole_campaign(tmp_path: Path, kind: campaign.Kind) -> None:
    assert campaign.played(kind, tmp_path, range(FEW, ALL)) == []


def test_what_is_damaged_was_sound(tmp_path: Path) -> None:
    for name, make in (
        ("c.toml", campaign.make_configuration),
        ("r.toml", campaign.make_recipe_file),
    ):
        make(tmp_path / name)
    campaign.load(tmp_path / "c.toml")
    campaign.load_recipe(tmp_path / "r.toml")


def test_the_campaign_damages(tmp_path: Path) -> None:
    """It would find nothing if what it does were no damage."""
    for kind in campaign.KINDS:
        sound, path = tmp_path / "sound", tmp_path / "copy"
        kind.make(sound)
        changed = 0
        for seed in range(20):
            campaign.damaged(kind, sound, path, seed)
            changed += path.read_bytes() != sound.read_bytes()
        assert changed >= 18, kind.name
        sound.unlink()


def said(path: Path, table: str, column: str, value: object, look, *, cast: bool = False) -> str:
    """What is said of one value that is another."""
    import sqlite3
    from contextlib import closing

    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA ignore_check_constraints = ON")
        for (trigger,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'"):
            db.execute(f"DROP TRIGGER {trigger}")
        given = "CAST(? AS TEXT)" if cast else "?"
        db.execute(f"UPDATE {table} SET {column} = {given} WHERE rowid = 2", (value,))
    with pytest.raises((JournalError, StoreError)) as told:
        look()
    return str(told.value)


def test_the_sentence_has_file_entry_and_way_out(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    campaign.make_journal(path)

    def publish() -> None:
        with JournalReader.open(path) as reader:
            reader.outbox_after(0, 10)

    text = said(path, "entries", "body", "{", publish)
    assert text.startswith(f"{path}: entry 2 cannot be read (") and "\n" not in text
    assert text.endswith(
        f"restore a backup, or copy what is sound: platelink doctor --repair {path}"
    )
    text = said(path, "entries", "body", b"\xff{", publish, cast=True)
    assert text.startswith(f"{path}: entry 2 cannot be read (") and "\ufffd" not in text
    other = tmp_path / "people.sqlite"
    campaign.make_people(other)

    def everybody() -> None:
        with People.open(other, hashing=campaign.QUICK) as people:
            people.log.people()

    text = said(other, "entries", "body", '{"role": "king"}', everybody)
    assert text.startswith(f"{other}: entry 2 cannot be read ('king' is not a valid Role)")
    assert text.endswith(f"platelink doctor --repair {other}")


KEPT_SEEDS = 12


def damaged_state(path: Path, seed: int) -> None:
    """The kept state of a daemon, made odd somewhere within."""
    dice = random.Random(seed)
    with Journal.open(path, unit="unit-1", new_uuid="u") as journal:
        snapshots = journal.reader.snapshots()
        for name, snapshot in snapshots.items():
            value = _odd(json.loads(json.dumps(snapshot.value)), dice)
            journal.keep({name: value}, snapshot.at_utc)


def _odd(value, dice: random.Random):
    if isinstance(value, dict) and value and dice.random() < 0.8:
        key = dice.choice(list(value))
        return value | {key: _odd(value[key], dice)}
    if isinstance(value, list) and value and dice.random() < 0.8:
        at = dice.randrange(len(value))
        return [*value[:at], _odd(value[at], dice), *value[at + 1 :]]
    return dice.choice((7, -1, "odd", [], {}, [1], {"a": 1}, 1e300, True, 10**30))


@pytest.mark.parametrize("seed", range(KEPT_SEEDS))
def test_odd_kept_state_does_not_keep_the_unit_from_starting(tmp_path: Path, seed: int) -> None:
    path = tmp_path / "journal.sqlite"

    async def before() -> None:
        async with Daemon(config_for(tmp_path), Bench()) as daemon:
            await daemon.until_up()
            daemon.expose()
            await daemon.until_ended()

    async def after() -> None:
        async with Daemon(config_for(tmp_path), Bench()) as daemon:
            await daemon.until_up()
            daemon.expose()
            await daemon.until_ended()

    in_simulated_time(before())
    damaged_state(path, seed)
    in_simulated_time(after())


def one_is_odd(path: Path, statement: str, *values: object) -> int:
    import sqlite3
    from contextlib import closing

    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        for (trigger,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'"):
            db.execute(f"DROP TRIGGER {trigger}")
        return db.execute(statement, values).rowcount


@pytest.mark.parametrize("which", range(10))
def test_a_unit_starts_whatever_of_an_open_run_is_damaged(tmp_path: Path, which: int) -> None:
    path = tmp_path / "journal.sqlite"

    async def before() -> None:
        async with Daemon(config_for(tmp_path), Bench()) as daemon:
            await daemon.until_up()
            daemon.expose()
            await daemon.until_light()
            await daemon.kill()

    async def after() -> None:
        async with Daemon(config_for(tmp_path), Bench()) as daemon:
            await daemon.until_up()
            await daemon.until(lambda: not daemon.shell._recovery.waiting)
            # What stands in the way of nothing is left to whoever reads all of it.
            assert "--repair" in daemon.ask("status")["journal"]["fault"] or not needed
            daemon.expose()
            await daemon.until_ended()

    in_simulated_time(before())
    needed = which < 2
    if needed:
        where = "name = (SELECT name FROM kept ORDER BY name LIMIT 1 OFFSET ?)"
        assert one_is_odd(path, f"UPDATE kept SET value = '{{' WHERE {where}", which) == 1
    else:
        run = "SELECT number FROM entries WHERE run_id IS NOT NULL ORDER BY number DESC"
        where = f"number = ({run} LIMIT 1 OFFSET ?)"
        changed = one_is_odd(path, f"UPDATE entries SET body = '{{' WHERE {where}", which - 2)
        assert changed == 1
    in_simulated_time(after())
