"""An archive in a server that takes questions and never answers."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from deploy.influx_patience import TIMES, Patience, PatientArchive
from deploy.waiting import until
from ingest.archive import ArchiveAway, ArchiveError
from ingest.influx_session import Access, Session
from tests.influx_stub import ORG, TOKEN


class Hanging:
    """A server that hangs; each question takes ten seconds by its clock."""

    def __init__(self, far: socket.socket) -> None:
        self.url = f"http://127.0.0.1:{far.getsockname()[1]}"
        self.now_ms = 0
        self.asked = 0
        self._far = far
        self._open: list[socket.socket] = []
        self.thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        while True:
            try:
                self._open.append(self._far.accept()[0])
            except OSError:
                break
            self.asked += 1
            self.now_ms += 10_000
        for each in self._open:
            each.close()


@contextmanager
def hanging() -> Iterator[Hanging]:
    with socket.create_server(("127.0.0.1", 0)) as far:
        made = Hanging(far)
        made.thread.start()
        yield made
        far.shutdown(socket.SHUT_RDWR)
    made.thread.join()


def test_it_is_asked_once_and_again_only_after_a_while() -> None:
    with hanging() as far:
        session = Session(Access(url=far.url, org=ORG, token=TOKEN, timeout_s=0.3))
        patience = Patience(lambda: far.now_ms)

        def read() -> None:
            archive = PatientArchive(session, "months", patience)
            with pytest.raises(ArchiveError, match="InfluxDB"):
                archive.read("vehicle=NF-01/2026-01", 0, 1)

        for _ in range(100):
            read()
        assert far.asked == 1
        far.now_ms += TIMES * 10_000
        read()
        assert far.asked == 2
        session.close()


def test_while_one_finds_out_whether_it_is_back_nobody_waits_with_it() -> None:
    with hanging() as far:
        session = Session(Access(url=far.url, org=ORG, token=TOKEN, timeout_s=5.0))
        patience = Patience(lambda: far.now_ms)
        patience.error = ArchiveAway("InfluxDB is away", "wait")

        def read() -> None:
            archive = PatientArchive(session, "months", patience)
            with pytest.raises(ArchiveAway, match="InfluxDB"):
                archive.read("vehicle=NF-01/2026-01", 0, 1)

        first = threading.Thread(target=read)
        first.start()
        assert until(lambda: far.asked == 1, 20.0)
        for _ in range(100):
            read()
        assert first.is_alive()
        assert far.asked == 1
        first.join()
        session.close()
