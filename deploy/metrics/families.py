"""Every figure by name: its kind, its labels, what it says. The table in README.md is this one.

Names as prometheus.io/docs/practices/naming has them: our prefix, base units, ``_total`` for what
only grows. Labels have few values: never a truck, a person or an address. How old something is that hangs
or waits is told as an age, by a clock that never jumps, and not as a time: the system's may be wrong.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

PREFIX = "heatbook_"


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """One figure; counters count from the start of the process."""

    name: str
    kind: Literal["counter", "gauge", "histogram"]
    words: str
    labels: tuple[str, ...] = ()


def _counter(name: str, words: str, *labels: str) -> Family:
    return Family(name=f"{PREFIX}{name}", kind="counter", words=words, labels=labels)


def _gauge(name: str, words: str, *labels: str) -> Family:
    return Family(name=f"{PREFIX}{name}", kind="gauge", words=words, labels=labels)


def _histogram(name: str, words: str) -> Family:
    return Family(name=f"{PREFIX}{name}", kind="histogram", words=words)


_ALL = (
    _gauge("build_info", "Always 1; which version runs.", "version", "model_version"),
    _gauge("phase", "1 for what the daemon is doing: starting, serving or stopping.", "phase"),
    _gauge(
        "commit_loop_last_turn_age_seconds",
        "How long ago the loop that commits came round last.",
    ),
    _gauge(
        "network_loop_last_turn_age_seconds",
        "How long ago the thread of the network moved last.",
    ),
    _gauge("broker_connected", "1 while the session with the broker stands."),
    _counter("broker_disconnects_total", "Times the connection to the broker was lost."),
    _counter("broker_sessions_lost_total", "Times the broker had forgotten our session."),
    _counter("network_restarts_total", "Times the network thread was replaced."),
    _counter("messages_received_total", "Messages from the broker."),
    _counter("messages_settled_total", "Messages committed or put in quarantine."),
    _counter("messages_acknowledged_total", "Messages acknowledged to the broker."),
    _counter("publishes_refused_total", "Messages of ours that the broker refused."),
    _gauge("messages_waiting", "Messages received that wait for a commit."),
    _gauge("messages_in_flight", "Messages not yet acknowledged, of the window."),
    _counter(
        "samples_received_total",
        "Samples that came: those stored, repeated and refused together.",
    ),
    _counter("samples_stored_total", "Samples that were new."),
    _counter("samples_repeated_total", "Samples that were known already."),
    _counter("samples_refused_total", "Samples put in quarantine.", "reason"),
    _counter("samples_late_total", "Samples stored that were older than their truck's newest."),
    _histogram("sample_lag_seconds", "Age of a truck's newest sample when it was committed."),
    _histogram("commit_duration_seconds", "How long a commit took."),
    _histogram("commit_messages", "Messages in a commit."),
    _gauge(
        "store_failing_seconds", "For how long the store cannot be written; 0 while it can."
    ),
    _gauge("store_bytes", "Size of the store's file."),
    _gauge("store_wal_bytes", "Size of the store's log, which is folded into the file."),
    _gauge("disk_free_bytes", "Room left where files grow.", "folder"),
    _gauge("quarantine_entries", "Entries of the quarantine."),
    _gauge("quarantine_bytes", "What they hold."),
    _gauge("quarantine_dropped_samples", "Refused samples dropped for want of room, ever."),
    _gauge("notices_waiting", "Notices not sent yet.", "channel"),
    _gauge("notices_oldest_age_seconds", "Since when the oldest of them waits.", "channel"),
    _gauge("notices_given_up", "Notices given up that nobody has looked at yet."),
    _counter(
        "notice_attempts_total", "Tries to send, by what came of them.", "channel", "outcome"
    ),
    _gauge("channels_failing", "Channels whose far side is away or wants no more.", "channel"),
    _gauge("alarms_standing", "Alarms of trucks that stand.", "priority"),
    _gauge("own_alarms_standing", "Alarms about Heatbook itself that stand.", "kind"),
    _gauge("trucks", "Trucks that were heard."),
    _gauge("trucks_silent", "Trucks that moved when they fell silent."),
    _gauge("sequence_missing_samples", "Samples that gateways counted and that never came."),
    _gauge(
        "archive_moved_timestamp_seconds",
        "When history was last moved to the archive; 0: never.",
    ),
    _gauge("archive_problems", "What that move could not do."),
    _gauge("postponed_samples", "Late samples that wait until the archive can be read."),
    _gauge("influx_rows_waiting", "Commits not fed to InfluxDB yet."),
    _gauge("influx_oldest_age_seconds", "Since when the oldest of them waits."),
    _gauge("influx_failing", "1 while feeding fails."),
    _gauge("influx_points_sent", "Points sent, ever."),
    _gauge("influx_lines_refused", "Lines that InfluxDB refused for good, ever."),
    _gauge(
        "backup_made_timestamp_seconds", "The moment that the newest backup holds; 0: none."
    ),
    _gauge("job_run_timestamp_seconds", "When a scheduled job ran last.", "job"),
    _gauge("threads", "Threads of the process."),
)

FAMILIES: Mapping[str, Family] = {each.name: each for each in _ALL}
"""All of them by name."""


def table() -> str:
    """Write the table of README.md."""
    rows = [
        f"| `{each.name}` | {each.kind} | {', '.join(each.labels) or '-'} | {each.words} |"
        for each in _ALL
    ]
    return (
        "\n".join(["| name | kind | labels | what it says |", "|---|---|---|---|", *rows])
        + "\n"
    )
