"""The process that daemons are forked from: it has one thread and is asked over a socket.

``python -m tests.torture.nursery_child FD``, see ``tests/torture/nursery.py``.
"""

from __future__ import annotations

import gc
import json
import os
import socket
import sys

from typer.main import get_command

from review.model_version import keep_compiled

keep_compiled()  # must come before the first import of the models

from deploy import cli, serve  # noqa: E402, F401 -- see above; what the daemon loads
from ingest import parquet_archive  # noqa: E402, F401 -- see above
from models.kernel import warm_up  # noqa: E402 -- see above
from tests.torture.points import arm  # noqa: E402 -- see above

LONGEST = 65_536
"""Of a message between the two [bytes]."""


def main(number: int) -> None:
    """Load all that a daemon needs, then fork one whenever asked."""
    warm_up()
    cli.app = get_command(cli.app)  # type: ignore[assignment]  # it is called, and no more
    gc.collect()
    gc.freeze()
    with socket.socket(fileno=number) as line:
        line.send(b"ready")
        while True:
            message, handles, _, _ = socket.recv_fds(line, LONGEST, 2)
            if not message:
                return
            asked = json.loads(message)
            if "reap" in asked:
                status = os.waitpid(asked["reap"], 0)[1]
                answer = os.waitstatus_to_exitcode(status)
            else:
                answer = os.fork()
                if answer == 0:
                    line.close()
                    _live(asked["words"], asked["points"], handles)
                for handle in handles:
                    os.close(handle)
            line.send(str(answer).encode())


def _live(words: list[str], points: list[tuple[str, int]], handles: list[int]) -> None:
    """Be the daemon; never returns."""
    code = 1
    try:
        stdin, log = handles
        for old, new in ((stdin, 0), (log, 1), (log, 2)):
            os.dup2(old, new)
        for name, nth in points:
            arm(name, nth)
        sys.argv = ["heatbook", *words]
        cli.main()
    except SystemExit as end:
        code = int(end.code or 0)
    except BaseException:  # noqa: BLE001 - goes into the log, and nothing may go on from here
        sys.excepthook(*sys.exc_info())
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


if __name__ == "__main__":
    main(int(sys.argv[1]))
