"""Fixtures for all tests."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests import brokers
from tests.brokers import Broker

LaunchBroker = Callable[..., Broker]


@pytest.fixture
def launch_broker(tmp_path: Path) -> Iterator[LaunchBroker]:
    """Starts brokers with settings of the test's own; all end with the test."""
    running: list[Broker] = []

    def launch(**how: object) -> Broker:
        directory = tmp_path / f"broker-{len(running)}"
        broker = brokers.launch(directory, **how)  # type: ignore[arg-type] # passed on
        running.append(broker)
        return broker

    yield launch
    for broker in running:
        broker.kill()


@pytest.fixture
def broker(launch_broker: LaunchBroker) -> Broker:
    """A real broker of the test's own."""
    return launch_broker()
