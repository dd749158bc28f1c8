"""The figures that ``bench find`` prints are true of the shops it plays."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from click.testing import CliRunner

from platelink.cli.bench_find import find
from platelink.finding.curve import NoFitError
from platelink.finding.depth import DoseFound, Patch
from platelink.simulated import bench_find as bench
from platesim.plates import Shop, measured_depth

SHOPS = 10


class Told:
    """A curve that knows each shop's right dose, and errs as it is told to."""

    asked = 0
    right: Sequence[float] = ()

    def __init__(self, patches: list[Patch], about_um: float) -> None:
        self.shop = Told.asked % SHOPS
        Told.asked += 1
        if self.shop in (8, 9):
            raise NoFitError("no curve")

    def dose_for(self, depth_um: float, lot: str = "") -> DoseFound:
        right = Told.right[self.shop]
        if self.shop == 7:
            return DoseFound(depth_um, None, None, None, (), None, "cannot tell", ())
        dose = right * (math.exp(0.1) if self.shop in (5, 6) else math.exp(0.01))
        return DoseFound(depth_um, dose, dose * 0.98, dose * 1.02, (), None, "", ())


def test_printed_figures_are_those_of_what_was_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of ten shops two are refused, one cannot tell, two are told 10 % too much, five 1 %."""
    monkeypatch.setattr(bench, "working_curve", Told)
    monkeypatch.setattr(bench, "PLATES", (1,))
    Told.asked, Told.right = 0, [bench._shop(seed).right for seed in range(SHOPS)]
    strips = bench._strips([bench._shop(seed) for seed in range(SHOPS)], 1)
    assert (strips.within_pct, strips.told_pct) == (50.0, 70.0)
    assert strips.covered_pct == pytest.approx(100.0 * 5 / 7)
    assert strips.off_95_pct == pytest.approx(10.0, abs=0.01)
    # A new lot is right where its own dose is found, not where the first lot's is.
    Told.right = [bench._right(Shop(seed=seed), bench.LOTS) for seed in range(SHOPS)]
    Told.asked = 0
    two = bench._two_patches([bench._shop(seed) for seed in range(SHOPS)])
    assert (two.within_pct, two.told_pct) == (50.0, 70.0)
    Told.asked, Told.right = 0, [bench._shop(seed).right for seed in range(SHOPS)]
    shown = CliRunner().invoke(find, ["--shops", str(SHOPS)])
    assert shown.exit_code == 0, shown.output
    row = next(line for line in shown.stdout.splitlines() if line.startswith("strips"))
    assert row.split() == ["strips", "1", "50", "%", "70", "%", "71", "%", "10.0", "%"]


def test_the_right_dose_is_right() -> None:
    """Many plates at it read the depth on average, by the person who reads them all."""
    for seed in (0, 3):
        trial, n = bench._shop(seed), 4000
        read = measured_depth(
            trial.shop, bench.SCREEN, np.full(n, trial.right), bench.CARE,
            np.random.default_rng(seed), plate=np.arange(n),
        )  # fmt: skip
        assert float(read.mean()) == pytest.approx(bench.DEPTH_UM, abs=0.12)


def test_halving_tells_always_and_gets_nearer() -> None:
    trials = [bench._shop(seed) for seed in range(40)]
    one, eight = bench._halving(trials, 1), bench._halving(trials, 8)
    assert one.told_pct == eight.told_pct == 100.0 and one.covered_pct is None
    assert eight.off_95_pct < one.off_95_pct and eight.within_pct > one.within_pct


def test_few_shops_whole() -> None:
    """Strips and two patches in six shops: their intervals hold the dose."""
    trials = [bench._shop(seed) for seed in range(6)]
    for found in (bench._strips(trials, 2), bench._two_patches(trials)):
        assert found.shops == 6 and found.told_pct >= 50.0
        assert found.covered_pct is not None and found.covered_pct >= 75.0
        assert found.off_95_pct < 10.0
