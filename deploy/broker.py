"""A broker of our own as a child process, for the demo and for tests.

It listens on loopback and on a port of its own, never on that of a broker the system may run,
and it ends when the process that started it ends, however that happens.
"""

from __future__ import annotations

import contextlib
import getpass
import os
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from deploy.waiting import until

Kind = Literal["mosquitto", "embedded"]

HOST = "127.0.0.1"
START_S = 15.0
END_S = 10.0
ATTEMPTS = 5

PROFILE: tuple[str, ...] = (
    # As in deploy/mosquitto/heatbook.conf, which says why; here without TLS and users.
    "allow_anonymous true",
    "max_queued_messages 0",
    "max_queued_bytes 268435456",
    "max_inflight_messages 1000",
    "set_tcp_nodelay true",
    "persistence true",
    "autosave_interval 60",
)


class BrokerNotStarted(Exception):
    """The broker's process ended, or never answered; carries the end of its log."""

    def __init__(self, *, kind: Kind, port: int, said: str) -> None:
        super().__init__(f"the {kind} broker did not start on port {port}: {said.strip()}")
        self.kind, self.port, self.said = kind, port, said


def mosquitto_path() -> Path | None:
    """Return where mosquitto is installed; Debian puts it where users do not look."""
    found = shutil.which("mosquitto") or shutil.which(
        "mosquitto", path="/usr/sbin:/usr/local/sbin"
    )
    return None if found is None else Path(found)


def find_broker() -> Kind:
    """Choose mosquitto where it is installed, else the embedded one."""
    return "embedded" if mosquitto_path() is None else "mosquitto"


@dataclass(slots=True, kw_only=True)
class RunningBroker:
    """A broker that runs, or is between two runs on the same port and directory."""

    kind: Kind
    host: str
    port: int
    directory: Path
    lines: tuple[str, ...]
    pid: int = 0
    _process: subprocess.Popen[bytes] | None = field(default=None, repr=False)

    def stop(self) -> None:
        """End it in order, so that it saves what it saves at its end."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End it as a power cut would."""
        self._end(signal.SIGKILL)

    def restart(self) -> None:
        """Start it again on the same port; stop it first if it runs."""
        self.stop()
        self.start()

    def start(self) -> None:
        """Start it and wait until it answers."""
        if answers(self.host, self.port):
            # Otherwise the other's answer would be taken for that of ours.
            said = "somebody else listens there"
            raise BrokerNotStarted(kind=self.kind, port=self.port, said=said)
        self.directory.mkdir(parents=True, exist_ok=True)
        log_path = self.directory / "broker.log"
        with log_path.open("ab") as log_file:
            process = subprocess.Popen(  # noqa: S603 - our own command
                _COMMANDS[self.kind](self),
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=log_file,
                cwd=Path(__file__).resolve().parent.parent,
                start_new_session=True,
            )
        self._process = process
        first = process.stdout.readline().strip() if process.stdout else b""
        self.pid = int(first) if first.isdigit() else process.pid

        def settled() -> bool:
            return process.poll() is not None or answers(self.host, self.port)

        if not until(settled, START_S) or process.poll() is not None:
            self.kill()
            said = log_path.read_text(errors="replace")[-1000:]
            raise BrokerNotStarted(kind=self.kind, port=self.port, said=said)

    @property
    def running(self) -> bool:
        """Whether its process is there."""
        return self._process is not None and self._process.poll() is None

    def _end(self, how: signal.Signals) -> None:
        process = self._process
        if process is None:
            return
        with contextlib.suppress(ProcessLookupError):
            if process.poll() is None:
                os.kill(self.pid, how)
        try:
            process.wait(END_S)
        except subprocess.TimeoutExpired:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.pid, signal.SIGKILL)
            process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                pipe.close()
        self._process = None


def start_broker(
    kind: Kind,
    *,
    directory: Path,
    port: int = 0,
    lines: Sequence[str] = PROFILE,
) -> RunningBroker:
    """Start a broker and wait until it answers; port 0 means any free one.

    `lines` are mosquitto's settings below its listener line; the embedded one has no settings.
    """
    for attempt in range(ATTEMPTS):
        broker = RunningBroker(
            kind=kind,
            host=HOST,
            port=port or free_port(),
            directory=directory,
            lines=tuple(lines),
        )
        try:
            broker.start()
        except BrokerNotStarted:
            # Somebody may have taken the free port in between.
            if port or attempt == ATTEMPTS - 1:
                raise
        else:
            return broker
    raise AssertionError  # the loop returns or raises


def free_port() -> int:
    """Ask the system for a port nobody listens on."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port: int = probe.getsockname()[1]
        return port


def answers(host: str, port: int) -> bool:
    """Tell whether somebody accepts connections there."""
    try:
        with socket.create_connection((host, port), timeout=1.0):
            return True
    except OSError:
        return False


def _embedded(broker: RunningBroker) -> list[str]:
    return [sys.executable, "-m", "deploy.embedded_broker", str(broker.port)]


def _mosquitto(broker: RunningBroker) -> list[str]:
    program = mosquitto_path()
    if program is None:
        raise BrokerNotStarted(kind="mosquitto", port=broker.port, said="it is not installed")
    path = broker.directory / "mosquitto.conf"
    lines = [
        f"listener {broker.port} {broker.host}",
        f"persistence_location {broker.directory}/",
        *broker.lines,
    ]
    if os.getuid() == 0:
        # Started by root it would become another user, who may not write here.
        lines.append(f"user {getpass.getuser()}")
    path.write_text("\n".join(lines) + "\n")
    guard = [sys.executable, "-m", "deploy.child_guard", "--"]
    return [*guard, str(program), "-c", str(path)]


_COMMANDS: dict[Kind, Callable[[RunningBroker], list[str]]] = {
    "mosquitto": _mosquitto,
    "embedded": _embedded,
}
