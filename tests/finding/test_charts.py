"""Rules of control charts, the chart of a recipe's depths, and what changed at a signal."""

from __future__ import annotations

from itertools import cycle, islice
from typing import Any

import pytest

from platelink.contract.depths import DepthMade
from platelink.finding.charts import LEAST, Limits, TooFewError, broken, limits_of, settled
from platelink.finding.depth_chart import changed, depth_chart

PLAIN = Limits(0.0, 1.0, 1.128)
QUIET = [0.5, -0.4, 1.3, -1.2, 0.3, -0.2, 0.0]


def rules(values: list[float], limits: Limits = PLAIN) -> list[tuple[int, int, str]]:
    return [(one.at, one.since, one.text.split()[0]) for one in broken(values, limits)]


def test_what_is_quiet_breaks_none() -> None:
    assert rules(QUIET) == []
    assert rules([5.0] * 20, Limits(5.0, 0.0, 0.0)) == []


@pytest.mark.parametrize("side", [1.0, -1.0])
@pytest.mark.parametrize(
    ("values", "rule", "rests_on"),
    [([3.1], "beyond", 1), ([2.1, 0.3, 2.2], "two", 3), ([1.2, 1.3, 0.2, 1.1, 1.4], "four", 5),
     ([0.4, 0.1, 0.6, 0.2, 0.5, 0.1, 0.3, 0.2], "eight", 8),
     ([-1.3, -0.9, -0.2, 0.1, 0.8, 1.2], "six", 6),
     ([1.3, *islice(cycle([1.2, -1.1]), 14)], "fourteen", 14),
     ([1.1, 0.5, -0.4, 0.8, -0.9, 0.3, -0.2, 0.1, 0.7, -0.6, 0.5, 0.2, -0.3, 0.6, 0.4, -0.5],
      "fifteen", 15)],
)  # fmt: skip
def test_each_rule_calls_at_the_value_that_completes_it(
    values: list[float], rule: str, rests_on: int, side: float
) -> None:
    turned = [side * value for value in [*QUIET, *values]]
    found = [one for one in rules(turned) if one[2] == rule]
    at = len(turned) - 1
    assert found == [(at, at - rests_on + 1, rule)]
    # one fewer, and it does not
    assert rule not in {one[2] for one in rules(turned[:-1])}


def test_two_of_three_on_two_sides_are_none() -> None:
    assert rules([2.1, 0.3, -2.2]) == []


def test_a_chart_needs_values() -> None:
    with pytest.raises(TooFewError, match="a chart needs 10"):
        limits_of([1.0] * (LEAST - 1))
    with pytest.raises(ValueError, match="not finite"):
        limits_of([float("nan")] * LEAST)


def test_values_far_off_are_no_part_of_what_is_usual() -> None:
    usual = [30.1, 29.6, 30.4, 29.9, 30.2, 29.7, 30.3, 30.0, 29.8, 30.2, 29.9, 30.1]
    assert settled(usual) == (limits_of(usual), ())
    found, left_out = settled([*usual[:6], 36.0, *usual[6:], 25.0])
    assert left_out == (6, 13) and found.mean == pytest.approx(sum(usual) / 12.0)
    assert found.sd < 1.1 * limits_of(usual).sd
    # what is half and half is not told apart
    found, left_out = settled([*usual[:5], *(40.0 + v for v in usual[5:])])
    assert left_out == ()


# --- of depths -----------------------------------------------------------------------------------

DEPTHS = [30.1, 29.6, 30.4, 29.9, 30.2, 29.7, 30.3, 30.0, 29.8, 30.2, 29.9, 30.1]


def made(number: int, um: float, **more: Any) -> DepthMade:
    known = {"lot": "lot-a", "revision": "fine@1", "screens": ["s"], "lamp_set": "1",
             "calibrations": ["light 0@1"], "operator": "A. Example", "doses_mj_cm2": {},
             "dithers_pct": {}, "targets_mj_cm2": {}}  # fmt: skip
    return DepthMade(plate=f"P-{number}", at_utc=f"2026-03-{number:02d}T08:00:00.000+00:00", um=um,
                     **(known | more))  # fmt: skip


def test_a_signal_says_what_changed_on_the_plates_it_rests_on() -> None:
    plates = [made(n, um) for n, um in enumerate(DEPTHS, 1)]
    plates += [made(13, 32.4, lot="lot-b"), made(14, 30.0, lot="lot-b")]
    found = depth_chart("fine", "large area", plates, (28.0, 33.0))
    assert [one.plate for one in found.signals] == ["P-13"]
    (signal,) = found.signals
    assert signal.rules == ["beyond three spreads"]
    assert signal.changed == ["lot lot-a → lot-b at P-13"]
    assert found.capability is not None and "no capability" in found.why_none


def test_capability_against_the_recipes_limits() -> None:
    plates = [made(n, um) for n, um in enumerate(DEPTHS, 1)]
    found = depth_chart("fine", "large area", plates, (28.0, 33.0))
    one = found.capability
    assert one is not None and found.signals == [] and found.why_none == ""
    assert one.cp.value == pytest.approx(5.0 / (6.0 * found.sd_um))
    assert one.cpk.value == pytest.approx((found.mean_um - 28.0) / (3.0 * found.sd_um))
    assert one.pp.value == pytest.approx(5.0 / (6.0 * found.sd_all_um))
    assert one.ppk.low < one.ppk.value < one.ppk.high
    assert depth_chart("fine", "x", plates, None).capability is None


def test_a_gauge_that_shows_no_spread_has_no_capability() -> None:
    found = depth_chart("fine", "x", [made(n, 30.0) for n in range(1, 13)], (28.0, 33.0))
    assert found.capability is None and "no spread" in found.why_none and found.signals == []


def test_what_changed_is_told_of_each_kind_once() -> None:
    other = made(2, 30.0, lot=None, revision="fine@2", screens=["t"], lamp_set="2",
                 calibrations=["light 0@2"], operator="B. Example")  # fmt: skip
    assert len(changed([made(1, 30.0), other])) == 6
    assert changed([made(1, 30.0), made(2, 31.0)]) == []
