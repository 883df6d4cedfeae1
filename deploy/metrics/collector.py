"""From values to the text that Prometheus reads."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path

from prometheus_client import ProcessCollector, generate_latest
from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    HistogramMetricFamily,
    Metric,
)
from prometheus_client.registry import Collector, CollectorRegistry

from deploy.database import StoreError
from deploy.disk_room import free_bytes
from deploy.metrics import from_signs, from_store
from deploy.metrics.families import FAMILIES, Family
from deploy.metrics.values import Value, value
from deploy.signs import Signs
from deploy.tallies import Spread


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """Where the figures come from."""

    signs: Callable[[], Signs]
    read: Callable[[], AbstractContextManager[sqlite3.Connection]]
    path: Path
    folders: Mapping[str, Path]
    version: str
    model_version: str

    def values(self) -> Iterator[Value]:
        """Give all there are now; those of a store that cannot be read are missing."""
        yield value("build_info", 1, self.version, self.model_version)
        signs = self.signs()
        yield from from_signs.values(signs)
        yield from from_store.sizes(self.path)
        for name, free in free_bytes(self.folders).items():
            yield value("disk_free_bytes", free, name)
        try:
            with self.read() as conn:
                yield from list(from_store.values(conn, signs.now_ms))
        except (StoreError, sqlite3.Error):
            return


class _Figures(Collector):
    """Gathers when it is asked."""

    def __init__(self, origin: Origin) -> None:
        self._origin = origin

    def collect(self) -> Iterable[Metric]:
        """Give each figure with its values."""
        found: dict[str, Metric] = {}
        for one in self._origin.values():
            family = FAMILIES[one.name]
            _add(found.setdefault(one.name, _empty(family)), one)
        return found.values()

    def describe(self) -> Iterable[Metric]:
        """Give the figures without values: nothing need be read for it."""
        return [_empty(each) for each in FAMILIES.values()]


def exposition(origin: Origin) -> Callable[[], bytes]:
    """Give the function that writes all figures, those of the process too."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Figures(origin))
    ProcessCollector(registry=registry)
    return lambda: generate_latest(registry)


def _empty(family: Family) -> Metric:
    if family.kind == "histogram":
        return HistogramMetricFamily(family.name, family.words)
    kind = CounterMetricFamily if family.kind == "counter" else GaugeMetricFamily
    return kind(family.name, family.words, labels=family.labels)


def _add(metric: Metric, one: Value) -> None:
    if isinstance(metric, HistogramMetricFamily) and isinstance(one.value, Spread):
        metric.add_metric([], one.value.buckets(), one.value.sum)
    elif isinstance(metric, CounterMetricFamily | GaugeMetricFamily) and not isinstance(
        one.value, Spread
    ):
        metric.add_metric(one.labels, one.value)
