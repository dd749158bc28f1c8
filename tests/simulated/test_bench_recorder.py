"""The recorder's bench: that all three ways do the same work, and are counted alike."""

from __future__ import annotations

import pytest

from platelink.publish.services import BrokerService, StoreService
from platelink.runs import RunSamples
from platelink.simulated import bench_recorder
from platelink.simulated.bench_recorder import bench_recorder as bench

pytestmark = [pytest.mark.alone, pytest.mark.system]


def test_what_waits_is_an_exposure_made_many_times() -> None:
    recorded = bench_recorder._recorded()
    made = list(bench_recorder._again(recorded, "plain", 3))
    assert len(made) == 3 * len(recorded)
    assert len({entry.id for entry in made}) == len(made)
    times = [at for entry in made if isinstance(entry, RunSamples) for at in entry.at_utc_ms]
    assert times == sorted(set(times))
    assert {entry.unit for entry in made} == {"plain"}


@pytest.mark.skipif(
    not (BrokerService.find() and StoreService.find()), reason="broker or store is not installed"
)
def test_every_way_brings_every_sample_into_the_store() -> None:
    """It ends only when the store has given back each of them."""
    found = bench(100)  # over several looks at the store, however fast it is
    a_run = sum(
        len(entry.ticks) for entry in bench_recorder._recorded() if isinstance(entry, RunSamples)
    )
    assert found.samples == 100 * a_run
    assert min(found.platelink, found.batched, found.plain) > 0.0
    assert found.ratio_plain == found.platelink / found.plain
    assert found.ratio_batched == found.platelink / found.batched
    assert found.cpu_us_per_sample > 0.0
    assert found.rss_mb > 10.0
