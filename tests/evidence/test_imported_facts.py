"""Questions to records of other units: beside the own ones, and in none of their figures."""

from __future__ import annotations

import json
import shutil
import sqlite3
import zlib
from contextlib import closing
from datetime import UTC, datetime

import pytest
from api.api_shop import AUDITOR, shop
from facts.shop import content
from facts.shop import made_at as plates_at

from evidence.test_commands import Unit
from evidence.test_importing import _own_bytes, _renamed
from platelink.config.load import load
from platelink.daemon.sealing import seal_places
from platelink.evidence.beside import imported_path
from platelink.evidence.imported_facts import imported_facts_beside
from platelink.facts.build import facts_beside
from platelink.record.journal import Journal
from platelink.simulated.invented import Shop as Invented

pytestmark = pytest.mark.timeout(600)


@pytest.fixture(scope="module")
def bags(tmp_path_factory):
    """Six plates of another unit and a lone exposure, as bundles; its key; its answers."""
    folder = tmp_path_factory.mktemp("a")
    plates_at(folder / "journal.sqlite", 6, seed=9)
    a = _renamed(Unit(folder), "unit-1")
    a.places = seal_places(load(a.config))
    assert not a.seal()
    a.says("bundle", "--since", "2026-01-01", "--to", folder / "bags")
    a.key, a.bags = a.says("seal", "key").strip(), folder / "bags"
    return a


@pytest.fixture(scope="module")
def taken(tmp_path_factory, bags):
    """The unit that took them in, with five plates of its own of the same names."""
    folder = tmp_path_factory.mktemp("b")
    with Journal.open(folder / "journal.sqlite", unit="unit-b", new_uuid="b" * 16) as journal:
        Invented(journal, datetime(2026, 5, 4, 8, tzinfo=UTC), 9).plates(5)
    unit = _renamed(Unit(folder), "unit-b")
    unit.says("import", bags.bags, "--key", bags.key)
    unit.says("index")
    return unit


@pytest.fixture
def b(tmp_path, taken):
    """The same, to be changed."""
    folder = tmp_path / "b"
    shutil.copytree(taken.folder, folder)
    return _renamed(Unit(folder), "unit-b")


def _asked(unit, *words):
    return json.loads(unit.says("ask", "plates", *words, "--json"))


def _imported_facts(unit):
    return imported_facts_beside(facts_beside(unit.places.journal))


QUESTIONS = (
    (), ("--verdict", "good"), ("--text", "roller"), ("--recipe", "plate-a-fine"),
    ("--where", "vacuum under 60 kPa for 1 s"), ("--where", "irradiance below 9.3 mW/cm2 for 5 s"),
    ("--off", "0.5"), ("--kind", "expose"),
    ("--since", "2026-03-02T09:00+00:00", "--until", "2026-03-02"),
    ("--between", "P-000002", "P-000005"), ("--calibration", "light 0@2"), ("--limit", "3"),
)  # fmt: skip


@pytest.mark.parametrize("words", QUESTIONS, ids=" ".join)
def test_what_was_imported_answers_as_it_did_at_the_unit_it_comes_from(bags, taken, words):
    there = _asked(bags, *words)
    if "--between" in words:
        words = ("--between", "unit-1/P-000002", "unit-1/P-000005")
    here = _asked(taken, *words)
    assert here["imported"]["more"] == there["more"]
    assert not here["imported"]["behind"] and not here["imported"]["left_out"]
    found = here["imported"]["made"]
    # What lies outside a record is not known of it, and is not said to be nothing.
    differs = {"imported", "lamp_set", "alarms"}
    for one, was in zip(found, there["made"], strict=True):
        assert {k for k in one if one[k] != was[k]} <= differs
        assert one["lamp_set"] == "" and one["alarms"] == []
        assert one["imported"]["called"] == f"unit-1/{was['run_id']}"
        assert one["imported"]["key"] == bags.key


def test_the_questions_find_something_and_leave_something_out(taken):
    sizes = {words: len(_asked(taken, *words)["imported"]["made"]) for words in QUESTIONS[1:9]}
    assert all(0 < size < 7 for size in sizes.values()), sizes


def test_nothing_of_it_is_in_the_own_answers_and_figures(b, tmp_path):
    def figures():
        own = {key: value for key, value in _asked(b).items() if key != "imported"}
        return (
            own, b.says("ask", "days"), b.says("ask", "sensor", "light 0", "--since", "2026-01-01"),
            b.says("runs"), b.says("ask", "parquet", tmp_path / "out"),
            json.loads(b.says("ask", "compare", "P-000001", "P-000005", "--json"))["differences"],
            content(facts_beside(b.places.journal)), _own_bytes(b),
        )  # fmt: skip

    with_them = figures()
    assert [one["name"] for one in with_them[0]["made"]] == [f"P-{n:06d}" for n in range(5, 0, -1)]
    assert all(one["imported"] is None for one in with_them[0]["made"])
    imported_path(b.places.journal).unlink()
    assert figures() == with_them
    assert _asked(b)["imported"] is None


def test_one_is_opened_and_compared_by_unit_and_name(bags, b):
    mine = json.loads(bags.says("ask", "plate", "P-000003", "--json"))
    told = json.loads(b.says("ask", "plate", "unit-1/P-000003", "--json"))
    assert told["steps"] == mine["steps"] and told["steps"][0]["curves"]
    assert told["imported"]["site"] == "invented-shop" and mine["imported"] is None
    own = json.loads(b.says("ask", "plate", "P-000003", "--json"))
    assert own["unit"] == "unit-b" and own["imported"] is None
    text = b.says("ask", "plate", "unit-1/P-000003")
    assert (
        "of unit unit-1 (invented-shop), not of this one" in text and "verified again now" in text
    )
    assert "not of this one" not in b.says("ask", "plate", "P-000003")
    found = json.loads(b.says("ask", "compare", "P-000003", "unit-1/P-000003", "--json"))
    assert (found["first"]["unit"], found["second"]["unit"]) == ("unit-b", "unit-1")
    assert found["differences"]
    assert "no plate or run 'unit-1/P-9'" in b.says("ask", "plate", "unit-1/P-9", code=2)


def test_what_no_imported_record_tells_is_not_answered_with_nothing(b):
    for words in (
        ("--alarm", "contact lost"), ("--lamp-set", "1"), ("--lamps-of", "P-000001"),
    ):  # fmt: skip
        answer = _asked(b, *words)["imported"]
        assert answer["cannot"] == [words[0][2:].replace("-", "_")] and answer["made"] == []
    said = b.says("ask", "plates", "--lamp-set", "1")
    assert "imported records were not asked: none tells of lamp_set" in said
    assert "of other units, each verified again" not in said
    assert "of other units, each verified again" in b.says("ask", "plates")


def test_by_unit_the_one_or_the_other_is_asked(b):
    own, other = _asked(b, "--unit", "unit-b"), _asked(b, "--unit", "UNIT-1")
    assert len(own["made"]) == 5 and own["imported"]["made"] == []
    assert other["made"] == [] and len(other["imported"]["made"]) == 7


def _change(unit, name, was, now, path="data/record.json"):
    with closing(sqlite3.connect(imported_path(unit.places.journal))) as raw:
        raw.execute("DROP TRIGGER IF EXISTS files_no_update")
        where = "WHERE path = ? AND bundle = (SELECT number FROM bundles WHERE name = ?)"
        (body,) = raw.execute(f"SELECT body FROM files {where}", (path, name)).fetchone()
        changed = zlib.decompress(body).replace(was, now)
        assert changed != zlib.decompress(body)
        raw.execute(f"UPDATE files SET body = ? {where}", (zlib.compress(changed), path, name))
        raw.commit()


def test_what_does_not_verify_any_more_is_no_answer_and_that_is_said(b):
    assert len(_asked(b)["imported"]["made"]) == 7  # known, from before it was changed
    _change(b, "P-000003", b"P-000003", b"P-000009")
    answer = _asked(b)["imported"]
    assert len(answer["made"]) == 6 and answer["left_out"] == 1
    assert "unit-1/P-000003 is not what was imported: data/record.json" in answer["why"][0]
    assert "left out: unit-1/P-000003 is not what was imported" in b.says("ask", "plates")
    said = b.says("ask", "plate", "unit-1/P-000003", code=2)
    assert "is not what was imported" in said
    # The same where the facts are made of it as it is now.
    b.says("index", "--anew")
    answer = _asked(b)["imported"]
    assert len(answer["made"]) == 6 and answer["left_out"] == 1
    assert "is not what was imported" in b.says("ask", "plate", "unit-1/P-000003", code=2)


def test_a_store_that_cannot_be_read_keeps_nobody_from_the_own(b):
    imported_path(b.places.journal).write_bytes(b"nothing of ours" * 100)
    answer = _asked(b)
    assert len(answer["made"]) == 5 and answer["imported"]["made"] == []
    assert "is not a store of imported records" in answer["imported"]["why"][0]
    assert "left out: " in b.says("ask", "plates")


def test_the_facts_of_imports_are_followed_rebuilt_and_doubted(b):
    anew = json.loads(b.says("index", "--anew", "--json"))["imported"]
    facts = _imported_facts(b)
    assert (anew["records"], anew["made"], anew["facts"]) == (7, 7, str(facts))
    before = content(facts)
    assert json.loads(b.says("index", "--json"))["imported"]["records"] == 0
    facts.unlink()
    b.says("index")
    assert content(facts) == before
    facts.write_bytes(facts.read_bytes()[:5000])
    assert len(_asked(b)["imported"]["made"]) == 7 and content(facts) == before
    assert "7 imported records taken up, 7 of them to be asked" in b.says("index", "--anew")


def test_with_an_older_store_the_facts_forget_what_it_does_not_have(b, bags):
    store = imported_path(b.places.journal)
    store.unlink()
    b.says("import", bags.bags / "P-000001", "--key", bags.key)
    older = store.read_bytes()
    assert [one["name"] for one in _asked(b)["imported"]["made"]] == ["P-000001"]
    b.says("import", bags.bags / "P-000002", "--key", bags.key)
    assert [one["name"] for one in _asked(b)["imported"]["made"]] == ["P-000002", "P-000001"]
    store.write_bytes(older)
    assert [one["name"] for one in _asked(b)["imported"]["made"]] == ["P-000001"]


def test_the_service_answers_the_same(b, tmp_path):
    folder = tmp_path / "service"
    folder.mkdir()
    for path in b.folder.glob("journal.*"):
        (folder / path.name).write_bytes(path.read_bytes())
    with shop(folder, people=True) as this, closing(this.browser(AUDITOR)) as browser:
        answer = browser.get("/v1/ask/plates?verdict=good").json()
        assert answer == _asked(b, "--verdict", "good")
        assert answer["imported"]["made"]
        opened = browser.get("/v1/ask/plates/unit-1/P-000003")
        assert opened.status_code == 200 and opened.json()["unit"] == "unit-1"
        assert browser.get("/v1/ask/plates/unit-1%2FP-000003").json() == opened.json()
        two = browser.get("/v1/ask/compare?first=P-000001&second=unit-1/P-000003").json()
        assert two["second"]["imported"]["called"] == "unit-1/P-000003"
        assert browser.get("/v1/ask/plates/unit-1/P-9").status_code == 404
        there = browser.get("/v1/ask/values").json()["values"]
        own, theirs = (
            {name for one in found["made"] for name in one["calibrations"]}
            for found in (answer, answer["imported"])
        )
        assert own and theirs - own and own | theirs <= set(there["calibration"])
