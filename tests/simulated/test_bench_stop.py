"""The bench of stops under attack: that it measures what it says, not how fast we are."""

from __future__ import annotations

import os

import pytest

from platelink.simulated import bench_stop
from platelink.simulated.bench_attack import Attack, Target
from platelink.simulated.bench_lag import Figures


def test_every_attack_has_clients() -> None:
    kinds = {kind for kind in bench_stop.ATTACKS.values() if kind is not None}
    assert all(callable(getattr(Attack, kind)) for kind in kinds)
    assert len(kinds) == 8
    assert Target(**bench_stop.json.loads(Target("s", 1, 2, "c", "r", "a", "b", "x").told()))


def test_what_was_not_answered_is_refused_and_in_no_figure() -> None:
    beside = Figures(1, 1.0, 1.0, 1.0)
    ways = bench_stop._Ways([1.0, None, 3.0], [2.0], (0.0, 1.0))
    told = bench_stop._attacked(ways, beside, dark=True)
    assert (told.n, told.refused, told.p50_ms, told.max_ms) == (4, 1, 2.0, 3.0)
    assert (told.socket.refused, told.page.refused) == (1, 0)
    assert not bench_stop.judged({"x": told}, 1.0).ok
    ways = bench_stop._Ways([None], [None], (0.0, 1.0))
    nothing = bench_stop._attacked(ways, beside, dark=True)
    assert nothing.refused == 2 and not bench_stop.judged({"x": nothing}, 1.0).ok


@pytest.mark.alone
@pytest.mark.system
def test_stops_reach_the_unit_while_clients_attack(monkeypatch: pytest.MonkeyPatch) -> None:
    attacks = ("idle sockets", "flood of acts", "a full disk")
    monkeypatch.setattr(bench_stop, "ATTACKS", {name: bench_stop.ATTACKS[name] for name in attacks})
    monkeypatch.setattr(bench_stop, "RUN_HOURS", 0.1)
    found = bench_stop.bench_stop(1.5)
    assert tuple(found.attacks) == attacks
    assert found.attacks["a full disk"] is not None or not may_mount()
    for attack in found.attacks.values():
        if attack is not None:
            assert attack.refused == 0 and attack.dark
            assert attack.socket.n > 3 and attack.page.n > 3
            assert attack.beside.n > 30
            assert 0.0 < attack.p50_ms <= attack.p99_ms <= attack.max_ms


def may_mount() -> bool:
    return os.geteuid() == 0
