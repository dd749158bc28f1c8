"""A sealed record's report, and a plate's label, as files over the service."""

import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from record.test_search import shop_journal

from api.api_shop import AUDITOR, Shop, shop
from platelink.evidence.sealer import Sealer, SealPlaces

AT = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)


def seal(folder: Path) -> None:
    path = folder / "journal.sqlite"
    places = SealPlaces(
        "invented-shop", "unit-1", path, path.with_suffix(".seals"),
        path.with_suffix(".seals.key"), (),
    )  # fmt: skip
    with closing(Sealer(places, lambda: AT)) as sealer:
        sealer.round()


def got(this: Shop, path: str) -> tuple[int, str, str, bytes]:
    with closing(this.browser(AUDITOR)) as browser:
        answer = browser.get(f"/v1/runs/{path}")
    head = answer.headers
    return answer.status_code, head["content-type"], head.get("content-disposition", ""), (
        answer.content
    )  # fmt: skip


@pytest.mark.timeout(300)
def test_who_may_read_the_record_gets_its_report_and_its_label(tmp_path: Path) -> None:
    shop_journal(tmp_path / "journal.sqlite")
    with shop(tmp_path, people=True) as this:
        assert this.browser().get("/v1/runs/P-1/report").status_code == 401
        assert this.browser().get("/v1/runs/P-1/label").status_code == 401
        status, _, _, said = got(this, "P-1/report")
        assert status == 409 and b"not sealed yet" in said
        seal(tmp_path)
        pdf = got(this, "P-1/report")
        assert pdf[:3] == (200, "application/pdf", 'attachment; filename="P-1.pdf"')
        assert pdf[3].startswith(b"%PDF-") and b"record.json" in pdf[3]
        html = got(this, "run-1/report?form=html")  # of the plate that it is a part of
        assert html[:3] == (
            200, "text/html; charset=utf-8", 'attachment; filename="P-1.html"'
        )  # fmt: skip
        assert b"Plate P-1" in html[3] and b"platelink verify P-1" in html[3]
        label = got(this, "P-1/label")
        assert label[:3] == (200, "application/pdf", 'attachment; filename="label-P-1.pdf"')
        assert label[3].startswith(b"%PDF-")
        assert got(this, "run-1/label")[0] == 409
        assert got(this, "P-9/report")[0] == got(this, "P-9/label")[0] == 404
        assert got(this, "P-1/report?form=doc")[0] == 422


def test_a_record_that_was_changed_gets_no_report(tmp_path: Path) -> None:
    shop_journal(tmp_path / "journal.sqlite")
    seal(tmp_path)
    with closing(sqlite3.connect(tmp_path / "journal.sqlite")) as raw:
        for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'"):
            raw.execute(f"DROP TRIGGER {name}")
        raw.execute("UPDATE entries SET body = json_set(body, '$.operator', 'somebody-else') "
                    "WHERE run_id = 'P-1' AND kind = 'start'")  # fmt: skip
        raw.commit()
    with shop(tmp_path, people=True) as this:
        status, _, _, said = got(this, "P-1/report")
        assert status >= 400 and b"P-1 is not what was sealed; see platelink verify" in said
