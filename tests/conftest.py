"""Fixtures for all tests."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import structlog
from hypothesis import settings

from review.model_version import keep_compiled

keep_compiled()  # must come before the first import of the models

from tests import brokers  # noqa: E402 -- see above
from tests.brokers import Broker  # noqa: E402 -- see above

# How long one example takes says how busy the machine is, and nothing of what is tested.
settings.register_profile("unhurried", parent=settings.default, deadline=None)
settings.load_profile("unhurried")

# By default a fault is written with all its local values: a page that fails would take seconds to say so.
structlog.configure(
    processors=[
        structlog.processors.add_log_level,
        structlog.dev.ConsoleRenderer(exception_formatter=structlog.dev.plain_traceback),
    ]
)

LaunchBroker = Callable[..., Broker]

ALONE = {"e2e", "torture"}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what takes whole processes through real time: `make test` runs it with nothing beside it."""
    for item in items:
        if ALONE & set(item.path.parts):
            item.add_marker(pytest.mark.alone)


@pytest.fixture(autouse=True)
def _logs_as_before() -> Iterator[None]:
    """A command that a test runs in this process sets up its own logs; the next test has its own again."""
    before = structlog.get_config()
    yield
    structlog.configure(**before)


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
