"""Runs one command and sees to it that it never outlives whoever asked for it.

`python -m deploy.child_guard -- COMMAND…`: the parent holds our standard input; when it ends,
however it ends, the kernel closes that pipe, and the command is ended too. The first line on
standard output is the process id of the command.
"""

from __future__ import annotations

import ctypes
import os
import select
import signal
import subprocess
import sys

LOOK_S = 1.0
PATIENCE_S = 5.0
_PR_SET_PDEATHSIG = 1


def orphaned(parent: int, signals: int) -> bool:
    """Wait a little; True when standard input has closed or the parent is another."""
    ready, _, _ = select.select([0, signals], [], [], LOOK_S)
    if signals in ready:
        os.read(signals, 4096)
    return (0 in ready and not os.read(0, 4096)) or os.getppid() != parent


def _die_with_parent() -> None:
    # Only if the guard itself is killed; elsewhere than on Linux the pipe alone must do.
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)


def main(command: list[str]) -> int:
    """Run `command` until it ends or we are orphaned; return its exit code."""
    parent = os.getppid()
    signals, signalled = os.pipe()  # a signal of the child's end cuts the wait short
    os.set_blocking(signalled, False)
    signal.set_wakeup_fd(signalled)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the parent's to act on
    child = subprocess.Popen(  # noqa: S603 - our own caller's command
        command,
        stdin=subprocess.DEVNULL,
        stdout=sys.stderr,
        start_new_session=True,
        preexec_fn=_die_with_parent,  # noqa: PLW1509 - this process has one thread
    )
    sys.stdout.write(f"{child.pid}\n")
    sys.stdout.flush()
    signal.signal(signal.SIGTERM, lambda *_: child.terminate())
    while child.poll() is None and not orphaned(parent, signals):
        pass
    if child.poll() is None:
        child.terminate()
        try:
            child.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            child.kill()
    return child.wait()


if __name__ == "__main__":
    sys.exit(main(sys.argv[2:]))
