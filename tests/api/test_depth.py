"""The depth predicted of a plate, as the service answers it."""

from __future__ import annotations

from pathlib import Path

from finding.shop_journal import Made, shop_at

from api.api_shop import OPERATOR, shop
from platelink.client import ClientError
from platelink.contract.predicted import DepthQuery


def test_of_a_plate_that_goes_on_and_of_one_that_says_nothing_yet(tmp_path: Path) -> None:
    with shop_at(tmp_path / "journal.sqlite") as made:
        made.usual(30)
        made.make(Made(plate="now", lot="L-1"))
        made.make(Made(plate="in the light", state="stopped"))
    with shop(tmp_path, people=True) as this, this.client(OPERATOR) as client:
        found = client.typed.depth("now")
        assert found.verdict == "go on" and found.record is not None
        assert found.points[0].learned_from == 30 and found.causes == []
        asked = client.typed.depth("now", DepthQuery(symptom="soft edges"))
        assert asked.causes[0].probability > 0.0
        early = client.typed.depth("in the light")
        assert early.record is None and "not complete" in early.text
        for plate, query, kind, words in (
            ("nobody's", None, "unknown", "there is no plate"),
            ("now", DepthQuery(symptom="odd"), "misuse", "soft edges"),
        ):
            try:
                client.typed.depth(plate, query)
            except ClientError as error:
                assert error.kind == kind and words in str(error)
            else:
                raise AssertionError(plate)
