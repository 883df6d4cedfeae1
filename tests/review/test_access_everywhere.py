"""Every route there is: nobody comes in unasked, nothing is done without the session's secret, roles hold.

The routes are taken from the site as the daemon puts it together, so that a page added tomorrow is asked too.
OWASP ASVS 4.0.3 (from memory): 4.1.1 and 4.1.3 access by default denied; 4.2.2 and 13.2.3 forged requests;
14.4 and 14.5 headers.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
from starlette.routing import BaseRoute, Mount, Route

from review.access.gate import CSRF_HEADER
from review.access.visitor import Role
from review.console.screens import console_routes
from tests.review.front_door import Door, form_secret, front_door
from tests.review.stage import PASSWORD, Stage, signed_in, stage

OPEN = {"/sign-in", "/sign-in/password", "/static/{name}"}
"""Pages that are there for whoever is not signed in."""

FILLED = {"truck": "NF-03", "name": "console.css"}


@dataclass(frozen=True)
class Place:
    path: str
    method: str

    @property
    def address(self) -> str:
        return re.sub(
            r"\{(\w+)(:\w+)?\}", lambda m: FILLED.get(m[1], "1" if m[2] else "x"), self.path
        )


def places(routes: object, before: str = "") -> Iterator[Place]:
    """Walk all routes, also those of what is mounted."""
    for each in routes:  # type: ignore[attr-defined] # a sequence of routes
        assert isinstance(each, BaseRoute)
        if isinstance(each, Route):
            for method in sorted(each.methods or ()):
                yield Place(before + each.path, method)
        elif isinstance(each, Mount):
            yield from places(each.routes, before + each.path)
        else:
            raise TypeError(f"{each!r} is walked by nobody")


@pytest.fixture(scope="module")
def at(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with stage(tmp_path_factory.mktemp("everywhere")) as at:
        yield at


@pytest.fixture(scope="module")
def all_places(at: Stage) -> list[Place]:
    found = list(places(console_routes(at.house)))
    assert len(found) > 40
    assert len([each for each in found if each.method == "POST"]) > 15
    return found


def changes(at: Stage) -> list[tuple[object, ...]]:
    """Give everything the store says that a form could change."""
    tables = (
        "audit",
        "alarm_event",
        "hold",
        "account",
        "api_token",
        "inbox",
        "quarantine",
        "sending",
    )
    with at.database.read() as conn:
        names = [name for name in (*tables, "service_entry") if _is_there(conn, name)]
        assert len(names) >= len(tables)
        return [row for name in names for row in conn.execute(f"SELECT * FROM {name}")]  # noqa: S608


def _is_there(conn: object, name: str) -> bool:
    found = conn.execute("SELECT 1 FROM sqlite_schema WHERE name = ?", (name,))  # type: ignore[attr-defined]
    return found.fetchone() is not None


def test_no_page_is_shown_and_nothing_is_done_without_signing_in(
    at: Stage, all_places: list[Place]
) -> None:
    before = changes(at)
    with httpx.Client(base_url=at.url) as nobody:
        for place in all_places:
            if place.path in OPEN:
                continue
            said = nobody.request(place.method, place.address)
            sent_on = said.status_code == 303
            assert sent_on or said.status_code == 401, (place, said.status_code)
            if sent_on:
                assert said.headers["location"].startswith("/sign-in"), place
            assert "NF-0" not in said.text, place
    assert changes(at) == before


@pytest.mark.parametrize("sent", ["nothing", "another's", "elsewhere", "empty"])
def test_no_form_is_taken_that_does_not_carry_the_secret_of_the_session(
    at: Stage, all_places: list[Place], sent: str
) -> None:
    with ExitStack() as stack:
        mine = stack.enter_context(signed_in(at, Role.MANAGER))
        other = stack.enter_context(signed_in(at, Role.MANAGER))
        secret, headers = {
            "nothing": (None, {}),
            "empty": ("", {}),
            "another's": (other.headers[CSRF_HEADER], {}),
            "elsewhere": (mine.headers[CSRF_HEADER], {"sec-fetch-site": "cross-site"}),
        }[sent]
        del mine.headers[CSRF_HEADER]
        fields = {} if secret is None else {"csrf": secret}
        before = changes(at)
        for place in all_places:
            if place.method in ("GET", "HEAD"):
                continue
            if place.path == "/sign-in/password":
                continue  # is there only in a provisional session: tested with it
            said = mine.request(place.method, place.address, data=fields, headers=headers)
            assert said.status_code == 403, (place, said.status_code)
        assert changes(at) == before
        assert mine.get("/me").status_code == 200  # also signing out is a form


def test_a_viewer_changes_nothing_but_what_is_their_own(
    at: Stage, all_places: list[Place]
) -> None:
    own = {
        "/sign-out",
        "/me/units",
        "/me/password",
        "/me/sessions",
        "/sign-in",
        "/sign-in/again",
    }
    asking = {"/what-if/{truck}", "/hindsight"}
    """Forms that compute something and write nothing down."""
    with signed_in(at, Role.VIEWER) as kim:
        before = changes(at)
        for place in all_places:
            if place.method == "POST" and place.path not in (own | asking | OPEN):
                said = kim.post(place.address)
                assert said.status_code == 403, (place, said.status_code)
                assert "yours is viewer" in said.text, place
        assert changes(at) == before


RULED = ("/accounts", "/accounts/1", "/accounts/tokens", "/accounts/log")
WATCHED = ("/system", "/system/quarantine")


@pytest.mark.parametrize("role", list(Role))
def test_who_may_look_at_what(at: Stage, role: Role) -> None:
    with signed_in(at, role) as client:
        for path in RULED:
            assert (client.get(path).status_code == 200) is (role is Role.MANAGER), path
        for path in WATCHED:
            assert (client.get(path).status_code == 200) is (role >= Role.TECHNICIAN), path
        menu = client.get("/people").text
        assert ('href="/accounts"' in menu) is (role is Role.MANAGER)
        assert ('href="/system"' in menu) is (role >= Role.TECHNICIAN)


def test_every_answer_has_the_headers(at: Stage, all_places: list[Place]) -> None:
    """CSP level 3, RFC 6797 7.2 (no HSTS in the clear), RFC 9111 5.2.2.5 (what is private is not kept)."""
    with signed_in(at, Role.MANAGER) as client:
        for place in all_places:
            if place.method != "GET" or place.path == "/live":
                continue
            headers = client.get(place.address).headers
            rules = dict(
                rule.strip().partition(" ")[::2]
                for rule in headers["content-security-policy"].split(";")
            )
            assert rules["default-src"] == "'none'", place
            assert rules["script-src"] == "'self'", place
            assert rules["form-action"] == "'self'", place
            assert rules["frame-ancestors"] == rules["base-uri"] == "'none'", place
            assert "unsafe" not in headers["content-security-policy"], place
            assert headers["x-content-type-options"] == "nosniff", place
            assert "strict-transport-security" not in headers, place
            kept = headers["cache-control"]
            assert "public" not in kept or place.path == "/static/{name}", place


def test_a_request_that_is_too_long_is_refused(at: Stage) -> None:
    with signed_in(at, Role.MANAGER) as client:
        assert client.post("/me/units", data={"temperature": "F" * 70_000}).status_code == 413


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with front_door(tmp_path) as door:
        yield door


def test_a_role_that_is_taken_away_is_gone_with_the_next_click(door: Door) -> None:
    with door.signed_in() as ines, door.signed_in(Role.TECHNICIAN) as omar:
        ((key,),) = door.rows("SELECT id FROM account WHERE name = 'Omar'")
        assert ines.post(f"/accounts/{key}/role", data={"role": "manager"}).status_code == 303
        assert omar.get("/accounts/log").status_code == 200
        assert ines.post(f"/accounts/{key}/role", data={"role": "viewer"}).status_code == 303
        assert omar.get("/accounts/log").status_code == 403
        assert ines.post(f"/accounts/{key}/disable").status_code == 303
        assert omar.get("/me").status_code == 303
        assert ines.post(f"/accounts/{key}/enable").status_code == 303
        assert omar.get("/me").status_code == 303  # its sessions were ended for good
    assert [each[1:] for each in door.audit() if each[1].startswith("account.")] == [
        ("account.role_changed", "Omar: technician to manager"),
        ("account.role_changed", "Omar: manager to viewer"),
        ("account.disabled", "Omar"),
        ("account.enabled", "Omar"),
    ]


def test_the_last_manager_stays_one(door: Door) -> None:
    with door.signed_in() as ines:
        ((key,),) = door.rows("SELECT id FROM account WHERE name = 'Ines'")
        for what in ({"role": "viewer"}, None):
            path = f"/accounts/{key}/role" if what else f"/accounts/{key}/disable"
            said = ines.post(path, data=what)
            assert (said.status_code, "only manager" in said.text) == (422, True)
        assert ines.get("/accounts").status_code == 200


def test_what_rules_over_others_asks_for_the_password_once_more(door: Door) -> None:
    """ASVS 4, 3.7.1; ASVS 5, 7.5.1 (both from memory)."""
    with door.signed_in() as ines:
        door.times.pass_(door.at.house.gate.rules.proved_ms)
        assert (
            ines.get("/accounts/1").headers["location"] == "/sign-in/again?next=%2Faccounts%2F1"
        )
        asked = ines.post("/accounts", data={"name": "Kim", "role": "manager"})
        assert asked.headers["location"] == "/sign-in/again?next=%2Faccounts"
        assert door.rows("SELECT name FROM account") == [("Ines",)]
        assert ines.get("/accounts/log").status_code == 200  # reading what was done does not
        old = ines.cookies["heatbook"]
        fields = {"next": "/accounts/1", "password": "not it"}
        assert ines.post("/sign-in/again", data=fields).status_code == 403
        done = ines.post("/sign-in/again", data={**fields, "password": PASSWORD})
        assert (done.status_code, done.headers["location"]) == (303, "/accounts/1")
        assert ines.cookies["heatbook"] != old  # another token with more rights
        page = ines.get("/accounts/1")
        assert page.status_code == 200
        assert form_secret(page.text) != ines.headers[CSRF_HEADER]


def test_somebody_is_added_with_a_one_time_password_that_is_shown_once(door: Door) -> None:
    with door.signed_in() as ines:
        shown = ines.post("/accounts", data={"name": " Kim  of the desk", "role": "viewer"})
        assert shown.status_code == 200
        found = re.search(r'class="once">([^<]+)<', shown.text)
        assert found is not None
        assert shown.headers["cache-control"] == "no-store"
        again = ines.post("/accounts", data={"name": "KIM OF THE DESK", "role": "viewer"})
        assert (again.status_code, "There is an account named" in again.text) == (422, True)
        for name in ("", "x" * 41, "a\x00b"):
            assert (
                ines.post("/accounts", data={"name": name, "role": "viewer"}).status_code == 422
            )
        assert ines.post("/accounts", data={"name": "Omar", "role": "owner"}).status_code == 422
        page = ines.get("/accounts").text
        assert "password not chosen yet" in page
        assert found[1] not in page
    with door.client() as client:
        done = door.sign_in(client, "kim of the desk", found[1])
        assert done.headers["location"].startswith("/sign-in/password")
    assert found[1] not in str(door.rows("SELECT * FROM audit"))


def test_a_token_is_shown_once_and_opens_the_api_until_it_is_revoked(door: Door) -> None:
    with door.signed_in() as ines:
        made = ines.post(
            "/accounts/tokens", data={"name": "wall screen", "record": "on", "days": "30"}
        )
        found = re.search(r'class="once">(heatbook_[^<]+)<', made.text)
        assert found is not None
        page = ines.get("/accounts/tokens").text
        assert "wall screen" in page
        assert found[1] not in page
        assert ines.post("/accounts/tokens", data={"name": "wall screen"}).status_code == 422
        assert ines.post("/accounts/tokens", data={"name": "x", "days": "9"}).status_code == 422
        assert ines.post("/accounts/tokens/1/revoke").status_code == 303
        assert "revoked by Ines" in ines.get("/accounts/tokens").text
    told = [each[1:] for each in door.audit() if each[1].startswith("token.")]
    assert told == [
        ("token.made", "wall screen: read, record"),
        ("token.revoked", "wall screen"),
    ]


def test_the_log_is_read_by_who_and_what_and_page_by_page(door: Door) -> None:
    with door.write() as tx:
        tx.executemany(
            "INSERT INTO audit (time_ms, who, what, about, address) VALUES (?, ?, ?, ?, ?)",
            [(nth, "Omar", "alarm.acknowledged", f"NF-{nth:03} <b>", "") for nth in range(150)]
            + [(9, "Kim", "of.a.later.version", "", "")],
        )
    with door.signed_in() as ines:
        page = ines.get("/accounts/log?who=Omar").text
        assert page.count("acknowledged an alarm: NF-") == 100
        assert "NF-149 &lt;b&gt;" in page
        older = re.search(r'href="(/accounts/log\?[^"]+)">Older', page)
        assert older is not None
        rest = ines.get(older[1].replace("&amp;", "&")).text
        assert rest.count("acknowledged an alarm: NF-") == 50
        assert "of.a.later.version" in ines.get("/accounts/log?who=Kim").text
        assert ines.get("/accounts/log?before=x&what=y").status_code == 200


def test_units_are_ones_own(door: Door) -> None:
    with door.signed_in() as ines:
        for given, held in (("F", "F"), ("K", None), ("", None)):
            ines.post("/me/units", data={"temperature": given, "distance": "mi"})
            assert door.rows("SELECT temperature, distance FROM account") == [(held, "mi")]
