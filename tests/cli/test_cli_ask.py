"""The commands of docs/ask.md, run as they stand there on invented plates."""

from __future__ import annotations

import json
import re
import shlex
from importlib.util import find_spec
from pathlib import Path

import pytest
from cli_runs import run
from facts.shop import made_at

from platelink.cli.plate_after import restate
from platelink.client import ClientError
from platelink.contract.facts import Restated
from platelink.contract.plates import PlateCorrectionAsked
from platelink.facts.build import facts_beside

DOCS = (Path(__file__).parents[2] / "docs" / "ask.md").read_text("utf-8")
COMMANDS = re.findall(r"^\|.*\| `platelink (ask .+)` \|$", DOCS, re.MULTILINE)


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made_at(tmp_path_factory.mktemp("ask") / "journal.sqlite", 40)


@pytest.mark.parametrize("command", COMMANDS)
def test_a_question_of_the_document_is_answered(command: str, journal: Path) -> None:
    words = [*shlex.split(command), "--journal", str(journal)]
    text, found = run(*words), run(*words, "--json")
    assert (text.exit_code, found.exit_code) == (0, 0), text.output + found.output
    answer = json.loads(found.stdout)
    for name in ("made", "days", "differences", "steps"):
        if name in answer:
            assert answer[name], command
            assert len(text.stdout.splitlines()) > 1
    if "made" in answer:
        assert all(one["name"] in text.stdout or "doses" in answer for one in answer["made"])
        assert not answer["behind"] and not answer["unread"]


def test_the_document_has_every_question() -> None:
    assert len(COMMANDS) >= 28


def test_a_table_of_plates_says_what_was_asked(journal: Path) -> None:
    where = ["--where", "vacuum under 60 kPa for 500 ms"]
    text = run("ask", "plates", *where, "--limit", "1", "--journal", str(journal)).stdout
    head, line, more = text.splitlines()
    assert head.split()[:3] == ["NAME", "BEGUN", "STATE"]
    assert re.search(r"vacuum below 60 kPa for \d\.\d{3} s$", line)
    assert more == "there are more: raise --limit, or narrow the question"


@pytest.mark.parametrize(
    ("words", "says", "code"),
    [
        (["plates", "--text", "ab"], "three characters", 2),
        (["plates", "--where", "wind above 3"], "write it as in 'vacuum below 50 kPa for 2 s'", 2),
        (["plate", "nobody"], "no plate or run 'nobody' is recorded", 2),
        (["sensor", "light 9", "--since", "2026-03-01"], "on record are: light 0", 2),
        (["sensor", "vacuum", "--since", "2026-03-01", "--dark", "1"], "no part in a dose", 2),
        (["sensor", "light 0", "--since", "2026-03-01", "--factor", "nan"], "factor: ", 2),
        (["sensor", "light 0", "--since", "2026-03-01", "--dark", "inf"], "dark: ", 2),
        (["sensor", "light 0", "--since", "2026-03-02", "--until", "2026-03-01"], "not before", 2),
        (["plates", "--off", "nan"], "off_pct: ", 2),
        (["plates", "--plate", "x" * 201], "plate: ", 2),
        (["plates", "--since", "2026-03-05", "--until", "2026-03-01"], "is not before", 2),
    ],
)  # fmt: skip
def test_what_cannot_be_answered_says_why(
    words: list[str], says: str, code: int, journal: Path
) -> None:
    result = run("ask", *words, "--journal", str(journal))
    assert result.exit_code == code
    assert says in " ".join(result.stderr.split())


def test_corrected_doses_stand_beside_the_recorded(journal: Path) -> None:
    since = ["--since", "2026-03-02", "--limit", "1", "--journal", str(journal)]
    text = run("ask", "sensor", "light 0", "--factor", "0.5", *since).stdout
    _, line, *_ = text.splitlines()
    recorded, corrected = re.findall(r"([\d.]+) mJ/cm²", line)
    assert float(corrected) == pytest.approx(float(recorded) / 2.0, rel=1e-3)


class Written:
    """A service that takes corrections, and refuses those of one plate."""

    def __init__(self, refuses: str = "") -> None:
        self.refuses, self.taken = refuses, list[tuple[str, PlateCorrectionAsked]]()

    def __enter__(self) -> Written:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def after_plate(self, plate: str, asked: PlateCorrectionAsked) -> None:
        if plate == self.refuses:
            raise ClientError("it is so already", "refused")
        self.taken.append((plate, asked))


def restated(plate: str, dose: float | None, why: str = "") -> Restated:
    return Restated(
        plate=plate, run_id=f"run of {plate}", step="film", began_utc="2026-03-02T10:00:00Z",
        read_with="as configured", target_mj_cm2=190.0, recorded_mj_cm2=190.0, again_mj_cm2=190.0,
        corrected_mj_cm2=dose, corrected_off_pct=None, why=why,
    )  # fmt: skip


def test_corrected_doses_are_written_down_each_with_the_reason(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    service = Written("P-2")
    monkeypatch.setattr("platelink.cli.plate_after.daemon", lambda: service)
    doses = [restated("P-1", 195.7004), restated("P-2", 1.0), restated("P-3", None, "damaged")]
    assert restate(doses, "light 0: faded") == {
        "run of P-1": "", "run of P-2": "it is so already", "run of P-3": "damaged",
    }  # fmt: skip
    ((plate, asked),) = service.taken
    assert (plate, asked.field, asked.value) == ("P-1", "dose", "195.700 mJ/cm2")
    assert (asked.run_id, asked.why) == ("run of P-1", "light 0: faded")


def test_doses_are_written_down_on_the_unit_only_and_corrected_ones(journal: Path) -> None:
    words = ["ask", "sensor", "light 0", "--since", "2026-03-02", "--record", "faded"]
    for more in ([], ["--factor", "1.1", "--journal", str(journal)]):
        said = run(*words, *more)
        assert said.exit_code == 2 and "--record goes with" in said.stderr


def test_index_says_what_it_did(journal: Path) -> None:
    facts = facts_beside(journal)
    run("index", "--journal", str(journal))
    assert "0 entries taken up" in run("index", "--journal", str(journal)).stdout
    facts.write_bytes(facts.read_bytes()[:5000])
    made = json.loads(run("index", "--journal", str(journal), "--json").stdout)
    assert made["anew"] and made["made"] == 41 and made["facts"] == str(facts)
    assert "rebuilt: as asked" in run("index", "--anew", "--journal", str(journal)).stdout


def test_parquet_holds_what_the_facts_hold(journal: Path, tmp_path: Path) -> None:
    if find_spec("pyarrow") is None:
        pytest.skip("needs pyarrow")
    import pyarrow.parquet as parquet

    words = ["ask", "parquet", str(tmp_path / "out"), "--journal", str(journal), "--json"]
    assert json.loads(run(*words).stdout) == {"made.parquet": 41, "steps.parquet": 241}
    made = parquet.read_table(tmp_path / "out" / "made.parquet").to_pylist()
    steps = parquet.read_table(tmp_path / "out" / "steps.parquet").to_pylist()
    listed = json.loads(run("ask", "plates", "--journal", str(journal), "--json").stdout)["made"]
    assert [m["name"] for m in reversed(made)] == [m["name"] for m in listed]
    assert [m["off_pct"] for m in reversed(made)] == [m["off_pct"] for m in listed]
    film = [s for s in steps if s["step"] == "film"]
    assert all(s["vacuum_low"] <= s["vacuum_mean"] <= s["vacuum_high"] for s in film)
