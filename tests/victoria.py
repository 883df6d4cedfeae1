"""A real server other than InfluxDB that speaks the same write request, and that Debian carries."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.error import URLError
from urllib.request import urlopen

import pytest

from deploy.broker import free_port
from deploy.waiting import until

PATIENCE_S = 30.0


class Victoria:
    """A running server."""

    def __init__(self, url: str) -> None:
        self.url = url

    def series(self, metric: str) -> dict[str, tuple[list[int], list[float]]]:
        """Give times [Unix ms] and values of a metric by truck."""
        self._got("/internal/force_flush")
        told = self._got(f"/api/v1/export?match[]={metric}")
        rows = [json.loads(line) for line in told.splitlines()]
        return {
            row["metric"]["vehicle"]: (
                row["timestamps"],
                [float(each) for each in row["values"]],
            )
            for row in rows
        }

    def _got(self, path: str) -> str:
        with urlopen(self.url + path, timeout=PATIENCE_S) as answer:  # noqa: S310 - our own
            told: bytes = answer.read()
        return told.decode()

    def answers(self) -> bool:
        """Say whether it is up."""
        try:
            return self._got("/health") == "OK"
        except (URLError, ConnectionError):
            return False


@contextmanager
def victoria(folder: Path) -> Iterator[Victoria]:
    """Run the server; skip where it is not installed, in CI that is a failure."""
    program = shutil.which("victoria-metrics")
    if program is None:
        words = "victoria-metrics is not installed: apt-get install victoria-metrics"
        if os.environ.get("CI"):
            pytest.fail(words)
        pytest.skip(words)
    port = free_port()
    flags = [f"-httpListenAddr=127.0.0.1:{port}", f"-storageDataPath={folder}"]
    child = subprocess.Popen(  # noqa: S603 - the program just found
        [program, *flags, "-retentionPeriod=100y"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    server = Victoria(f"http://127.0.0.1:{port}")
    try:
        assert until(server.answers, PATIENCE_S)
        yield server
    finally:
        child.terminate()
        child.wait(PATIENCE_S)
