"""Notes and corrections after a plate's end, filters, the table and trends, over the service."""

from pathlib import Path
from typing import Any

import pytest
from record.test_search import shop_journal

from api.api_shop import AUDITOR, LEAD, OPERATOR, Shop, shop
from platelink.client import ClientError
from platelink.record.reader import JournalReader


def refused(work: Any, *given: Any, **more: Any) -> tuple[str, str]:
    with pytest.raises(ClientError) as error:
        work(*given, **more)
    return error.value.kind, str(error.value)


def post(this: Shop, name: str, path: str, **body: Any) -> Any:
    with this.client(name) as client:
        return client.post(path, **body)


def test_notes_and_corrections_are_asked_of_the_daemon(tmp_path: Path) -> None:
    shop_journal(tmp_path / "journal.sqlite")
    with shop(tmp_path, people=True) as this:
        post(this, OPERATOR, "/plates/P-1/note", text="scratch")
        assert this.daemon.asked[-1] | {} == {
            "do": "plate_note", "plate": "P-1", "text": "scratch", "who": OPERATOR,
            "role": "operator",
        }  # fmt: skip
        post(this, LEAD, "/plates/P-1/correct", field="depth", point="large area",
             value="24,5 µm", why="digits swapped")  # fmt: skip
        asked = this.daemon.asked[-1]
        assert (asked["do"], asked["field"], asked["was"], asked["now"], asked["who"]) == (
            "plate_correct", "depth large area", 42.5, 24.5, LEAD,
        )  # fmt: skip
        post(this, LEAD, "/plates/P-3/correct", field="verdict", value="good", why="judged anew")
        assert (this.daemon.asked[-1]["was"], this.daemon.asked[-1]["now"]) == ("reject", "good")
        before = len(this.daemon.asked)
        for name in (OPERATOR, AUDITOR):  # no right to correct
            kind, _ = refused(post, this, name, "/plates/P-1/correct", field="lot", value="L-9",
                              why="x")  # fmt: skip
            assert kind == "no right"
        assert refused(post, this, AUDITOR, "/plates/P-1/note", text="x")[0] == "no right"
        for body, words in (
            ({"field": "depth", "point": "nowhere", "value": "24"}, "large area"),
            ({"field": "depth", "point": "large area", "value": "deep"}, "24.5 um"),
            ({"field": "depth", "point": "large area", "value": "42.5 um"}, "already"),
            ({"field": "verdict", "value": "fine"}, "good or reject"),
            ({"field": "lot", "value": "L-0"}, "already"),
        ):
            kind, text = refused(post, this, LEAD, "/plates/P-1/correct", why="x", **body)
            assert kind == "refused" and words in text, text
        assert refused(post, this, LEAD, "/plates/P-9/note", text="x")[0] == "unknown"
        assert refused(post, this, LEAD, "/plates/run-1/note", text="x")[0] == "unknown"
        assert refused(post, this, LEAD, "/plates/P-1/correct", field="lot", value="L-9")[0] in (
            "misuse", "refused",
        )  # fmt: skip
        assert len(this.daemon.asked) == before


def test_a_dose_is_stated_again_beside_what_was_recorded(tmp_path: Path) -> None:
    shop_journal(path := tmp_path / "journal.sqlite")
    with JournalReader.open(path) as reader:
        parts = [part for part in reader.parts("P-1") if part.end and part.end.dose_mj_cm2]
        run_id, end = parts[0].start.run_id, parts[0].end
        assert end is not None and end.dose_mj_cm2 is not None
    with shop(tmp_path, people=True) as this:
        body = {"field": "dose", "value": "195.7 mJ/cm2", "run_id": run_id, "why": "light 0: faded"}
        post(this, LEAD, "/plates/P-1/correct", **body)
        asked = this.daemon.asked[-1]
        assert (asked["field"], asked["was"], asked["now"]) == (
            f"dose {run_id}", end.dose_mj_cm2, 195.7,
        )  # fmt: skip
        post(this, LEAD, "/plates/P-1/correct", **{**body, "value": "0.2 J/cm2"})
        assert this.daemon.asked[-1]["now"] == 200.0
        before = len(this.daemon.asked)
        for more, words in (
            ({"run_id": None}, run_id),
            ({"run_id": "nobody"}, run_id),
            ({"value": "much"}, "a dose: "),
            ({"value": "-1 mJ/cm2"}, "must be greater than 0"),
            ({"value": "2000001 mJ/cm2"}, "must be at most 1e+06"),
            ({"value": f"{end.dose_mj_cm2} mJ/cm2"}, "already"),
        ):
            kind, text = refused(post, this, LEAD, "/plates/P-1/correct", **{**body, **more})
            assert kind == "refused" and words in text, text
        assert refused(post, this, OPERATOR, "/plates/P-1/correct", **body)[0] == "no right"
        assert len(this.daemon.asked) == before


def test_one_set_of_filters(tmp_path: Path) -> None:
    shop_journal(tmp_path / "journal.sqlite")
    with shop(tmp_path) as this, this.client() as client:
        every: tuple[dict[str, str], ...] = (
            {"lot": "L-0"}, {"alarm": "high"}, {"verdict": "reject"}, {"person": "Ärna"},
            {"recipe": "plate-a@2"}, {"screen": "screen-9"},
        )  # fmt: skip
        for wanted in every:
            runs = [r["run_id"] for r in client.get("/runs", step="plate", **wanted)["runs"]]
            plates = [p["plate"] for p in client.get("/plates", **wanted)["on_record"]]
            assert runs == plates != [], wanted
        table = client.get("/runs-table", form="json", alarm="high")
        assert [r["run_id"] for r in table["runs"]] == ["run-2", "P-2"]
        assert [r["alarms"] for r in table["runs"]] == [["contact lost"]] * 2
        assert {t["what"] for t in client.get("/trends", since="2020-01-01T00:00Z")["trends"]}
        marks = client.get("/runs/run-2/story")["marks"]
        assert [mark["kind"] for mark in marks] == ["alarm"]
