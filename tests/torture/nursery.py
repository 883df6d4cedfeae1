"""Daemons forked from a process that has loaded everything: a start costs a tenth of a second, not three.

Hundreds of kills would otherwise be hundreds of imports. What is forked is the daemon as it is, a
process of its own with the command's own way in; what it loads is all that is spared it. It may be told
at which point of its work to die (``tests.torture.points``).

The other end of it is ``tests/torture/nursery_child.py``.
"""

from __future__ import annotations

import json
import os
import select
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import IO

from tests.torture.child import Child, Process

CHILD = "tests.torture.nursery_child"

LONGEST = 65_536
"""Of a message between the two [bytes]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """Where in its work a daemon is to die, and the how manieth time it comes there."""

    name: str
    nth: int = 1


class Nursery:
    """The experiment's end of it."""

    def __init__(self) -> None:
        self._line, other = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with other:
            self._process = subprocess.Popen(  # noqa: S603 - our own module
                [sys.executable, "-m", CHILD, str(other.fileno())], pass_fds=[other.fileno()]
            )
        self._answer()

    def fork(self, words: Sequence[str], points: Sequence[Point], log: IO[bytes]) -> Forked:
        """Start the command ``heatbook`` with these words."""
        theirs, ours = os.pipe()
        asked = {"words": [*words], "points": [[one.name, one.nth] for one in points]}
        try:
            socket.send_fds(self._line, [json.dumps(asked).encode()], [theirs, log.fileno()])
        finally:
            os.close(theirs)
        return Forked(self, int(self._answer()), os.fdopen(ours, "wb", buffering=0))

    def reap(self, pid: int) -> int:
        """Give the exit code of one that has ended, negative for a signal."""
        self._line.send(json.dumps({"reap": pid}).encode())
        return int(self._answer())

    def close(self) -> None:
        """End it."""
        self._line.close()
        self._process.wait()

    def _answer(self) -> str:
        answer = self._line.recv(LONGEST).decode()
        assert answer, "the nursery has ended"
        return answer


class Forked:
    """A process of the nursery, to be used as ``subprocess.Popen`` is."""

    def __init__(self, nursery: Nursery, pid: int, stdin: IO[bytes]) -> None:
        self.pid = pid
        self.stdin: IO[bytes] | None = stdin
        self.returncode: int | None = None
        self._nursery = nursery
        self._watch = os.pidfd_open(pid)

    def poll(self) -> int | None:
        """Give its exit code, None while it runs."""
        return self.returncode if self._ended(0.0) else None

    def wait(self, timeout: float | None = None) -> int:
        """Wait for its end."""
        if not self._ended(timeout):
            raise subprocess.TimeoutExpired("heatbook", timeout or 0.0)
        assert self.returncode is not None
        return self.returncode

    def send_signal(self, number: int) -> None:
        """Send a signal to it, if it still runs."""
        if self.returncode is None:
            os.kill(self.pid, number)

    def kill(self) -> None:
        """Kill it."""
        self.send_signal(signal.SIGKILL)

    def _ended(self, timeout: float | None) -> bool:
        if self.returncode is None:
            wait_ms = None if timeout is None else 1000.0 * timeout
            look = select.poll()
            look.register(self._watch, select.POLLIN)
            if not look.poll(wait_ms):
                return False
            self.returncode = self._nursery.reap(self.pid)
            os.close(self._watch)
        return True


@dataclass(slots=True, kw_only=True)
class NurseryChild(Child):
    """A daemon under test that comes from the nursery; ``points`` count from its next start on."""

    nursery: Nursery
    points: tuple[Point, ...] = field(default=())

    def _launch(self, words: Sequence[str], log: IO[bytes]) -> Process:
        return self.nursery.fork(words, self.points, log)

    def ended(self, patience_s: float) -> int | None:
        """Wait for it to die at its point; give its exit code, None while it lives."""
        process = self._process
        assert process is not None
        assert process.stdin is not None
        try:
            code = process.wait(patience_s)
        except subprocess.TimeoutExpired:
            return None
        process.stdin.close()
        self._process = None
        return code


@contextmanager
def nursery() -> Iterator[Nursery]:
    """Give a nursery; it ends with the experiment."""
    made = Nursery()
    try:
        yield made
    finally:
        made.close()
