"""An InfluxDB 2 of our own that may be killed: its program is named by ``HEATBOOK_TEST_INFLUXD``."""

from __future__ import annotations

import json
import os
import subprocess
from pathlib import Path
from urllib.error import URLError
from urllib.request import Request, urlopen

import pytest

from deploy.broker import free_port
from deploy.waiting import until
from ingest.influx_session import Access

PROGRAM = "HEATBOOK_TEST_INFLUXD"

PATIENCE_S = 90.0

_TOKEN = "northfold-token"  # noqa: S105 - of a server that lives for a test
_FIRST = {"username": "northfold", "password": "northfold-word", "org": "northfold"}


class Influxd:
    """A server that keeps its data over kills."""

    def __init__(self, folder: Path) -> None:
        program = os.environ.get(PROGRAM)
        if not program:
            pytest.skip(f"needs the program of InfluxDB 2, named by {PROGRAM}")
        port = free_port()
        self.access = Access(
            url=f"http://127.0.0.1:{port}", org="northfold", token=_TOKEN, timeout_s=30.0
        )
        self._command = [
            *(program, "--http-bind-address", f"127.0.0.1:{port}", "--reporting-disabled"),
            *("--bolt-path", str(folder / "influxd.bolt")),
            *("--sqlite-path", str(folder / "influxd.sqlite")),
            *("--engine-path", str(folder / "engine")),
        ]
        self._child = self._started()
        told = json.dumps({**_FIRST, "bucket": "first", "token": _TOKEN}).encode()
        urlopen(Request(f"{self.access.url}/api/v2/setup", told, method="POST")).close()  # noqa: S310

    def kill(self) -> None:
        """End it in the midst of what it does."""
        self._child.kill()
        self._child.wait()

    def start(self) -> None:
        """Start it again on what is there."""
        self._child = self._started()

    def _started(self) -> subprocess.Popen[bytes]:
        child = subprocess.Popen(  # noqa: S603 - named by whoever runs the tests
            self._command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        assert until(self._answers, PATIENCE_S)
        return child

    def _answers(self) -> bool:
        try:
            with urlopen(f"{self.access.url}/health", timeout=5.0) as answer:  # noqa: S310
                return bool(answer.status == 200)
        except (URLError, ConnectionError, TimeoutError):
            return False
