"""What is said of a server that does not answer, against real sockets."""

from __future__ import annotations

import socket
from contextlib import closing

import pytest

from ingest.influx_session import Access, Session, Trouble
from tests.alerts.far_side import free_port

UNKNOWN = "one-that-no-server-knows"


def said(url: str) -> tuple[str, str]:
    with (
        closing(
            Session(Access(url=url, org="northfold", token=UNKNOWN, timeout_s=0.5))
        ) as session,
        pytest.raises(Trouble) as raised,
    ):
        session.keep_s("heatbook")
    return raised.value.kind, raised.value.reason


def test_nobody_listens() -> None:
    assert said(f"http://127.0.0.1:{free_port()}") == ("away", "Connection refused")


def test_a_name_that_nobody_knows() -> None:
    # RFC 6761, 6.4: names below "invalid" never resolve.
    kind, reason = said("http://influx.invalid:8086")
    assert kind == "away"
    assert "HTTPConnection" not in reason


def test_a_server_that_never_answers() -> None:
    with closing(socket.create_server(("127.0.0.1", 0))) as silent:
        port = silent.getsockname()[1]
        assert said(f"http://127.0.0.1:{port}") == ("away", "no answer in time")
