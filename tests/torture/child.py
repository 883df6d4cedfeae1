"""The daemon under test: a real process with a settings file, started, killed and started again."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Protocol

from deploy.database import StoreError, read_only
from deploy.waiting import until

PATIENCE_S = 60.0
"""How long what must happen may take before the experiment gives up."""

COMMAND = (sys.executable, "-c", "import heatbook; heatbook.main()")


class Process(Protocol):
    """What is asked of a process; ``subprocess.Popen`` is one."""

    pid: int
    stdin: IO[bytes] | None
    returncode: int | None

    def poll(self) -> int | None:
        """Give its exit code, None while it runs."""

    def wait(self, timeout: float | None = None) -> int:
        """Wait for its end."""

    def send_signal(self, number: int, /) -> None:
        """Send a signal to it."""

    def kill(self) -> None:
        """Kill it."""


@dataclass(slots=True, kw_only=True)
class Child:
    """A daemon on one store; it may run or not."""

    folder: Path
    settings: str
    place: Path | None = None
    """Where its store is, when that is not ``folder``: on a disk of its own."""
    through: tuple[str, ...] = ()
    """What comes before its command: a recorder, or what makes its calls to the system fail."""
    patience_s: float = PATIENCE_S
    _process: Process | None = field(default=None, repr=False)

    @property
    def config(self) -> Path:
        """Its settings file."""
        return self.folder / "heatbook.toml"

    @property
    def store(self) -> Path:
        """Its store."""
        return (self.place or self.folder) / "heatbook.db"

    @property
    def log(self) -> str:
        """All it has said."""
        return (self.folder / "daemon.log").read_text(encoding="utf-8", errors="replace")

    @property
    def pid(self) -> int:
        """The process that runs."""
        assert self._process is not None
        return self._process.pid

    @property
    def running(self) -> bool:
        """Whether it runs."""
        return self._process is not None and self._process.poll() is None

    def start(self) -> None:
        """Start it; it may take a moment until it listens."""
        self.config.write_text(self.settings, encoding="utf-8")
        words = ("serve", "--config", str(self.config), "--stop-at-end-of-input")
        with (self.folder / "daemon.log").open("ab") as log:
            self._process = self._launch(words, log)

    def _launch(self, words: Sequence[str], log: IO[bytes]) -> Process:
        env = {name: value for name, value in os.environ.items() if "HEATBOOK_" not in name}
        return subprocess.Popen(  # noqa: S603 - our own command
            [*self.through, *COMMAND, *words],
            stdin=subprocess.PIPE,
            stdout=log,
            stderr=log,
            env=env,
        )

    def freeze(self) -> None:
        """Let it do nothing for a while."""
        os.kill(self.pid, signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on."""
        os.kill(self.pid, signal.SIGCONT)

    def kill(self) -> None:
        """End it as a power cut would."""
        process = self._end(signal.SIGKILL)
        assert process.returncode == -signal.SIGKILL, f"it had ended by itself: {self.log}"

    def stop(self) -> int:
        """End it in order; give its exit code."""
        code = self._end(None).returncode
        assert code is not None
        return code

    def _end(self, how: signal.Signals | None) -> Process:
        process, self._process = self._process, None
        assert process is not None
        assert process.stdin is not None
        if how is not None:
            process.send_signal(how)
        process.stdin.close()
        try:
            process.wait(self.patience_s)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        return process

    def abandon(self) -> None:
        """Leave nothing behind, however the experiment ended."""
        if self._process is not None:
            self._end(signal.SIGKILL)

    def count(self, statement: str) -> int:
        """Ask the store for one number, 0 while there is none."""
        try:
            with read_only(self.store) as conn:
                row = conn.execute(statement).fetchone()
        except (StoreError, OSError):
            return 0
        return 0 if row is None or row[0] is None else int(row[0])

    @property
    def messages(self) -> int:
        """How many messages it has committed, over all its lives."""
        if not self.store.exists():
            return 0
        return self.count(
            "SELECT (SELECT messages FROM source_position) WHERE EXISTS "
            "(SELECT 1 FROM sqlite_schema WHERE name = 'source_position')"
        )

    def wait_for(self, true: Callable[[], bool], what: str) -> None:
        """Wait for a condition while the daemon runs."""
        done = until(lambda: true() or not self.running, self.patience_s)
        assert self.running, f"the daemon ended by itself: {self.log[-4000:]}"
        assert done, f"waited in vain: {what}; the daemon said {self.log[-2000:]}"

    def wait_while_committing(self, true: Callable[[], bool], what: str) -> None:
        """Wait for a condition as long as it commits messages, on a slow machine too."""
        before = -1
        while not until(lambda: true() or not self.running, self.patience_s):
            now = self.messages
            assert now > before, f"waited in vain: {what}; the daemon said {self.log[-2000:]}"
            before = now
        assert self.running, f"the daemon ended by itself: {self.log[-4000:]}"
