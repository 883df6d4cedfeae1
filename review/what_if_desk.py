"""Answers what-if questions one at a time, and keeps the answers: each is seconds of computing.

Whoever asks waits a little; what takes longer goes on, and is there when they ask again.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field

import structlog

from models.what_if_figures import Change
from review.problems import Mistake
from review.what_if import Answer

log = structlog.get_logger()

WAIT_S = 4.0
"""So long a page waits for an answer before it says that it is being computed [s]; own choice."""

MOST_WAITING = 6
"""More questions than these are not taken on at once; own choice."""

KEPT = 64
"""Answers kept, the newest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What is asked: a truck, by what it was computed (``basis``), a span [Unix ms], the changes.

    ``since_ms`` 0: the truck's usual span.
    """

    truck: str
    basis: str
    since_ms: int
    until_ms: int
    changes: tuple[Change, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """It is not there yet: ``before`` others are computed first."""

    before: int


class Busy(Exception):
    """Too many questions wait already."""


@dataclass(slots=True)
class _Case:
    done: threading.Event = field(default_factory=threading.Event)
    answer: Answer | None = None
    mistake: Mistake | None = None
    failed: bool = False


class WhatIfDesk:
    """Takes questions; from any thread."""

    def __init__(
        self, compute: Callable[[Question], Answer], *, wait_s: float = WAIT_S
    ) -> None:
        self._compute = compute
        self._wait_s = wait_s
        self._gate = threading.Lock()
        self._cases: OrderedDict[Question, _Case] = OrderedDict()
        self._queue: list[Question] = []
        self._working = False

    def ask(self, question: Question) -> Answer | Waiting:
        """Give the answer if it is there within a few seconds.

        Raises
        ------
        Mistake
            There is no ground for an answer.
        Busy
            Too many wait already.
        """
        case = self._case(question)
        if not case.done.wait(self._wait_s):
            with self._gate:
                before = self._queue.index(question) if question in self._queue else 0
            return Waiting(before=before)
        if case.mistake is not None:
            raise case.mistake
        if case.answer is None:
            raise RuntimeError(f"the what-if of {question.truck} failed; the log says why")
        return case.answer

    def _case(self, question: Question) -> _Case:
        with self._gate:
            case = self._cases.get(question)
            if case is not None and not case.failed:
                self._cases.move_to_end(question)
                return case
            if len(self._queue) >= MOST_WAITING:
                raise Busy
            case = self._cases[question] = _Case()
            self._queue.append(question)
            self._forget()
            if not self._working:
                self._working = True
                threading.Thread(target=self._work, name="what-if", daemon=True).start()
            return case

    def _forget(self) -> None:
        over = len(self._cases) - KEPT
        for question in [each for each, case in self._cases.items() if case.done.is_set()][
            : max(over, 0)
        ]:
            del self._cases[question]

    def _work(self) -> None:
        while True:
            with self._gate:
                if not self._queue:
                    self._working = False
                    return
                question = self._queue[0]
                case = self._cases[question]
            self._settle(question, case)
            with self._gate:
                self._queue.remove(question)

    def _settle(self, question: Question, case: _Case) -> None:
        try:
            case.answer = self._compute(question)
        except Mistake as mistake:
            case.mistake = mistake
        except Exception as error:
            case.failed = True
            log.error("what_if.failed", vehicle=question.truck, exc_info=error)
        finally:
            case.done.set()
