"""A port that is no broker, or one that says what a test wants it to say."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress


@contextmanager
def doorman(greet: Callable[[socket.socket], None]) -> Iterator[int]:
    """Accept connections on a port and let `greet` deal with each."""
    links: list[socket.socket] = []

    def serve(door: socket.socket) -> None:
        with suppress(OSError):  # the door closes
            while True:
                links.append(door.accept()[0])
                with suppress(OSError):
                    greet(links[-1])

    with socket.create_server(("127.0.0.1", 0)) as door:
        thread = threading.Thread(target=serve, args=(door,))
        thread.start()
        port: int = door.getsockname()[1]
        yield port
        door.shutdown(socket.SHUT_RDWR)
    thread.join()
    for link in links:
        link.close()
