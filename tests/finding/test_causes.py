"""Causes of a plate that is not as foretold: each record speaks for its own."""

from __future__ import annotations

from dataclasses import replace

import pytest

from platelink.finding.causes import LOOK, SYMPTOMS, Cause, Causes, Inspected, words
from platelink.finding.foretell import Exposed

USUAL = Inspected(
    record=Exposed(dose_mj_cm2=200.0, lot="a", contact_kpa=0.3, light_off_pct=0.5, bath_days=3.0),
    off=0.2, bake_min=20.0, water_c=31.0,
)  # fmt: skip
BEFORE = [USUAL] * 20
ODD = replace(USUAL, off=-3.0)


def odd(**record: float | str) -> Inspected:
    return replace(ODD, record=replace(ODD.record, **record))  # type: ignore[arg-type]


def top(plate: Inspected, before: list[Inspected] | None = None) -> Cause:
    return Causes().likely(words(BEFORE if before is None else before, plate))[0].cause


def test_each_record_speaks_for_its_own_cause() -> None:
    assert top(ODD) is Cause.NOTHING
    dim = odd(light_off_pct=-15.0)
    assert top(dim) is Cause.LIGHT
    assert top(odd(contact_kpa=4.0)) is Cause.CONTACT
    assert top(replace(ODD, water_c=22.0)) is Cause.WASHOUT
    assert top(replace(ODD, bake_min=6.0)) is Cause.BAKE
    lot = [*BEFORE, *[replace(odd(lot="old"), off=-2.5)] * 3]
    assert Causes().likely(words(lot, odd(lot="old")))[1].cause is Cause.STOCK


def test_probabilities_are_of_one_cause_and_say_what_speaks_for_it() -> None:
    dim = odd(light_off_pct=-15.0)
    found = Causes().likely(words([*BEFORE, dim], dim))
    assert sum(one.probability for one in found) == pytest.approx(1.0)
    assert [one.probability for one in found] == sorted(
        (one.probability for one in found), reverse=True
    )
    assert "below the forecast" in found[0].speaks and LOOK[Cause.LIGHT] in found[0].text


def test_what_was_not_recorded_speaks_for_nothing() -> None:
    silent = replace(ODD, bake_min=None, water_c=None)
    assert {"bake", "water"}.isdisjoint(words(BEFORE, silent))
    short = {one.cause: one.probability for one in Causes().likely(words(BEFORE, silent))}
    whole = {one.cause: one.probability for one in Causes().likely(words(BEFORE, ODD))}
    assert short[Cause.BAKE] > whole[Cause.BAKE]


def test_while_nothing_is_usual_yet_nothing_is_odd() -> None:
    found = words(BEFORE[:5], replace(odd(contact_kpa=4.0), water_c=22.0, bake_min=6.0))
    assert (found["contact"], found["water"], found["bake"]) == ("held", "warm", "whole")


def test_a_deep_plate_is_not_the_baths() -> None:
    """Less washed is shallower: the same record, other side."""
    deep = {o.cause: o.probability for o in Causes().likely(words(BEFORE, replace(ODD, off=3.0)))}
    low = {o.cause: o.probability for o in Causes().likely(words(BEFORE, ODD))}
    assert deep[Cause.WASHOUT] < 0.3 * low[Cause.WASHOUT]
    assert deep[Cause.LIGHT] > low[Cause.LIGHT]


def test_what_a_shop_confirms_counts() -> None:
    """Where the bath is behind it again and again, it is asked first, with nothing else odd."""
    found, causes = words(BEFORE, ODD), Causes()
    before = causes.likely(found)[0].cause
    for _ in range(40):
        causes = causes.confirmed(found, Cause.WASHOUT)
    assert before is Cause.NOTHING and causes.likely(found)[0].cause is Cause.WASHOUT
    assert sum(one.probability for one in causes.likely(found)) == pytest.approx(1.0)


def test_the_press_sees_something_too() -> None:
    found = words(BEFORE, ODD)
    plain = {one.cause: one.probability for one in Causes().likely(found)}
    for symptom, causes in SYMPTOMS.items():
        told = {one.cause: one.probability for one in Causes().likely(found, symptom)}
        assert told[Cause.NOTHING] < plain[Cause.NOTHING]
        for cause, times in causes.items():
            odds = (told[cause] / told[Cause.NOTHING]) / (plain[cause] / plain[Cause.NOTHING])
            assert odds == pytest.approx(times)
    with pytest.raises(ValueError, match="soft edges"):
        Causes().likely(found, "it looks odd")
