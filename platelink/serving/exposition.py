"""Figures in Prometheus' text format. The only import of prometheus_client.

https://prometheus.io/docs/instrumenting/exposition_formats/
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from prometheus_client import CollectorRegistry, ProcessCollector, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from platelink.serving.figure import Figure


def exposed(figures: Iterable[Figure]) -> str:
    """All of them, and what the system says of this process (``process_...``)."""
    registry = CollectorRegistry()
    ProcessCollector(registry=registry)
    registry.register(_Given(tuple(figures)))
    return generate_latest(registry).decode()


class _Given(Collector):
    def __init__(self, figures: Sequence[Figure]) -> None:
        self._figures = figures

    def collect(self) -> Iterator[Metric]:
        for name, text, values in self._figures:
            known = [(labels, value) for labels, value in values if value is not None]
            keys = tuple(known[0][0]) if known else ()
            kind = CounterMetricFamily if name.endswith("_total") else GaugeMetricFamily
            family = kind(name, text, labels=keys)
            for labels, value in known:
                family.add_metric([labels[key] for key in keys], value)
            yield family
