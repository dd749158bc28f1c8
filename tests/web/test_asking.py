"""A question in an address: what is asked of the service, how it is shown, what answers it."""

from __future__ import annotations

from urllib.parse import parse_qsl

import pytest
from browser.record_documents import piece
from starlette.datastructures import QueryParams

from platelink.contract.facts import Piece
from platelink.facts.compare import _NUMBERS, _TEXTS
from platelink.facts.derive import TAGS
from platelink.facts.questions import threshold
from platelink.web.asking import (
    FIELDS,
    LISTS,
    OF_A_STEP,
    WHATS,
    Level,
    What,
    because,
    conditions,
    level_of,
    named,
    ready,
    wanted,
)

DISPLAY = {"dose": "mJ/cm2", "irradiance": "mW/cm2", "vacuum": "kPa", "temperature": "degC"}
ABROAD = DISPLAY | {"vacuum": "inHg", "temperature": "degF"}


def asked(address: str, display: dict[str, str] = DISPLAY) -> list[tuple[str, str]]:
    return wanted(QueryParams(address), display)


def test_what_is_left_empty_and_what_asks_nothing_is_not_in_the_address() -> None:
    form = "text=&plate=&verdict=+reject+&quantity=&side=below&level=&seconds=&between=&colour=red"
    assert asked(form) == [("verdict", "reject")]
    again = asked("verdict=reject")
    assert again == [("verdict", "reject")]


@pytest.mark.parametrize("display", [DISPLAY, ABROAD])
@pytest.mark.parametrize("quantity", ["vacuum", "irradiance", "oven"])
def test_a_threshold_is_one_sentence_in_the_units_of_the_shop(
    quantity: str, display: dict[str, str]
) -> None:
    """The same that the command line takes, and it stays so when the address is opened again."""
    form = f"quantity={quantity}&side=above&level=14.25&seconds=2.5"
    ((name, where),) = asked(form, display)
    assert name == "where" and asked(f"where={where}", display) == [(name, where)]
    taken, shown = threshold(where), level_of(where)
    assert shown is not None and shown.decimals == 2
    assert (taken.quantity, taken.side, taken.seconds) == (quantity, "above", 2.5) == (
        shown.quantity, shown.side, shown.seconds
    )  # fmt: skip
    assert taken.level == pytest.approx(shown.level)
    assert (taken.level == 14.25) is (quantity == "irradiance" or display is DISPLAY)
    without_time = asked(f"quantity={quantity}&side=below&level=-3&seconds=", display)[0][1]
    assert without_time.startswith(f"{quantity} below -3 ") and " for " not in without_time


def test_what_was_written_by_hand_is_shown_as_it_stands() -> None:
    for text in ("vacuum under 50 kPa", "wind above 3 m", "oven below 1.2.3 degC", ""):
        assert level_of(text) is None


def test_each_condition_leads_to_the_question_without_it() -> None:
    question = asked(
        "verdict=reject&where=vacuum+below+50+kPa&between=P-1&between=P-2&lot=L&limit=7"
    )
    found = conditions(question)
    assert [one.name for one in found] == ["verdict", "where", "between", "lot"]
    assert found[2].value == "P-1 – P-2"
    for one in found:
        rest = parse_qsl(one.without.partition("?")[2])
        assert rest == [pair for pair in question if pair[0] != one.name]


def test_what_answers_a_question_is_of_the_plate_not_of_the_question() -> None:
    found = Piece(**piece("P-9", "run-9", 1.0, people=["A. Example", "B. Example"],
                          notes=["press 2, roller 214", "rollers cleaned"]))  # fmt: skip
    question = asked(
        "text=ROLLER&operator=b.+example&lamps_of=P-1&lot=l-0071&off_pct=0.5&plate=p-9"
    )
    assert [value for _, value in because(found, question)] == [
        "press 2, roller 214", "rollers cleaned", "L-0071", "B. Example", "2",
    ]  # fmt: skip


def test_every_condition_of_the_facts_can_be_asked_here() -> None:
    names = {field.name for field in FIELDS}
    assert set(TAGS) <= names
    assert {field.name for field in FIELDS if field.kind == "known"} == set(TAGS)
    assert all(hasattr(Piece, "model_fields") and of in Piece.model_fields for of in LISTS.values())


def test_what_is_asked_with_one_touch_is_understood() -> None:
    for display in (DISPLAY, ABROAD):
        for condition, to in ready(display):
            query = asked(to.partition("?")[2], display)
            assert query and (condition is not None or query == [("limit", "100")])
            for name, value in query:
                if name == "where":
                    assert threshold(value).level == pytest.approx(50.0, rel=1e-4)
                    assert isinstance(condition, type(condition)) and condition.level is not None
                    assert isinstance(condition.level, Level)


def test_every_fact_that_is_compared_has_a_word() -> None:
    """A name as it is stored is shown only of a release that compares more."""
    spans = [f"{q} {w}" for q in ("vacuum", "irradiance", "oven") for w in ("low", "high", "mean")]
    for what in (
        *_NUMBERS,
        *spans,
        "state",
        "large area depth_um",
        "hot water_mean_c",
        "x actual_s",
    ):
        step, found = named(f"film {what}")
        assert step.startswith("film") and found in OF_A_STEP.values(), what
    assert set(_TEXTS) == set(WHATS)
    assert named("film dose_mj_cm2'") == ("film'", OF_A_STEP["dose_mj_cm2"])
    assert named("colour") == ("", What("colour"))
