"""The people of the demo, and a text-message service of its own for them: what they are told goes nowhere."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

PEOPLE = """\
# The people of Northfold Towing & Haulage, an invented outfit. What they are told goes to a stand-in for a
# text-message service inside the demo: nothing leaves this machine.

at_any_hour = "critical"

[people.ines]
name = "Ines"
ways = ["relay:text:+15550100"]
hours = "mon-fri 03:00-15:00"
digest = true

[people.omar]
name = "Omar"
ways = ["relay:text:+15550101"]

[people.kim]
name = "Kim"
ways = ["relay:text:+15550102"]

[rota.shop]
turn = ["omar", "kim"]
first_week = "2026-W01"
handover = "mon 03:00"

[[telling]]
name = "trouble on the road"
priority = "high"
tell = ["shop"]

[[telling.then]]
after_min = 30.0
tell = ["ines"]

[[telling]]
name = "cooling"
kinds = ["bypass_stuck", "cooler_starved", "heat_rejection_low"]
tell = ["omar"]

[[telling]]
name = "services"
kinds = ["service_due"]
tell = ["ines"]

[fallback]
tell = ["shop"]
"""


@contextmanager
def text_service() -> Iterator[int]:
    """Stand in for a text-message service on loopback; gives its port."""
    server = ThreadingHTTPServer(("127.0.0.1", 0), _Taking)
    thread = threading.Thread(target=server.serve_forever, name="texts", daemon=True)
    thread.start()
    try:
        yield int(server.server_address[1])
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


class _Taking(BaseHTTPRequestHandler):
    """Takes every message and keeps none."""

    def do_POST(self) -> None:
        """Take one."""
        self.rfile.read(int(self.headers.get("Content-Length", 0)))
        self.send_response(204)
        self.end_headers()

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the library's name
        """Say nothing."""
