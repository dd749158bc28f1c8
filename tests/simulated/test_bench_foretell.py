"""``bench foretell``: its figures are those of what was played, and a few shops are as it says."""

from __future__ import annotations

import json

import numpy as np
import pytest
from click.testing import CliRunner

from platelink.cli.bench_foretell import foretell
from platelink.simulated import bench_foretell as bench
from platesim.year import Trouble, year

KEYS = {
    "coverage_by_quarter", "false_release_pct", "measurements_saved_pct", "cause_calibration_max",
    "top_cause_right_pct", "base_rate_right_pct", "shuffled",
}  # fmt: skip


def played(**other: np.ndarray) -> bench.Played:
    """Eight plates: two a quarter, the last of each outside its interval; four measured."""
    columns = {
        "quarter": np.array([0, 0, 1, 1, 2, 2, 3, 3]),
        "held": np.array([True, False] * 4),
        "outside": np.array([False] * 5 + [True] * 3),
        "measured": np.array([True, True, False, False, False, False, True, True]),
        "stopped": np.array([False] * 6 + [True] * 2),
        "width": np.array([4.0] * 8),
        # Nothing, light, contact, washout, stock, bake.
        "probabilities": np.array(
            [[0.6, 0.3, 0.1, 0.0, 0.0, 0.0], [0.6, 0.3, 0.1, 0.0, 0.0, 0.0],
             [0.2, 0.7, 0.1, 0.0, 0.0, 0.0], [0.8, 0.0, 0.2, 0.0, 0.0, 0.0]]
        ),
        "truth": np.array([0, 1, 1, 0]),
        "chart": np.array([0, 2, 1, 1]),
        "chart_first": np.array([1, 2, 1, 1]),
    }  # fmt: skip
    return bench.Played(**(columns | other))


def test_figures_are_those_of_what_was_played() -> None:
    held = np.array([True] * 8)
    found = bench.judged([played(), played(held=held)], [played(held=held)], 3.5)
    assert found.coverage_by_quarter == (75.0, 75.0, 75.0, 75.0)
    assert found.measurements_saved_pct == 50.0
    assert found.false_release_pct == 25.0 and found.outside_pct == 37.5
    assert found.stopped_pct == 25.0 and found.stopped_rightly_pct == 100.0
    assert found.top_cause_right_pct == 75.0 and found.base_rate_right_pct == 50.0
    assert found.charts_right_pct == 50.0
    assert found.fault_first_pct == 100.0 and found.fault_first_by_charts_pct == 50.0
    assert found.shuffled.coverage_by_quarter == (100.0,) * 4
    deciles = {round(mean, 2): (share, n) for mean, share, n, _ in found.cause_calibration}
    assert deciles[0.6] == (0.5, 4) and deciles[0.7] == (1.0, 2) and deciles[0.8] == (1.0, 2)
    assert found.cause_calibration_max is None


def test_how_far_probabilities_are_off_counts_deciles_with_many() -> None:
    many = bench.CALIBRATION_LEAST
    p = np.tile([0.65, 0.35, 0.0, 0.0, 0.0, 0.0], (many, 1))
    truth = (np.arange(many) % 2).astype(int)
    found = bench.judged(
        [played(probabilities=p, truth=truth, chart=truth, chart_first=truth)], [played()], 3.5
    )
    assert found.cause_calibration_max == pytest.approx(0.15)


def test_what_chance_makes_of_a_decile_is_of_whole_shops() -> None:
    """By hand: two shops of two plates, told 0.6 twice each; both right in one, none in the
    other: off by 0.8 and -1.2 in sum. Plate by plate it would be 1.96 sqrt(4 x 0.26) / 4."""
    p = np.tile([0.6, 0.4, 0.0, 0.0, 0.0, 0.0], (2, 1))
    shops = [played(probabilities=p, truth=np.full(2, one), chart=np.zeros(2, int),
                    chart_first=np.zeros(2, int)) for one in (0, 1)]  # fmt: skip
    found = {round(m, 1): chance for m, _, _, chance in
             bench.judged(shops, [played()], 3.5).cause_calibration}  # fmt: skip
    assert found[0.6] == pytest.approx(1.96 * np.hypot(0.8, 1.2) / 4.0)


def test_a_year_has_its_faults_and_each_its_trace() -> None:
    seen: set[Trouble] = set()
    for seed in range(12):
        it = year(seed)
        assert len(it.day) > 400 and (np.diff(it.day) >= 0).all()
        seen |= set(it.trouble)
        calm = np.array([t is Trouble.NONE for t in it.trouble])
        leak = np.array([t is Trouble.LEAK for t in it.trouble])
        if leak.sum() > 5:
            assert it.contact_kpa[leak].mean() > it.contact_kpa[calm].mean() + 0.3
        # More dose is shallower, on every plate.
        for i in range(0, len(it.day), 97):
            assert it.depth_um(i, 240.0) < it.depth_um(i, 200.0)
    assert seen == set(Trouble)
    assert set(year(0, often=0.0).trouble) == {Trouble.NONE}


def test_few_shops_are_as_it_says() -> None:
    """Eight years; what a thousand show is in docs/finding.md."""
    found = bench.bench_foretell(8, processes=2)
    assert min(found.coverage_by_quarter) > 91.0 and max(found.coverage_by_quarter) < 98.5
    assert found.false_release_pct < 1.5 < found.outside_pct
    assert found.measurements_saved_pct > 55.0
    mixed = found.shuffled
    assert min(mixed.coverage_by_quarter) > 90.0
    assert mixed.measurements_saved_pct < 5.0
    assert found.asked > 100
    assert found.top_cause_right_pct is not None and found.base_rate_right_pct is not None
    assert found.charts_right_pct is not None
    assert found.top_cause_right_pct > found.base_rate_right_pct + 3.0
    assert found.top_cause_right_pct > found.charts_right_pct + 10.0


def test_the_command_tells_the_same_again_and_all_keys() -> None:
    runs = [CliRunner().invoke(foretell, ["--shops", "1", "--json"]) for _ in range(2)]
    assert runs[0].exit_code == 0, runs[0].output
    assert runs[0].stdout == runs[1].stdout
    found = json.loads(runs[0].stdout)
    assert found.keys() >= KEYS and len(found["coverage_by_quarter"]) == 4
    faults = CliRunner().invoke(foretell, ["--shops", "1", "--faults", "3", "--json"]).stdout
    assert json.loads(faults)["outside_pct"] > found["outside_pct"]
    shown = CliRunner().invoke(foretell, ["--shops", "1"]).stdout
    assert f"{found['measurements_saved_pct']:.1f} %" in shown
    assert f"{found['plates']} plates" in shown
