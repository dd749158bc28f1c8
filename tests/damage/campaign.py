"""Seeded damage to every kind of file, and what each program that reads it says. All invented."""

from __future__ import annotations

import random
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import time
from pathlib import Path

from alerts import alert_world
from argon2 import PasswordHasher
from calibrations import make as calibrations
from experiments import make as experiments
from people import make as people
from publish import publish_samples as ps
from recipe import make as recipes
from record import make as record

from platelink.alerts.store import AlertsStore
from platelink.calibrations.store import CalibrationStore
from platelink.config.load import ConfigError, load
from platelink.contract.words import Role
from platelink.experiments.store import ExperimentStore
from platelink.ledger.errors import StoreError
from platelink.people.hashing import Hashing
from platelink.people.store import People
from platelink.publish.cursor import CursorFile, CursorState
from platelink.publish.intake import Accepted
from platelink.publish.recorder_journal import RecorderJournal
from platelink.publish.recorder_schema import RecorderJournalError
from platelink.publish.topics import Topics, parse
from platelink.recipe.load import RecipeFileError
from platelink.recipe.load import load as load_recipe
from platelink.recipe.store import RecipeStore
from platelink.record.contact import contact_in
from platelink.record.errors import JournalError
from platelink.record.journal import Journal
from platelink.record.lessons import lessons_in
from platelink.record.reader import JournalReader

SAID = (JournalError, StoreError, RecorderJournalError, ConfigError, RecipeFileError)
"""What a program that meets a damaged file may raise: each says file and way out."""
CONCLUDED = 70.64483038850663
"""mJ/cm² of the experiment that is concluded."""
QUICK = Hashing(PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))


# --- a sound file of each kind -------------------------------------------------------------------


def make_journal(path: Path) -> None:
    with record.journal_at(path, ballast_bytes=4096) as journal:
        for number in range(4):
            run_id, at = f"r{number}", record.later(60.0 * number)
            journal.append(record.start(journal, run_id, at, plate=f"p{number}", operator="Ada"))
            journal.append(record.channels(journal, run_id))
            journal.append_samples(run_id, record.block(60), record.later(60.0 * number + 20.0))
            learned = {
                "afterglow_s": 0.01, "warm_up_deficit_s": 0.5, "irradiance_mw_cm2": 8.0,
            }  # fmt: skip
            journal.append(record.event(journal, run_id, name="learned", at=at, data=learned))
            if number < 3:
                journal.end_run(run_id, at, "complete", "done", dose_mj_cm2=340.0)
        journal.append(record.event(journal, None, name="link up", data={"boot_id": 7}))
        journal.keep({"clock": 5, "plate p9": {"step": 1}, "alarms": {"list": []}}, record.T0)


def make_people(path: Path) -> None:
    with People.open(path, hashing=QUICK) as store:
        store.add_first(people.LEAD, people.SECRET[people.LEAD], people.by())
        store.add(people.OPERATOR, Role.OPERATOR, people.SECRET[people.OPERATOR], people.by())
        store.sign_ins.sign_in(people.LEAD, people.SECRET[people.LEAD], people.at(10))
        store.change_role(people.OPERATOR, Role.AUDITOR, people.by("on leave", seconds=20))


def make_recipes(path: Path) -> None:
    with RecipeStore.open(path) as store:
        store.add(recipes.plate(), recipes.by("first"))
        store.approve("plate-a-fine@1", recipes.by("tested", hours=1))
        store.shelf.add_lot(recipes.LOT, recipes.by())
        store.shelf.use_lot(recipes.LOT.name, 100.0, recipes.by(), ref="p1")
        store.shelf.add_screen(recipes.SCREEN, recipes.by())


def make_calibrations(path: Path) -> None:
    with CalibrationStore.open(path) as store:
        calibrations.approved(store)
        calibrations.approved(store, slope=1.01 * calibrations.SLOPE)
        calibrations.read(store, "light 1")


def make_experiments(path: Path) -> None:
    with ExperimentStore.open(path) as store:
        experiments.concluded(store)
        experiments.wedge(store, experiments.WEDGES[:2])
        store.begin("depth", {"target_um": 27.0}, experiments.by())


def make_alerts(path: Path) -> None:
    world = alert_world.World(path, alert_world.settings()).start()
    for name in ("contact lost", "gauge silent"):
        world.alarm(name)
        world.run(90)
    world.down.add(alert_world.MAIL)
    world.alarm("light still on")
    world.run(90)
    assert world.store is not None
    world.store.summary_made("2026-03-02", alert_world.DAY)
    world.stop()


def _taken(entry: object) -> Accepted:
    topic = Topics(ps.SITE, ps.UNIT).of(entry)  # type: ignore[arg-type]
    address = parse(topic)
    assert address is not None
    return Accepted(topic, entry.model_dump_json().encode(), address, entry)  # type: ignore[attr-defined]


def make_recorder(path: Path) -> None:
    journal = RecorderJournal(path)
    entries = [ps.start(1), ps.samples(3, 0, 20), ps.samples(5, 20, 10, run="r2")]
    journal.commit([_taken(entry) for entry in entries], utc_ms=ps.AT_MS + 1000)
    journal.close()


CONFIGURATION = """\
format = 1
[unit]
name = "unit-1"
[link]
port = "/dev/no-such-port"
[light]
expected_mw_cm2 = 12.0
[[light.channel]]
dark_counts = 18.4
slope_mw_cm2_per_count = 0.0149
calibrated_on = 2026-01-15
due_on = 2027-01-15
[journal]
path = "journal.sqlite"
[display]
dose = "mJ/cm2"
"""


def make_configuration(path: Path) -> None:
    path.write_text(CONFIGURATION, "utf-8")


def make_recipe_file(path: Path) -> None:
    from platelink.recipe import example

    path.write_text(example.text("plate-a-fine"), "utf-8")


def make_cursor(path: Path) -> None:
    CursorFile(path).save(CursorState(7, "0011-7", 3))


# --- all that reads it ----------------------------------------------------------------------------


def use_journal(path: Path) -> None:
    """As the service, the publisher, the doctor and the daemon's start do."""
    for read_only in (True, False):
        with suppress(*SAID):
            if read_only:
                with JournalReader.open(path) as reader:
                    _read_journal(reader)
            else:
                with Journal.open(path, unit=record.UNIT, new_uuid="u", ballast_bytes=4096) as own:
                    _read_journal(own.reader)
                    own.append(record.event(own, None, name="noted"))
                    own.keep({"clock": 6}, record.later(99))
                    own.must_be_whole()


def _read_journal(reader: JournalReader) -> None:
    looks: tuple[Callable[[], object], ...] = (
        reader.runs, reader.open_runs, reader.unit_events, reader.snapshots, reader.faults,
        reader.newest_exposure, reader.last_at_utc, lambda: lessons_in(reader),
        lambda: contact_in(reader),
        lambda: reader.outbox_after(0, 1000), lambda: reader.newest_unit_event("link up"),
        *(lambda run=f"r{n}": reader.check(run) for n in range(4)),  # type: ignore[misc]
        *(lambda run=f"r{n}": reader.samples(run) for n in range(4)),  # type: ignore[misc]
    )  # fmt: skip
    told = []
    for look in looks:
        try:
            look()
        except SAID as error:
            told.append(error)
    if told:
        raise told[0]


def use_people(path: Path) -> None:
    for name in (people.LEAD, people.OPERATOR):
        with suppress(*SAID), People.open(path, hashing=QUICK) as store:
            store.log.people()
            store.log.history(name)
            with suppress(*SAID):
                token = store.sign_ins.sign_in(name, people.SECRET[name], people.at(30)).token
                store.sign_ins.session(token, people.at(31))
                store.sign_ins.sign_out(token, people.at(32))
            store.change_own_secret(name, people.SECRET[name], "another secret", people.at(33))
            store.add("New One", Role.OPERATOR, "928173", people.by(seconds=40))


def use_recipes(path: Path) -> None:
    for read_only in (True, False):
        with suppress(*SAID), RecipeStore.open(path, read_only=read_only) as store:
            for recipe in store.recipes():
                with suppress(*SAID):
                    [store.recipe(revision) for revision in store.revisions(recipe)]
            with suppress(*SAID):
                store.shelf.lots()
            with suppress(*SAID):
                store.shelf.screens()
            if not read_only:
                store.add(
                    recipes.with_step(recipes.plate(), "film", dose_mj_cm2=430.0), recipes.by()
                )
                store.retire("plate-a-fine@1", recipes.by("old"))


def use_calibrations(path: Path) -> None:
    for read_only in (True, False):
        with suppress(*SAID), CalibrationStore.open(path, read_only=read_only) as store:
            for sensor in store.sensors():
                with suppress(*SAID):
                    for made in store.of(sensor):
                        store.history(made)
            with suppress(*SAID):
                # whatever holds is one of those that were approved, to the digit
                for held in store.in_force().values():
                    near = held.line.gain / calibrations.SLOPE
                    assert min(abs(near - 1.0), abs(near - 1.01)) < 2e-3, held.line
            if not read_only:
                store.leave_out("light 1@1", 2, calibrations.by("slipped"))
                store.drop("light 0@2", calibrations.by("wrong meter"))


def use_experiments(path: Path) -> None:
    for read_only in (True, False):
        with suppress(*SAID), ExperimentStore.open(path, read_only=read_only) as store:
            with suppress(*SAID):
                for made in store.every():
                    store.history(made)
                    # whatever is told was told of these readings
                    if made.concluded is not None:
                        figure = made.concluded.conclusion.figure
                        assert figure is not None and abs(figure.value - CONCLUDED) < 1e-3, figure
            if not read_only:
                store.leave_out("wedge-2", 1, experiments.by("slipped"))
                store.conclude("wedge-2", experiments.by(), release="0.1.0")
                store.drop("wedge-1", experiments.by("another stock"))


def use_recorder(path: Path) -> None:
    with suppress(*SAID):
        journal = RecorderJournal(path)
        try:
            looks: tuple[Callable[[], object], ...] = (
                journal.counts, lambda: journal.lines_of(journal.rows()),
                lambda: journal.commit([_taken(ps.start(4, "r2"))], utc_ms=ps.AT_MS + 2000),
                lambda: journal.release_waiting(before_ms=ps.AT_MS * 2, utc_ms=ps.AT_MS + 3000),
                lambda: journal.confirm(journal.rows()), lambda: journal.forget_before(ps.AT_MS),
            )  # fmt: skip
            for look in looks:
                with suppress(*SAID):
                    look()
        finally:
            journal.close()


def use_alerts(path: Path) -> None:
    world = alert_world.World(path, alert_world.settings(summary_at=time(6)))
    with suppress(*SAID):
        world.start()
        world.run(30)
    with suppress(*SAID):
        world.stop()
    with suppress(*SAID):
        store = AlertsStore.open(path, read_only=True)
        try:
            store.ways(), store.standing_between(0, alert_world.DAY)
        finally:
            store.close()


def use_configuration(path: Path) -> None:
    with suppress(*SAID):
        load(path)


def use_recipe_file(path: Path) -> None:
    with suppress(*SAID):
        load_recipe(path)


def use_cursor(path: Path) -> None:
    CursorFile(path).load()


@dataclass(frozen=True)
class Kind:
    """A kind of file."""

    name: str
    make: Callable[[Path], None]
    use: Callable[[Path], None]
    tables: tuple[str, ...] = ()
    """Where a single value can be damaged and the file stays a database."""


KINDS = (
    Kind("journal", make_journal, use_journal, ("journal", "runs", "entries", "ends")),
    Kind("kept", make_journal, use_journal, ("kept",)),
    Kind("people", make_people, use_people, ("entries", "hashes", "sign_ins", "unnamed")),
    Kind("recipes", make_recipes, use_recipes, ("entries", "revisions", "moves", "things")),
    Kind("calibrations", make_calibrations, use_calibrations, ("entries", "calibrations")),
    Kind("experiments", make_experiments, use_experiments, ("entries", "experiments")),
    Kind("alerts", make_alerts, use_alerts,
         ("place", "occurrences", "items", "ways", "summaries")),
    Kind("recorder", make_recorder, use_recorder,
         ("source", "run", "series", "row", "waiting", "counter", "early")),
    Kind("configuration", make_configuration, use_configuration),
    Kind("recipe file", make_recipe_file, use_recipe_file),
    Kind("cursor", make_cursor, use_cursor),
)  # fmt: skip


# --- damage ---------------------------------------------------------------------------------------

ODD: tuple[object, ...] = (
    "", "{", "null", "[]", "0", "1e999", '{"a": 1}', '{"role": "king"}', '{"revision": "x"}', "\0",
    "nan", "[" * 3000, '"\\ud800"', 0, -1, 7, 2**62, -(2**63), 10**15, b"", b"\xff\xfe",
    b"\x01" * 40, 1.5, None, "complete", "x" * 5000, '{"area_cm2": "much"}',
    '{"opened_on": 7}', '{"step": [1]}',
)  # fmt: skip


def one_value(path: Path, tables: tuple[str, ...], dice: random.Random) -> str:
    """One value of one row is another, as a bad sector or a careless hand leaves it."""
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA ignore_check_constraints = ON")
        db.execute("PRAGMA foreign_keys = OFF")
        for (trigger,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'"):
            db.execute(f"DROP TRIGGER {trigger}")
        for _ in range(20):
            table = dice.choice(tables)
            rows = db.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
            if not rows:
                continue
            columns = [row[1] for row in db.execute(f"PRAGMA table_info({table})")]
            column, value = dice.choice(columns), dice.choice(ODD)
            keys = ", ".join(r[1] for r in db.execute(f"PRAGMA table_info({table})") if r[5])
            which = f"({keys}) = (SELECT {keys} FROM {table} LIMIT 1 OFFSET {dice.randrange(rows)})"
            if not keys:
                which = "1"
            cast = "CAST(? AS TEXT)" if value == b"\xff\xfe" else "?"
            with suppress(sqlite3.Error, OverflowError):
                db.execute(f"UPDATE {table} SET {column} = {cast} WHERE {which}", (value,))
                return f"{table}.{column} = {value!r:.40}"
    return "nothing"


def bytes_of(data: bytearray, dice: random.Random) -> str:
    """Bytes of the file are others, or are not there."""
    at = dice.randrange(len(data))
    length = min(len(data) - at, int(2 ** dice.uniform(0, 12)))
    what = dice.choice(("flip", "zero", "noise", "cut", "more", "double", "head"))
    match what:
        case "flip":
            for _ in range(dice.choice((1, 1, 3, 30))):
                data[dice.randrange(len(data))] ^= 1 << dice.randrange(8)
        case "zero":
            data[at : at + length] = bytes(length)
        case "noise":
            data[at : at + length] = dice.randbytes(length)
        case "cut":
            del data[at:]
        case "more":
            data += dice.randbytes(length)
        case "double":
            data[at : at + length] = data[at : at + length] * 2
        case "head":
            data[dice.randrange(min(100, len(data)))] = dice.randrange(256)
    return f"{what} at {at}"


def damaged(kind: Kind, sound: Path, path: Path, seed: int) -> str:
    """A damaged copy; what was done to it."""
    dice = random.Random(f"{kind.name} {seed}")
    for helper in ("-wal", "-shm", "-journal", ".ballast", ".lock"):
        path.with_name(path.name + helper).unlink(missing_ok=True)
    shutil.copyfile(sound, path)
    if kind.tables and dice.random() < 0.6:
        return one_value(path, kind.tables, dice)
    data = bytearray(path.read_bytes())
    done = bytes_of(data, dice)
    path.write_bytes(data)
    return done


def played(kind: Kind, folder: Path, seeds: range) -> list[tuple[int, str, BaseException]]:
    """Every case of these seeds in which something else was raised than a sentence."""
    sound, path = folder / "sound", folder / "damaged.sqlite"
    kind.make(sound)
    found: list[tuple[int, str, BaseException]] = []
    for seed in seeds:
        done = damaged(kind, sound, path, seed)
        try:
            kind.use(path)
        except Exception as error:
            found.append((seed, done, error))
    return found
