"""Plates made in simulated time, then made again from their tapes: the same to the bit, and where
the unit, the tape or the record is another one, it is said what and when."""

from __future__ import annotations

import asyncio
import json
import lzma
import shutil
import sqlite3
from collections.abc import Awaitable, Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from daemon.daemon_shop import in_simulated_time
from daemon.test_plates_crash import WHO, Shop

from platelink import __version__
from platelink.cli import main
from platelink.codec import join
from platelink.contract.words import PlateAct
from platelink.events.event import EventName
from platelink.record.reader import JournalReader
from platelink.record.stored import Removed, RunRecord
from platelink.replay.play import Played, play_all, play_plate, tape_of
from platelink.replay.support import JOURNAL, write
from platelink.sensing.light import LightSensors
from platelink.tape.files import (
    HEAD,
    RAW,
    Tape,
    TapeError,
    folder_of,
    pack_part,
    section,
    sections,
    tapes,
)
from platelink.tape.inputs import Kind


async def _nothing(shop: Shop) -> None:
    """A plate without trouble."""


async def _acts(shop: Shop) -> None:
    """Hold and restart in the light, and a note on an alarm."""
    await shop.to("film")
    await shop.work(lambda: shop.daemon.light_s >= 2.0)
    assert shop.act(PlateAct.HOLD, reason="a look under the blanket") == ""
    assert shop.daemon.ask("calibrations")["ok"]


async def _crash(shop: Shop) -> None:
    """The process dies in the light, and another one goes on."""
    await shop.to("film")
    await shop.work(lambda: shop.daemon.light_s >= 2.0)
    await shop.crash()


async def _unwritten(shop: Shop) -> None:
    """Killed when the record could not be written, and the tape could."""
    await shop.to("film")
    await shop.work(lambda: shop.daemon.light_s >= 2.0)
    shop.daemon.block_journal(True)
    await asyncio.sleep(8.0)
    shop.daemon.taping._write()
    await shop.crash()


def made(directory: Path, *trouble: Callable[[Shop], Awaitable[None]]) -> Shop:
    """One plate, with this trouble on the way."""
    shop = Shop(directory)

    async def whole() -> None:
        await shop.begin()
        await shop.daemon.until_up()
        shop.bench.unit.mark()
        shop.make()
        for one in trouble:
            await one(shop)
        await shop.finish()

    in_simulated_time(whole())
    return shop


def there(shop: Shop) -> list[Tape]:
    return tapes(folder_of(shop.config.journal.path))


def played(shop: Shop) -> list[Played]:
    with JournalReader.open(shop.config.journal.path) as reader:
        run = reader.run("p-1")
        assert run is not None
        return play_plate(run, reader, there(shop))


@pytest.fixture(scope="module")
def one(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    """A plate without trouble, to be looked at only."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("platelink.simulated.virtual.Bench.grain_s", 0.04)
        return made(tmp_path_factory.mktemp("one"), _nothing)


@pytest.mark.parametrize("trouble", [_acts, _crash, _unwritten])
def test_it_comes_the_same_to_the_bit(
    tmp_path: Path, trouble: Callable[[Shop], Awaitable[None]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("platelink.simulated.virtual.Bench.grain_s", 0.04)
    shop = made(tmp_path, trouble)
    tried = played(shop)
    assert len(tried) == (1 if trouble is _acts else 2)
    for part in tried:
        assert part.problems == [] and part.differences == []
    with JournalReader.open(shop.config.journal.path) as reader:
        whole = list(play_all(there(shop), reader))
        assert whole == list(play_all(there(shop), reader, processes=2))
        events = sum(
            len([e for e in reader.events(r.start.run_id) if e.name != EventName.INPUTS_TAPED])
            for r in reader.runs()
        ) + len(reader.unit_events())
        samples = sum(len(reader.samples(r.start.run_id)) for r in reader.runs())
    assert all(part.same for part in whole)
    if trouble is _acts:  # a crash loses a block in hand, and recovery writes beside the core
        assert sum(part.counted.events for part in whole) == events > 60
        assert sum(part.counted.samples for part in whole) == samples > 300
    assert sum(part.counted.commands for part in whole) > 100
    assert sum(part.counted.states for part in whole) > 20


def test_its_close_is_sealed_with_the_tape(one: Shop) -> None:
    with JournalReader.open(one.config.journal.path) as reader:
        run = reader.run("p-1")
        assert run is not None and run.end is not None
        taped = tape_of(run, reader)
        assert taped is not None and taped.tape == there(one)[0].name
        names = [event.name for event in reader.events("p-1")]
        assert names.count(EventName.INPUTS_TAPED) == 1
    (part,) = played(one)
    assert part.same and part.inputs == taped.inputs


def see_more(monkeypatch: pytest.MonkeyPatch) -> None:
    """Another release: it takes the same light for a hundredth more."""
    plain = LightSensors.irradiances_mw_cm2

    def more(self: LightSensors, *counts: Any) -> Any:
        found, channels = plain(self, *counts)
        return 1.01 * found, channels

    monkeypatch.setattr(LightSensors, "irradiances_mw_cm2", more)


def test_another_unit_makes_it_otherwise_and_it_is_said_when(
    one: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    see_more(monkeypatch)
    (part,) = played(one)
    assert not part.same and part.problems == []
    whats = {found.what.partition(" ")[0] for found in part.differences}
    assert {"event", "samples", "state"} <= whats
    found = next(d for d in part.differences if "irradiance_mw_cm2" in d.what)
    assert float(found.now) == pytest.approx(1.01 * float(found.recorded), rel=1e-9)
    times = [d.at_utc_ms for d in part.differences]
    assert times == sorted(times) and times[0] > 0


def test_a_release_that_fails_says_at_which_input(
    one: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(self: LightSensors, *counts: Any) -> Any:
        raise ZeroDivisionError("of this release")

    monkeypatch.setattr(LightSensors, "irradiances_mw_cm2", fails)
    (part,) = played(one)
    (problem, _) = part.problems
    assert "fails: ZeroDivisionError: of this release" in problem


def test_a_changed_record_comes_otherwise(one: Shop, tmp_path: Path) -> None:
    """Somebody wrote another dose into the end of the exposure."""
    journal = copied(one, tmp_path)
    with sqlite3.connect(journal) as database:
        database.execute("DROP TRIGGER entries_no_update")
        row = "kind = 'end' AND body LIKE '%\"dose_mj_cm2\":%' AND run_id != 'p-1'"
        (body,) = database.execute(f"SELECT body FROM entries WHERE {row} LIMIT 1").fetchone()
        dose = json.loads(body)["dose_mj_cm2"]
        assert dose is not None
        database.execute(
            "UPDATE entries SET body = replace(body, ?, '99.0') WHERE body = ?",
            (json.dumps(dose), body),
        )
    with JournalReader.open(journal) as reader:
        run = reader.run("p-1")
        assert run is not None
        (part,) = play_plate(run, reader, there(one))
    (found,) = part.differences
    assert found.what.endswith(", dose_mj_cm2")
    assert float(found.recorded) == 99.0 and float(found.now) == pytest.approx(dose)


def copied(shop: Shop, to: Path) -> Path:
    """The shop's journal and its tapes in another place."""
    journal = shop.config.journal.path
    with sqlite3.connect(journal) as one, sqlite3.connect(to / journal.name) as other:
        one.backup(other)
    shutil.copytree(folder_of(journal), folder_of(to / journal.name))
    return to / journal.name


def _of(journal: Path) -> list[Tape]:
    return tapes(folder_of(journal))


def _play(journal: Path) -> list[Played]:
    with JournalReader.open(journal) as reader:
        run = reader.run("p-1")
        assert run is not None
        return play_plate(run, reader, _of(journal))


def test_packed_it_is_the_same_and_a_fraction_as_long(one: Shop, tmp_path: Path) -> None:
    journal = copied(one, tmp_path)
    (tape,) = _of(journal)
    before, records = tape.bytes(), list(tape.records())
    for path in tape.parts:
        pack_part(path)
    assert list(tape.records()) == records
    assert tape.bytes() < 0.1 * before
    (part,) = _play(journal)
    assert part.same


def test_a_changed_tape_is_found(one: Shop, tmp_path: Path) -> None:
    """An act was taken out and the tape written anew: its hash was sealed with the plate."""
    journal = copied(one, tmp_path)
    (tape,) = _of(journal)
    (path,) = tape.parts
    head = next(body for kind, body in sections(path) if kind == HEAD)
    kept = [r for r in tape.records() if not (r.kind is Kind.CALL and b'"alarm"' in r.body)]
    acts = [i for i, r in enumerate(kept) if r.kind is Kind.TICK]
    moved = kept[acts[5]]
    kept[acts[5]] = moved._replace(at=moved.at._replace(utc_ms=moved.at.utc_ms + 1))
    path.write_bytes(b"PLT1" + section(HEAD, head) + section(RAW, b"".join(r.pack() for r in kept)))
    (part,) = _play(journal)
    assert part.problems == ["the tape is not what it was at its close: it was changed"]


def _cut(path: Path) -> None:
    data = path.read_bytes()  # what came after the plate's close may be long: not the end alone
    path.write_bytes(data[: len(data) // 2])


def _flip(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(bytes(data))


def _of_format(number: int) -> Callable[[Path], None]:
    def change(path: Path) -> None:
        kinds = list(sections(path))
        plain = json.loads(lzma.decompress(kinds[0][1])) | {"format": number}
        head = lzma.compress(json.dumps(plain).encode())
        rest = b"".join(section(k, b) for k, b in kinds[1:])
        path.write_bytes(b"PLT1" + section(HEAD, head) + rest)

    return change


@pytest.mark.parametrize(
    ("harm", "says"),
    [
        (_cut, "inputs of"),
        (_flip, "is damaged"),
        (_of_format(3), "tape format 3, this release reads 2"),
        (_of_format(1), "tape format 1, this release reads 2"),
        (lambda path: path.write_bytes(b"text"), "is no tape of inputs"),
        (lambda path: path.unlink(), "is not there any more"),
    ],
)
def test_a_damaged_tape_is_said_to_be(
    one: Shop, tmp_path: Path, harm: Callable[[Path], None], says: str
) -> None:
    journal = copied(one, tmp_path)
    harm(_of(journal)[0].parts[-1])
    with JournalReader.open(journal) as reader:
        run = reader.run("p-1")
        assert run is not None
        try:
            (part,) = play_plate(run, reader, _of(journal))
        except TapeError as error:
            told = str(error)
        else:
            told = " ".join(part.problems)
    assert says in told


def command(shop: Shop, journal: Path, *words: str) -> Any:
    return CliRunner().invoke(main, ["replay", *words, "--journal", str(journal)])


def test_the_command_says_what_it_compared(one: Shop, tmp_path: Path) -> None:
    journal = copied(one, tmp_path)
    for words in (["p-1"], ["--all"], ["--all", "--since", "2020-01-01"]):
        said = command(one, journal, *words)
        assert said.exit_code == 0, said.output
        assert "states: the same" in said.output
        assert f"release {__version__} does the same, to the bit" in said.output
    plain = json.loads(command(one, journal, "p-1", "--json").output)
    assert plain["same"] is True and plain["tapes"][0]["counted"]["runs"] == 4


def test_the_command_says_what_came_otherwise(
    one: Shop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    journal = copied(one, tmp_path)
    see_more(monkeypatch)
    said = command(one, journal, "p-1")
    assert said.exit_code == 1
    assert "NOT the same" in said.output and "recorded  " in said.output
    assert "to the bit" not in said.output


def test_samples_that_were_removed_by_the_rule_are_said_not_to_be_compared(
    one: Shop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    journal, plain = copied(one, tmp_path), JournalReader.run

    def gone(self: JournalReader, run_id: str) -> RunRecord | None:
        found = plain(self, run_id)
        assert found is not None
        return replace(found, removed=Removed(1, datetime(2026, 6, 1, tzinfo=UTC), 400, ""))

    monkeypatch.setattr(JournalReader, "run", gone)
    monkeypatch.setattr(JournalReader, "samples", lambda self, run_id: join([]))
    said = command(one, journal, "p-1")
    assert said.exit_code == 0, said.output
    assert ", 0 samples, " in said.output
    assert "samples of 4 runs were removed, and are not compared" in said.output


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([], "name one PLATE, or give --all"),
        (["p-1", "--all"], "name one PLATE, or give --all"),
        (["p-1", "--since", "2026-01-01"], "--since goes with --all"),
        (["nobody"], "no run in"),
    ],
)
def test_the_command_refuses(one: Shop, tmp_path: Path, words: list[str], says: str) -> None:
    said = command(one, copied(one, tmp_path), *words)
    assert said.exit_code == 2 and says in said.output


def supported(shop: Shop, to: Path, *, names: bool = True) -> tuple[list[Played], str]:
    """A folder for support: what comes of it, and all its text."""
    with JournalReader.open(shop.config.journal.path) as reader:
        run = reader.run("p-1")
        assert run is not None
        write(run, reader, there(shop), to, names=names)
    journal = to / JOURNAL
    with JournalReader.open(journal) as reader:
        bodies = [str(body) for (body,) in reader.rows("SELECT body FROM entries")]
    calls = [r.body.decode() for t in _of(journal) for r in t.records() if r.kind is Kind.CALL]
    heads = [repr(t.beginning().told) for t in _of(journal)]
    return _play(journal), "\n".join([*bodies, *calls, *heads])


@pytest.mark.parametrize("names", [True, False])
def test_what_is_for_support_makes_it_again(one: Shop, tmp_path: Path, names: bool) -> None:
    (part,), text = supported(one, tmp_path / "given", names=names)
    assert part.problems == [] and part.differences == []
    assert part.counted.samples > 300 and part.counted.events > 50
    assert (WHO in text) is names and ("person-1" in text) is not names


def test_of_a_plate_over_two_lives_of_the_daemon_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("platelink.simulated.virtual.Bench.grain_s", 0.04)
    (tmp_path / "shop").mkdir()
    shop = made(tmp_path / "shop", _crash)
    parts, text = supported(shop, tmp_path / "given", names=False)
    assert len(parts) == 2 and all(part.same for part in parts)
    assert WHO not in text
