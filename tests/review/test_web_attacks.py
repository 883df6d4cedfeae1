"""What somebody sends who means harm: headers that are believed nowhere, paths that lead nowhere.

OWASP Web Security Testing Guide 4.2 (from memory): 4.7.17 host header injection, 4.11.4 redirects, 4.5.1 path
traversal, 4.2.6 methods, 4.7.16 request smuggling; ASVS 4.0.3 (from memory) 5.1.5, 12.3, 13.1.
"""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import closing

import httpx
import pytest

from review.access.visitor import Role
from review.console.screens import console_routes
from tests.review.front_door import BY_HTTPS, OUTSIDE, Door, front_door
from tests.review.test_access_everywhere import places

EVIL = "evil.example"


@pytest.fixture(scope="module")
def door(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    with front_door(tmp_path_factory.mktemp("attacks"), origins=frozenset({OUTSIDE})) as door:
        yield door


def test_the_host_that_a_request_names_goes_into_no_answer(door: Door) -> None:
    """Else whoever writes it chooses where others are sent, once something on the way keeps the answer."""
    forged = {"host": EVIL, "x-forwarded-host": EVIL, "forwarded": f"host={EVIL}"}
    asked = 0
    with door.signed_in(Role.MANAGER) as client, door.client() as nobody:
        for place in places(console_routes(door.at.house)):
            if place.method != "GET" or place.path == "/live":
                continue
            for path in (place.address, place.address.rstrip("/") + "/"):
                for who in (client, nobody):
                    answer = who.get(path, headers=forged)
                    asked += 1
                    assert EVIL not in answer.text, path
                    assert EVIL not in str(answer.headers), path
                    where = answer.headers.get("location", "/")
                    assert where.startswith("/"), (path, where)
                    assert not where.startswith("//"), (path, where)
    assert asked > 100


@pytest.mark.parametrize(
    "path",
    [
        *("//evil.example", "//evil.example/", "/%2f%2fevil.example/", "/\\evil.example/"),
        *("/%5cevil.example", "/.evil.example", "/;//evil.example", "/?next=//evil.example"),
        *("/sign-in?next=//evil.example", "/sign-in?next=https:evil.example"),
        *("/sign-in?next=%09//evil.example", "/sign-in?next=/%5cevil.example"),
    ],
)
def test_no_address_leads_to_another_site(door: Door, path: str) -> None:
    with door.signed_in() as client:
        where = client.get(path).headers.get("location", "/")
        assert httpx.URL("http://own.example").join(where).host == "own.example", where


@pytest.mark.parametrize(
    "name",
    [
        *("../settings.py", "..%2fsettings.py", "%2e%2e/settings.py", "..%5csettings.py"),
        *("console.css%00", "console.css/../x", "....//x", "/etc/passwd", "%2fetc%2fpasswd"),
        *("assets.py", "__pycache__", ".", "..", "", "console.css%0d%0aX:1"),
    ],
)
def test_no_path_leads_out_of_the_files_that_are_served(door: Door, name: str) -> None:
    with door.client() as client:
        assert client.get(f"/static/{name}").status_code in (303, 404), name


@pytest.mark.parametrize(
    "name", ["%2e%2e%2f", "..%2f..%2fetc", "..%5c", "-rf", "a%00b", "a%0d%0ab"]
)
@pytest.mark.parametrize(
    "rest", ["", "/history", "/history/file?form=csv&detail=raw&first=1&last=2"]
)
def test_no_name_of_a_truck_leads_anywhere(door: Door, name: str, rest: str) -> None:
    with door.signed_in() as client:
        answer = client.get(f"/trucks/{name}{rest}")
        assert answer.status_code in (303, 404, 503), (name, answer.status_code)
        assert "content-disposition" not in answer.headers


@pytest.mark.parametrize(
    "method", ["TRACE", "CONNECT", "PUT", "DELETE", "PATCH", "PROPFIND", "X"]
)
def test_no_other_method_does_anything(door: Door, method: str) -> None:
    with door.signed_in() as client:
        for path in ("/", "/me", "/accounts", "/static/console.css"):
            answer = client.request(method, path, headers={"x-echo": "echoed"})
            assert answer.status_code in (400, 404, 405), (method, path, answer.status_code)
            assert "echoed" not in answer.text


def raw(door: Door, request: bytes) -> bytes:
    """Send bytes as they are; give all that comes back."""
    host, port = httpx.URL(door.at.url).host, httpx.URL(door.at.url).port
    with closing(socket.create_connection((host, port), timeout=20)) as line:
        line.sendall(request)
        line.shutdown(socket.SHUT_WR)
        found = b""
        while piece := line.recv(65_536):
            found += piece
    return found


SMUGGLED = b"GET /me HTTP/1.1\r\nHost: x\r\n\r\n"
HEAD = (
    b"POST /sign-in HTTP/1.1\r\nHost: x\r\nContent-Type: application/x-www-form-urlencoded\r\n"
)


@pytest.mark.parametrize(
    "framing",
    [
        b"Content-Length: 5\r\nContent-Length: 6\r\n\r\na=b&c=",
        b"Content-Length: 4\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n" + SMUGGLED,
        b"Transfer-Encoding: xchunked\r\n\r\n0\r\n\r\n",
        b"Content-Length: -1\r\n\r\n",
        b"Content-Length: +5\r\n\r\na=b&c",
        b"Content-Length : 5\r\n\r\na=b&c",
        b"Transfer-Encoding: chunked\r\n\r\nfffffffffffffffff\r\na",
        b"X: a\x00b\r\nContent-Length: 0\r\n\r\n",
    ],
)
def test_a_request_of_two_minds_is_not_understood_in_either(door: Door, framing: bytes) -> None:
    """RFC 9112, section 6.3: what a proxy could read otherwise must not be guessed at."""
    answers = raw(door, HEAD + framing).split(b"HTTP/1.1 ")[1:]
    if b"Content-Length: 4\r\nTransfer-Encoding" in framing:
        # Which counts is laid down: the second. What follows it is another request, by whoever sent both.
        assert len(answers) <= 2
    else:
        assert [answer[:3] for answer in answers] in ([b"400"], [b"501"], []), answers


def test_by_https_the_cookie_of_the_way_in_the_clear_counts_for_nothing(door: Door) -> None:
    """A neighbour on the network cannot plant a session: its name has the prefix (RFC 6265bis, 4.1.3.2)."""
    with door.signed_in() as client:
        assert client.get("/me").status_code == 200
        assert client.get("/me", headers=BY_HTTPS).status_code == 303


def test_a_form_of_thousands_of_fields_is_no_work(door: Door) -> None:
    many = "&".join(f"a{number}=1" for number in range(8_000))[:65_000]
    with door.client() as client:
        kind = {"content-type": "application/x-www-form-urlencoded"}
        answer = client.post("/sign-in", content=many, headers=kind)
        assert answer.status_code in (400, 403, 413)


def test_half_a_request_is_told_to_nobody(
    door: Door, capsys: pytest.CaptureFixture[str]
) -> None:
    """Else a stranger fills the log, and each time it says that a page of ours failed."""
    assert raw(door, HEAD + b"Content-Length: 50\r\n\r\nname=") == b""
    with door.client() as client:
        assert client.get("/sign-in").status_code == 200
    shown = capsys.readouterr()
    assert "web.failed" not in shown.out + shown.err
