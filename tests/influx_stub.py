"""A strict stand-in for InfluxDB 2: write, read, delete; for answers that a real server gives rarely.

Statuses, bodies and what is kept of a refused request follow the API's documentation (docs.influxdata.com,
InfluxDB OSS v2: "POST /api/v2/write", "Troubleshoot issues writing data") and, for a conflict of field types,
what version 2.7.11 was seen to answer. What a real server can be made to do is tried against one as well.
"""

from __future__ import annotations

import gzip
import json
import re
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

from tests.influx_query import answered

TOKEN, ORG = "stub-token", "northfold"

_LINE = re.compile(
    r"(?P<series>(?:\\.|[^ ,])+(?:,(?:\\.|[^ ,=])+=(?:\\.|[^ ,])+)*) "
    r'(?P<fields>(?:\\.|[^ ,="])+=(?:"(?:\\.|[^"\\])*"|[^ ,"]+)'
    r'(?:,(?:\\.|[^ ,="])+=(?:"(?:\\.|[^"\\])*"|[^ ,"]+))*) (?P<time>-?\d+)'
)
_FIELD = re.compile(r'((?:\\.|[^ ,="])+)=("(?:\\.|[^"\\])*"|[^ ,"]+)')
_PLAIN = re.compile(r"-?\d+(\.\d+)?([eE][+-]?\d+)?i?|true|false")

Answer = tuple[int, Mapping[str, str], str]
Refuses = Callable[[str], str | None]


def problem(status: int, message: str, **headers: str) -> Answer:
    """Give an answer of the documented form."""
    codes = {400: "invalid", 401: "unauthorized", 404: "not found", 422: "unprocessable entity"}
    return status, headers, json.dumps({"code": codes.get(status, "error"), "message": message})


class Stub:
    """What the stand-in keeps, and what it is told to answer next."""

    def __init__(self) -> None:
        self.points: dict[tuple[str, str, int], dict[str, str]] = {}
        self.buckets = {"heatbook": 0, "heatbook-sums": 0, "heatbook-archive": 0}
        self.answers: deque[Answer | str] = deque()
        self.always: Answer | str | None = None
        self.refuses: Refuses = lambda line: None
        self.partial = True
        self.requests: list[list[str]] = []
        self.asked = 0
        self.deleted: list[tuple[str, str]] = []
        self.url = ""

    def vehicles(self, bucket: str = "heatbook") -> list[tuple[str, int]]:
        """Give series and time of every point in a bucket."""
        return sorted((series, at) for kept, series, at in self.points if kept == bucket)

    def write(self, query: Mapping[str, list[str]], lines: list[str]) -> Answer:
        """Take lines as the server does: those that it can, or none."""
        self.requests.append(lines)
        bucket = query["bucket"][0]
        if query.get("precision") != ["ms"] or query.get("org") != [ORG]:
            return problem(400, f"not what was agreed: {query}")
        if bucket not in self.buckets:
            return problem(404, f'bucket "{bucket}" not found')
        wrong = [line for line in lines if _LINE.fullmatch(line) is None]
        if wrong:
            return problem(400, f"unable to parse '{wrong[0]}': missing fields")
        bad = {line: why for line in lines if (why := self.refuses(line)) is not None}
        if bad and not self.partial:
            return problem(400, next(iter(bad.values())))
        for line in lines:
            if line not in bad:
                self._keep(bucket, line)
        if bad:
            why = next(iter(bad.values()))
            return problem(422, f"partial write: {why} dropped={len(bad)}")
        return 204, {}, ""

    def _keep(self, bucket: str, line: str) -> None:
        match = _LINE.fullmatch(line)
        assert match is not None
        fields = dict(_FIELD.findall(match["fields"]))
        assert all(value[0] == '"' or _PLAIN.fullmatch(value) for value in fields.values()), (
            line
        )
        key = bucket, match["series"], int(match["time"])
        self.points.setdefault(key, {}).update(fields)


class _Handler(BaseHTTPRequestHandler):
    stub: Stub
    protocol_version = "HTTP/1.1"
    wbufsize = 65_536  # in one piece, else an answer waits for its head to be acknowledged

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        if self.headers.get("Content-Encoding") == "gzip":
            body = gzip.decompress(body)
        self.stub.asked += 1
        planned = self.stub.answers.popleft() if self.stub.answers else self.stub.always
        if planned == "cut":
            self.close_connection = True
            return
        if planned == "slow":
            time.sleep(1.0)
        if isinstance(planned, tuple):
            self._answer(*planned)
        else:
            self._answer(*self._done(body))

    def _done(self, body: bytes) -> Answer:
        parts = urlsplit(self.path)
        if self.headers["Authorization"] != f"Token {TOKEN}":
            return problem(401, "unauthorized access")
        query = parse_qs(parts.query)
        if parts.path == "/api/v2/write":
            return self.stub.write(query, body.decode().split("\n"))
        if parts.path == "/api/v2/query":
            told = answered(self.stub.points, json.loads(body)["query"])
            return problem(400, "not a query of ours") if told is None else (200, {}, told)
        if parts.path == "/api/v2/delete":
            told = json.loads(body)["predicate"]
            self.stub.deleted.append((query["bucket"][0], told))
            return 204, {}, ""
        return problem(404, f"path not found: {parts.path}")

    def _answer(self, status: int, headers: Mapping[str, str], body: str) -> None:
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name.replace("_", "-"), value)
        self.send_header("Content-Length", str(len(body.encode())))
        self.end_headers()
        self.wfile.write(body.encode())

    def log_message(self, *_: Any) -> None:
        pass


@contextmanager
def stub() -> Iterator[Stub]:
    """Run a stand-in."""
    made = Stub()
    handler = type("Handler", (_Handler,), {"stub": made})
    server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
    server.daemon_threads = True
    made.url = f"http://127.0.0.1:{server.server_port}"
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield made
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
