"""Figures that the running daemon knows by itself."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Iterator
from typing import get_args

from deploy.metrics.values import Value, value
from deploy.progress import Phase
from deploy.signs import Signs
from ingest.decoded import REASONS

OUTCOMES = ("delivered", "deferred", "abandoned")


def values(signs: Signs) -> Iterator[Value]:
    """Give all of them."""
    yield from _going(signs)
    yield from _messages(signs)
    yield from _samples(signs)
    yield from _notices(signs)
    yield value("trucks", len(signs.trucks))
    missing = sum(truck.sequence.missing for truck in list(signs.trucks.values()))
    yield value("sequence_missing_samples", missing)


def _going(signs: Signs) -> Iterator[Value]:
    source = signs.source
    for phase in get_args(Phase):
        yield value("phase", float(signs.phase == phase), phase)
    yield value("commit_loop_last_turn_age_seconds", signs.turned_ms / 1000)
    yield value("network_loop_last_turn_age_seconds", (signs.network_ms or 0) / 1000)
    yield value("broker_connected", float(source.connected))
    yield value("broker_disconnects_total", source.disconnects)
    yield value("broker_sessions_lost_total", source.sessions_lost)
    yield value("network_restarts_total", source.restarts)
    yield value("publishes_refused_total", source.publishes_refused)
    yield value("store_failing_seconds", (signs.failing_ms or 0) / 1000)
    yield value("threads", threading.active_count())


def _messages(signs: Signs) -> Iterator[Value]:
    source = signs.source
    yield value("messages_received_total", source.received)
    yield value("messages_settled_total", signs.counts.messages)
    yield value("messages_acknowledged_total", source.acked)
    yield value("messages_waiting", source.waiting)
    yield value("messages_in_flight", source.unacked)
    yield value("commit_duration_seconds", signs.tallies.seconds)
    yield value("commit_messages", signs.tallies.messages)


def _samples(signs: Signs) -> Iterator[Value]:
    counts = signs.counts
    yield value("samples_received_total", counts.received)
    yield value("samples_stored_total", counts.stored)
    yield value("samples_repeated_total", counts.repeated)
    yield value("samples_late_total", counts.late)
    for reason in REASONS:
        yield value("samples_refused_total", counts.reasons[reason], reason)
    yield value("sample_lag_seconds", signs.tallies.lag_s)


def _notices(signs: Signs) -> Iterator[Value]:
    failing: Counter[str] = Counter()
    for name, breaker in signs.breakers.items():
        failing[kind_of(name)] += bool(breaker.failures) or name in signs.disabled
    tries: Counter[tuple[str, str]] = Counter()
    for (name, outcome), count in signs.outcomes.items():
        tries[kind_of(name), outcome] += count
    for kind in failing:
        yield value("channels_failing", failing[kind], kind)
        for outcome in OUTCOMES:
            yield value("notice_attempts_total", tries[kind, outcome], kind, outcome)


def kind_of(channel: str) -> str:
    """Give the kind of a channel: its own name is the administrator's."""
    return channel.split("/", maxsplit=1)[0].split(":", maxsplit=1)[0]
