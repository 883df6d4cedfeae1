"""What the models found in samples goes into the alarm journal: as news, or dated when it would have been."""

from __future__ import annotations

import sqlite3
from itertools import groupby

from alerts import journal
from alerts.policy import Policy
from deploy.record_intake import done_ms, tell_repaired
from ingest.fold import Folded
from review.events import transitions


def tell(
    tx: sqlite3.Connection,
    name: str,
    folded: Folded,
    now_ms: int,
    policy: Policy,
    *,
    rebuilt: bool = False,
) -> None:
    """Take down what was found in a truck's samples, and tell whom it concerns."""
    changes = journal.rewrite(
        tx,
        vehicle=name,
        after_ms=folded.after_ms,
        transitions=transitions(name, folded.events),
        now_ms=now_ms,
        policy=policy,
        appending=folded.appending,
        rebuilt=rebuilt,
        ended=done_ms(folded.held, now_ms),
    )
    tell_repaired(tx, name, changes.alarms, now_ms)


def tell_of_then(tx: sqlite3.Connection, name: str, folded: Folded, policy: Policy) -> None:
    """Take down what was found as if each sample had come in its own time.

    Raises
    ------
    ValueError
        The samples were not all newer than what was stored.
    """
    if not folded.appending:
        raise ValueError(f"{name}: samples that are not newer than those stored")
    found = sorted(transitions(name, folded.events), key=lambda each: each.time_ms)
    after_ms = folded.after_ms
    for time_ms, together in groupby(found, key=lambda each: each.time_ms):
        changes = journal.rewrite(
            tx,
            vehicle=name,
            after_ms=after_ms,
            transitions=list(together),
            now_ms=time_ms,
            policy=policy,
            appending=True,
        )
        tell_repaired(tx, name, changes.alarms, time_ms)
        after_ms = time_ms
