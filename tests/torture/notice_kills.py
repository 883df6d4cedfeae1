"""A process killed while it hands over notices: nothing lost, nothing under a second id, all in order."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from deploy.waiting import until
from tests.torture.child import PATIENCE_S
from tests.torture.figures import Figure
from tests.torture.notice_checker import committed, compare
from tests.torture.notice_sides import WEB, Intake, MailServer, Mood, WebReceiver
from tests.torture.notice_stage import PEOPLE
from tests.torture.notices import figure_of

HOLD_S = 0.03
"""How long a far side that has taken a notice waits with its answer [s]: the moment to kill in."""

AT_HAND_OVER = 0.6
"""Share of the kills that come between the taking of a notice and its answer [-]; the others at any time."""


@dataclass(slots=True)
class Teller:
    """The process, again and again on one store."""

    folder: Path
    words: tuple[str, ...]
    _process: subprocess.Popen[str] | None = None

    def start(self, *more: str) -> None:
        """Start it."""
        with (self.folder / "teller.log").open("a") as log:
            self._process = subprocess.Popen(  # noqa: S603 - our own module
                [sys.executable, "-m", "tests.torture.notice_child", *self.words, *more],
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
                env={**os.environ, "PYTHONPATH": str(Path.cwd())},
            )

    def at_work(self) -> bool:
        """Wait until it says that it is at work; False when it ended instead."""
        assert self._process is not None
        assert self._process.stdout is not None
        return self._process.stdout.readline() == "at work\n"

    def kill(self) -> bool:
        """End it as a power cut would; False when it had ended by itself."""
        process, self._process = self._process, None
        assert process is not None
        process.send_signal(signal.SIGKILL)
        code = process.wait()
        assert process.stdout is not None
        process.stdout.close()
        return code == -signal.SIGKILL

    def finish(self) -> int:
        """Let it end by itself; give its exit code."""
        process, self._process = self._process, None
        assert process is not None
        assert process.stdout is not None
        try:
            return process.wait(4 * PATIENCE_S)
        finally:
            process.kill()
            process.wait()
            process.stdout.close()

    def abandon(self) -> None:
        """Leave nothing behind."""
        if self._process is not None:
            self.kill()


@dataclass(slots=True)
class HandOver:
    """Tells when a far side has taken something and not answered yet."""

    going: threading.Event = field(default_factory=threading.Event)
    number: int = 0

    def taking(self) -> None:
        """Hold the answer for a moment in which a kill may come."""
        self.number += 1
        self.going.set()
        time.sleep(HOLD_S)
        self.going.clear()


def notice_kill(folder: Path, seed: int, *, kills: int) -> Figure:
    """Kill -9 the process again and again, more often than not between a notice's taking and its answer."""
    rng = Random(f"{seed}/notice_kill")
    hand_over = HandOver()
    with _far_sides(Intake(taking=hand_over.taking)) as (intake, web, mail):
        folder.mkdir(parents=True, exist_ok=True)
        store = folder / "heatbook.db"
        words = (
            str(store),
            str(web.port),
            str(mail.port),
            str(time.time_ns() // 1_000_000),
        )
        teller = Teller(folder, words)
        try:
            within = sum(_one_kill(teller, hand_over, rng) for _ in range(kills))
            teller.start("last")
            code = teller.finish()
        finally:
            teller.abandon()
        verdict = compare(committed(store), intake.arrived, (*PEOPLE, WEB))
    return figure_of(
        "notice_kill",
        verdict,
        seed=seed,
        faults=f"{kills} kills",
        also=f"{within} of the kills at a hand-over",
        fine=code == 0 and verdict.messages > kills,
    )


def _one_kill(teller: Teller, hand_over: HandOver, rng: Random) -> bool:
    """Start, let it come to work or not, kill; say whether a notice was under way."""
    # What the one before it left with a far side must not be taken for this one's.
    until(lambda: not hand_over.going.is_set(), PATIENCE_S)
    teller.start()
    nth = hand_over.number + rng.randint(1, 12)
    if rng.random() < AT_HAND_OVER:
        until(lambda: hand_over.number >= nth and hand_over.going.is_set(), PATIENCE_S)
    elif teller.at_work():
        time.sleep(rng.expovariate(2.0))
    under_way = hand_over.going.is_set()
    assert teller.kill(), "it had ended by itself"
    return under_way


@contextmanager
def _far_sides(intake: Intake) -> Iterator[tuple[Intake, WebReceiver, MailServer]]:
    web, mail = WebReceiver(intake), MailServer(intake)
    try:
        web.be(Mood.FINE)
        mail.be(Mood.FINE)
        yield intake, web, mail
    finally:
        web.stop()
        mail.stop()
