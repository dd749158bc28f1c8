"""Questions by HTTP: as the command line answers them, within the time of a request."""

from __future__ import annotations

from pathlib import Path

import pytest
from facts.shop import Oracle, asking, made_at

from api.api_shop import AUDITOR, shop
from platelink.client import ClientError
from platelink.contract.facts import Asked
from platelink.facts import build
from platelink.facts.build import facts_beside


def test_questions_are_answered_as_elsewhere(tmp_path: Path) -> None:
    path = made_at(tmp_path / "journal.sqlite", 12)
    oracle = Oracle(path)
    with shop(tmp_path, people=True) as this, this.client(AUDITOR) as client:
        found = client.get("/ask/plates", verdict="good", limit=3)
        with asking(path) as facts:
            assert found == facts.pieces(Asked(verdict="good", limit=3)).model_dump(mode="json")
        assert len(found["made"]) == 3 and found["more"] and not found["behind"]
        where = ["vacuum below 60 kPa", "irradiance above 5 mW/cm2 for 1 s"]
        both = client.get("/ask/plates", where=where)["made"]
        assert all(len(one["matched"]) == 2 for one in both)
        opened = client.get("/ask/plates/P-000003")
        assert opened["steps"][0]["curves"]["vacuum_kpa"]["values"]
        two = client.get("/ask/compare", first="P-000001", second="P-000002")
        assert two["differences"] and two["first"]["name"] == "P-000001"
        touched = client.get("/ask/sensors/light 0", since="2026-03-02T00:00Z", factor=2.0)
        assert len(touched["made"]) == len(oracle.whole) and touched["doses"]
        days = client.get("/ask/days")["days"]
        assert sum(day["made"] for day in days) == len(oracle.whole)


@pytest.mark.parametrize(
    ("path", "query", "kind"),
    [
        ("/ask/plates", {"where": "wind above 3"}, "refused"),
        ("/ask/plates", {"text": "ab"}, "misuse"),
        ("/ask/plates", {"colour": "red"}, "misuse"),
        ("/ask/plates/nobody", {}, "unknown"),
        ("/ask/sensors/nothing", {"since": "2026-03-02T00:00Z"}, "refused"),
        ("/ask/compare", {"first": "P-000001"}, "misuse"),
    ],
)
def test_what_cannot_be_answered_is_refused(
    tmp_path: Path, path: str, query: dict[str, str], kind: str
) -> None:
    made_at(tmp_path / "journal.sqlite", 1, samples=False)
    with (
        shop(tmp_path, people=True) as this,
        this.client(AUDITOR) as client,
        pytest.raises(ClientError) as caught,
    ):
        client.get(path, **query)
    assert caught.value.kind == kind


def test_a_request_does_not_wait_for_all_of_a_long_journal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = made_at(tmp_path / "journal.sqlite", 6, samples=False)
    monkeypatch.setattr(build, "BATCH", 40)
    monkeypatch.setattr("platelink.api.routes.ask.BRING_UP_S", -1.0)
    with shop(tmp_path, people=True) as this, this.client(AUDITOR) as client:
        assert client.get("/ask/plates")["behind"] > 0
        monkeypatch.setattr("platelink.api.routes.ask.BRING_UP_S", 60.0)
        found = client.get("/ask/plates")
    assert not found["behind"] and len(found["made"]) == 7
    assert facts_beside(path).exists()
