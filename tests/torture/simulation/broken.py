"""Systems that are broken on purpose: a checker that finds nothing in them proves nothing."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from typing import Any
from unittest.mock import patch

import numpy as np

import ingest.fold
from alerts import sending
from alerts.dispatcher import Dispatcher
from deploy import record_intake
from deploy.daemon import Daemon
from deploy.history_move import HistoryMove
from deploy.pipeline import Pipeline
from ingest.held import Held
from ingest.message import Message

Breaks = Callable[[], AbstractContextManager[Any]]


def _ack_first() -> AbstractContextManager[Any]:
    """Acknowledge what was taken, then commit it."""
    sound = Daemon._commit

    def commit(daemon: Daemon, messages: Sequence[Message]) -> None:
        daemon._parts.source.ack(messages)
        sound(daemon, messages)

    return patch.object(Daemon, "_commit", commit)


def _repeats_count() -> AbstractContextManager[Any]:
    """Take each sample for a new one."""
    return patch.object(
        ingest.fold, "fresh_rows", lambda _known, offered: np.ones(len(offered), bool)
    )


def _no_way_back() -> AbstractContextManager[Any]:
    """Run late samples on from the newest state, without going back to a checkpoint."""
    return patch.object(ingest.fold, "_back_before", lambda _tx, held, _since_ms: held)


def _refusal_is_delivery() -> AbstractContextManager[Any]:
    """Take a notice that the far side did not take for delivered."""

    def defer(tx: Any, one: Any, now_ms: int, *, due_ms: int, reason: str) -> None:
        del due_ms
        sending.settle(tx, one, now_ms, reason)

    return patch.object(sending, "defer", defer)


def _claims_stay() -> AbstractContextManager[Any]:
    """Leave what a dead process had claimed to nobody."""
    return patch.object(Dispatcher, "recover", lambda _: 0)


def _memory_first() -> AbstractContextManager[Any]:
    """Take the new states over before they are committed."""
    sound = Pipeline._fold_all

    def fold_all(pipeline: Pipeline, *given: Any) -> dict[str, Held]:
        changed = sound(pipeline, *given)
        pipeline._trucks.put(*changed.values())
        return changed

    return patch.object(Pipeline, "_fold_all", fold_all)


def _rows_go_first() -> AbstractContextManager[Any]:
    """Clear the journal of a month that was never written."""
    return patch.object(HistoryMove, "_replace", lambda *_: None)


def _entries_from_now_on() -> AbstractContextManager[Any]:
    """Count an entry of the record from now on, not from its date."""
    sound = ingest.fold.rerun

    def rerun(tx: Any, held: Held, *, since_ms: int) -> Any:
        return sound(tx, held, since_ms=max(since_ms, held.last_ms + 1))

    return patch.object(record_intake, "rerun", rerun)


BROKEN: Mapping[str, Breaks] = {
    "acknowledged before the commit": _ack_first,
    "repeats count": _repeats_count,
    "no way back to a checkpoint": _no_way_back,
    "a refused notice is taken for delivered": _refusal_is_delivery,
    "what a dead process claimed stays claimed": _claims_stay,
    "states are taken over before the commit": _memory_first,
    "rows go before the month is written": _rows_go_first,
    "an entry counts from now on": _entries_from_now_on,
}
"""What is broken, in words, and what breaks it."""
