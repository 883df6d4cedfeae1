"""Signing in, staying in, going out.

OWASP ASVS 4.0.3 (from memory): 2.2.1 and 2.2.2, generic answers and slow guessing; 2.3.1 one-time passwords;
2.1.5 and 2.1.6 changing one's own; 3.2.1 a new token at sign-in; 3.2.2 128 bits or more; 3.3.1 sign-out ends
it; 3.3.2 limits in time; 3.3.3 a changed password ends other sessions; 3.3.4 seeing and ending one's own;
3.4.1 to 3.4.5 cookies. ASVS 5.0 (from memory): 6.4.1, 7.2.4, 7.3.1, 7.3.2, 7.4.1 to 7.4.3, 7.5.2. RFC
6265bis, sections 4.1.2 and 4.1.3: attributes and prefixes.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from review.access import accounts, sessions
from review.access.passwords import ONE_TIME_MS, PARAMETERS, Passwords, one_time
from review.access.sessions import Rules
from review.access.throttle import FREE, LONGEST_MS
from review.access.visitor import Role
from tests.review.front_door import (
    BY_HTTPS,
    OUTSIDE,
    QUICK,
    Door,
    form_secret,
    front_door,
    set_cookies,
)
from tests.review.stage import PASSWORD, account

HOUR_MS = 3_600_000
OTHER = "snow on the south yard"
GUESS = "sun on the east yard"


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with front_door(tmp_path, origins=frozenset({OUTSIDE})) as door:
        yield door


def test_the_right_password_lets_in_and_where_one_wanted_to_go(door: Door) -> None:
    with door.client() as client:
        asked = client.get("/accounts/log?who=Ines")
        assert asked.status_code == 303
        assert asked.headers[
            "location"
        ] == "/sign-in?next=%2Faccounts%2Flog%3Fwho%3DIines".replace("Ii", "I")
        done = door.sign_in(client, "  INES ", to="/accounts/log?who=Ines")
        assert (done.status_code, done.headers["location"]) == (303, "/accounts/log?who=Ines")
        assert client.get("/me").status_code == 200
        # Who is in is not asked again.
        assert client.get("/sign-in?next=/me").headers["location"] == "/me"
    assert ("Ines", "sign_in.passed", "") in door.audit()


def test_what_is_wrong_is_said_to_nobody(door: Door) -> None:
    with door.write() as tx:
        gone = account_in(tx, "Omar", Role.TECHNICIAN)
        accounts.disable(tx, gone, door.times.now)
    answers = []
    for name, password in (
        ("Ines", "not it at all"),
        ("Nobody", PASSWORD),
        ("Omar", PASSWORD),
        ("", ""),
    ):
        with door.client() as client:
            said = door.sign_in(client, name, password)
        answers.append((said.status_code, said.text.replace(form_secret(said.text), "")))
        assert not {"heatbook", "heatbook-browser"} & set(set_cookies(said))
    plain = [
        (status, text.replace(f'value="{name}"', 'value=""'))
        for (status, text), name in zip(answers, ("Ines", "Nobody", "Omar", ""), strict=True)
    ]
    assert len(set(plain)) == 1
    assert plain[0][0] == 403


def test_a_name_that_nobody_has_is_not_written_down(door: Door) -> None:
    """ASVS 4, 7.1.1: no credentials in logs; many a password is typed in the wrong field."""
    with door.client() as client:
        door.sign_in(client, OTHER, "")
    assert door.audit()[-1] == ("somebody unknown", "sign_in.failed", "")
    assert OTHER not in str(door.rows("SELECT * FROM audit"))


def account_in(
    tx: object, name: str, role: Role, *, until_ms: int | None = None
) -> accounts.Account:
    kept = Passwords(QUICK).keep(PASSWORD)
    return accounts.add(tx, name, role, kept, now_ms=0, one_time_until_ms=until_ms)  # type: ignore[arg-type]


def test_a_password_kept_at_lesser_cost_is_kept_better_from_then_on(tmp_path: Path) -> None:
    with front_door(tmp_path, parameters=PARAMETERS) as door:
        with door.write() as tx:
            account_in(tx, "Omar", Role.TECHNICIAN)
        with door.client() as client:
            assert door.sign_in(client, "Omar").status_code == 303
            ((kept,),) = door.rows("SELECT password FROM account WHERE name = 'Omar'")
            assert kept.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
            assert client.get("/me").status_code == 200
        with door.client() as client:
            assert door.sign_in(client, "Omar").status_code == 303


@pytest.mark.parametrize("https", [False, True])
def test_the_cookies_are_as_the_standard_has_them(door: Door, https: bool) -> None:
    headers = BY_HTTPS if https else {}
    with door.client() as client:
        shown = client.get("/sign-in", headers=headers)
        held = set_cookies(shown)
        (form,) = held
        client.cookies.clear()
        client.cookies.set(form, held[form].value)
        fields = {"csrf": form_secret(shown.text), "name": "Ines", "password": PASSWORD}
        done = client.post("/sign-in", data=fields, headers=headers)
    assert done.status_code == 303
    given = set_cookies(done)
    prefix = "__Host-" if https else ""
    assert {prefix + "heatbook", prefix + "heatbook-browser"} <= set(given)
    for cookie in (*given.values(), *held.values()):
        assert cookie["httponly"] is True
        assert cookie["samesite"].lower() == "lax"
        assert cookie["path"] == "/"
        assert cookie["domain"] == ""
        assert bool(cookie["secure"]) is https
    assert int(given[prefix + "heatbook"]["max-age"]) == 30 * 86_400
    assert ("strict-transport-security" in done.headers) is https


def test_by_https_a_cookie_without_the_prefix_counts_for_nothing(door: Door) -> None:
    """RFC 6265bis, 4.1.3.2: a neighbour or somebody on the way can set the plain one, not the other."""
    with door.signed_in() as client:
        assert client.get("/me").status_code == 200
        assert client.get("/me", headers=BY_HTTPS).status_code == 303


def test_a_proxy_that_says_nothing_of_https_is_known_by_the_address(door: Door) -> None:
    with door.client() as client:
        shown = client.get("/sign-in", headers={"host": "fleet.northfold.example"})
        assert next(iter(set_cookies(shown))).startswith("__Host-")
        assert next(iter(set_cookies(client.get("/sign-in")))) == "heatbook-form"


def test_the_store_holds_no_token_and_no_password(door: Door) -> None:
    with door.signed_in() as client:
        tokens = [value for _, value in client.cookies.items()]
    dump = "\n".join(map(str, door.rows("SELECT * FROM session"))) + "\n".join(
        map(str, door.rows("SELECT * FROM known_browser"))
    )
    assert tokens
    assert not any(token in dump for token in tokens)
    assert all(len(token) >= 43 for token in tokens)  # 256 bits in base64
    assert PASSWORD not in str(door.rows("SELECT * FROM account"))


def test_each_sign_in_has_a_token_of_its_own_and_takes_none_that_was_planted(
    door: Door,
) -> None:
    """Session fixation: ASVS 4, 3.2.1."""
    with door.client() as client:
        client.cookies.set("heatbook", "planted" * 7, domain="127.0.0.1")
        door.sign_in(client)
        first = client.cookies["heatbook"]
        client.post("/sign-out", headers={"x-csrf-token": form_secret(client.get("/me").text)})
        door.sign_in(client)
        assert len({"planted" * 7, first, client.cookies["heatbook"]}) == 3


def test_signing_out_ends_it_on_our_side_too(door: Door) -> None:
    with door.signed_in() as client:
        token = client.cookies["heatbook"]
        done = client.post("/sign-out")
        assert (done.status_code, done.headers["location"]) == (303, "/sign-in")
        assert set_cookies(done)["heatbook"]["max-age"] == "0"
        client.cookies.set("heatbook", token)
        assert client.get("/me").status_code == 303
    assert door.audit()[-1] == ("Ines", "sign_in.ended", "")


def test_signing_in_anew_ends_the_session_this_browser_had_and_no_other(door: Door) -> None:
    """As from a sign-in page that stood open in a second tab: ASVS 4, 3.2.1 and 3.3.1."""
    account(door.at.database, Role.VIEWER)
    with door.signed_in() as phone, door.signed_in() as tablet, door.client() as thief:
        for name in ("Ines", "Kim"):
            thief.cookies.set("heatbook", tablet.cookies["heatbook"])
            assert thief.get("/me").status_code == 200
            _again_in(tablet, name)
            assert thief.get("/me").status_code == 303
            assert f"<h1>{name}" in tablet.get("/me").text
        assert phone.get("/me").status_code == 200
        # Who does not get in ends nothing.
        _again_in(tablet, "Ines", password=GUESS, status=403)
        assert tablet.get("/me").status_code == 200


def _again_in(
    browser: httpx.Client, name: str, *, password: str = PASSWORD, status: int = 303
) -> None:
    stale = browser.post("/sign-in", data={"csrf": "of before", "name": name})
    assert stale.status_code == 403
    fields = {"csrf": form_secret(stale.text), "name": name, "password": password}
    assert browser.post("/sign-in", data=fields).status_code == status


def test_a_session_ends_unused_and_in_any_case(door: Door) -> None:
    rules = Rules()
    with door.signed_in() as client:
        for _ in range(3):
            door.times.pass_(rules.idle_ms - HOUR_MS)
            assert client.get("/me").status_code == 200
        door.times.pass_(rules.idle_ms)
        assert client.get("/me").status_code == 303
    with door.signed_in() as client:
        used = 0
        while client.get("/me").status_code == 200:
            used += 1
            door.times.pass_(rules.idle_ms - HOUR_MS)
        assert used == -(-rules.longest_ms // (rules.idle_ms - HOUR_MS))


def test_a_clock_that_is_put_back_ends_nothing_and_lengthens_little(door: Door) -> None:
    with door.signed_in() as client:
        door.times.now -= 48 * HOUR_MS
        assert client.get("/me").status_code == 200
        door.times.now += 48 * HOUR_MS + Rules().longest_ms
        assert client.get("/me").status_code == 303


def test_a_session_begun_by_a_clock_a_year_ahead_ends_when_that_is_set_right(
    door: Door,
) -> None:
    door.times.now += 365 * 24 * HOUR_MS
    with door.signed_in() as client:
        assert client.get("/me").status_code == 200
        door.times.now -= 365 * 24 * HOUR_MS
        assert client.get("/me").status_code == 303
    with door.signed_in() as client:
        assert client.get("/me").status_code == 200
    assert door.rows("SELECT count(*) FROM session") == [(1,)]


def test_what_is_over_is_thrown_away_at_the_next_sign_in(door: Door) -> None:
    with door.signed_in():
        door.times.pass_(Rules().idle_ms)
    with door.signed_in():
        pass
    assert door.rows("SELECT count(*) FROM session") == [(1,)]


def test_a_changed_password_ends_all_other_sessions(door: Door) -> None:
    with door.signed_in() as here, door.signed_in() as there:
        fields = {"now": PASSWORD, "password": OTHER, "again": OTHER}
        done = here.post("/me/password", data=fields)
        assert (done.status_code, done.headers["location"]) == (303, "/me?done=password")
        assert here.get("/me").status_code == 200
        assert there.get("/me").status_code == 303
    with door.client() as client:
        assert door.sign_in(client, password=PASSWORD).status_code == 403
        assert door.sign_in(client, password=OTHER).status_code == 303
    assert ("Ines", "password.changed", "") in door.audit()


@pytest.mark.parametrize(
    ("fields", "status", "said"),
    [
        (
            {"now": "not it", "password": OTHER, "again": OTHER},
            403,
            "That is not your password.",
        ),
        ({"now": PASSWORD, "password": OTHER, "again": OTHER + "!"}, 422, "not the same"),
        ({"now": PASSWORD, "password": "short", "again": "short"}, 422, "It has 5 characters"),
        ({"now": PASSWORD, "password": PASSWORD, "again": PASSWORD}, 422, "current password"),
        ({}, 403, "That is not your password."),
    ],
)
def test_a_password_is_changed_only_by_who_knows_it(
    door: Door, fields: dict[str, str], status: int, said: str
) -> None:
    with door.signed_in() as client:
        done = client.post("/me/password", data=fields)
        assert (done.status_code, said in done.text) == (status, True)
    with door.client() as client:
        assert door.sign_in(client).status_code == 303


def test_an_open_session_is_no_way_to_guess_the_password(door: Door) -> None:
    with door.signed_in() as client:
        fields = {"now": "guess", "password": OTHER, "again": OTHER}
        statuses = [
            client.post("/me/password", data=fields).status_code for _ in range(FREE + 2)
        ]
    assert statuses == [403] * FREE + [429] * 2


def test_ones_sessions_are_seen_and_ended(door: Door) -> None:
    with door.signed_in() as here, door.signed_in() as there, door.signed_in() as third:
        page = here.get("/me").text
        assert page.count("<li>\n<span>a program") == 4  # one is the stage's own
        ((theirs,),) = door.rows("SELECT id FROM session ORDER BY id LIMIT 1 OFFSET 2")
        here.post("/me/sessions", data={"which": str(theirs)})
        assert [each.get("/me").status_code for each in (here, there, third)] == [200, 303, 200]
        here.post("/me/sessions", data={"which": "others"})
        assert [each.get("/me").status_code for each in (here, third)] == [200, 303]


def test_nobody_ends_sessions_of_others(door: Door) -> None:
    account(door.at.database, Role.VIEWER)
    with door.signed_in() as ines, door.signed_in(Role.VIEWER) as kim:
        ids = door.rows("SELECT id FROM session WHERE account_id = 1")
        for (each,) in ids:
            kim.post("/me/sessions", data={"which": str(each)})
        for odd in ("", "0", "x", "9" * 30, "-1", "1.0"):
            assert kim.post("/me/sessions", data={"which": odd}).status_code == 303
        assert ines.get("/me").status_code == 200


def test_guessing_is_slowed_and_says_when_to_come_again(door: Door) -> None:
    with door.client() as client:
        statuses = [door.sign_in(client, password=GUESS).status_code for _ in range(FREE)]
        waits = door.sign_in(client, password=PASSWORD)
    assert statuses == [403] * FREE
    assert waits.status_code == 429
    assert waits.headers["retry-after"] == "1"
    assert "Wait 1 s" in waits.text
    door.times.pass_(1_000)
    with door.client() as client:
        assert door.sign_in(client).status_code == 303


def test_a_name_that_nobody_has_is_slowed_alike(door: Door) -> None:
    with door.client() as client:
        ours = [door.sign_in(client, "Ines", "x").status_code for _ in range(FREE + 1)]
    door.times.pass_(3 * HOUR_MS)
    with door.client() as client:
        other = [door.sign_in(client, "Nobody", "x").status_code for _ in range(FREE + 1)]
    assert ours == other


def test_who_is_guessed_at_without_end_still_comes_in_with_their_own_phone(door: Door) -> None:
    """OWASP, "Slow Down Online Guessing Attacks with Device Cookies" (from memory)."""
    with door.signed_in() as phone, door.client() as guesser:
        phone.post("/sign-out")
        for _ in range(40):
            door.sign_in(guesser, password=GUESS)
        assert door.sign_in(guesser, password=PASSWORD).status_code == 429
        assert door.sign_in(phone).status_code == 303
        # And from any other browser as well, once the wait is over, which has an end.
        door.times.pass_(LONGEST_MS)
        with door.client() as new:
            assert door.sign_in(new).status_code == 303


def test_a_browser_is_known_for_each_of_those_who_share_it(door: Door) -> None:
    account(door.at.database, Role.TECHNICIAN)
    with door.client() as tablet, door.client() as guesser:
        for name in ("Ines", "Omar"):
            door.sign_in(tablet, name)
            secret = form_secret(tablet.get("/me").text)
            tablet.post("/sign-out", data={"csrf": secret})
        for name in ("Ines", "Omar"):
            for _ in range(2 * FREE):
                door.sign_in(guesser, name, "guess")
        for name in ("Ines", "Omar", "Ines"):
            assert door.sign_in(tablet, name).status_code == 303
            tablet.post("/sign-out", data={"csrf": form_secret(tablet.get("/me").text)})
    assert door.rows("SELECT count(*) FROM known_browser") == [(2,)]


def test_a_stolen_browser_cookie_is_slowed_by_itself(door: Door) -> None:
    with door.signed_in() as phone:
        phone.post("/sign-out")
        statuses = [door.sign_in(phone, password=GUESS).status_code for _ in range(FREE + 1)]
    assert statuses == [403] * FREE + [429]


def test_who_comes_with_a_one_time_password_can_do_nothing_but_choose_their_own(
    door: Door,
) -> None:
    given = one_time()
    with door.write() as tx:
        kept = Passwords(QUICK).keep(given)
        until_ms = door.times.now + ONE_TIME_MS
        accounts.add(tx, "Omar", Role.MANAGER, kept, now_ms=0, one_time_until_ms=until_ms)
    with door.client() as client:
        done = door.sign_in(client, "Omar", f" {given.upper()}", to="/accounts")
        assert done.headers["location"] == "/sign-in/password?next=%2Faccounts"
        for path in ("/me", "/accounts", "/"):
            assert client.get(path).headers["location"].startswith("/sign-in")
        assert client.get("/sign-in").headers["location"] == "/sign-in/password"
        page = client.get("/sign-in/password?next=/accounts")
        fields = {"csrf": form_secret(page.text), "next": "/accounts"}
        for chosen, status in ((given, 422), ("short", 422)):
            more = {"password": chosen, "again": chosen}
            assert (
                client.post("/sign-in/password", data={**fields, **more}).status_code == status
            )
        more = {"password": OTHER, "again": OTHER}
        unsigned = {**fields, **more, "csrf": "x"}
        assert client.post("/sign-in/password", data=unsigned).status_code == 403
        provisional = client.cookies["heatbook"]
        done = client.post("/sign-in/password", data={**fields, **more})
        assert (done.status_code, done.headers["location"]) == (303, "/accounts")
        assert client.cookies["heatbook"] != provisional
        assert client.get("/me").status_code == 200
        client.cookies.clear()
        assert door.sign_in(client, "Omar", given).status_code == 403
        assert door.sign_in(client, "Omar", OTHER).status_code == 303
        assert client.get("/sign-in/password").headers["location"] == "/sign-in"


def test_a_one_time_password_has_its_time_and_so_has_its_session(door: Door) -> None:
    with door.write() as tx:
        until_ms = door.times.now + ONE_TIME_MS
        account_in(tx, "Omar", Role.MANAGER, until_ms=until_ms)
    with door.client() as client:
        assert door.sign_in(client, "Omar", PASSWORD).status_code == 303
        door.times.pass_(Rules().proved_ms)
        assert client.get("/sign-in/password").headers["location"] == "/sign-in"
    door.times.pass_(ONE_TIME_MS)
    with door.client() as client:
        assert door.sign_in(client, "Omar", PASSWORD).status_code == 403


def test_a_form_of_another_site_signs_nobody_in(door: Door) -> None:
    """Login CSRF: the form's secret is that of a cookie; and browsers say where a form came from."""
    fields = {"name": "Ines", "password": PASSWORD, "csrf": "made up"}
    with door.client() as client:
        assert client.post("/sign-in", data=fields).status_code == 403
        assert client.post("/sign-in", data={**fields, "csrf": ""}).status_code == 403
        client.cookies.clear()
        for elsewhere in (
            {"sec-fetch-site": "cross-site"},
            {"sec-fetch-site": "same-site"},
            {"origin": "https://evil.example"},
        ):
            secret = form_secret(client.get("/sign-in").text)
            sent = client.post("/sign-in", data={**fields, "csrf": secret}, headers=elsewhere)
            assert sent.status_code == 403
    assert not [each for each in door.audit() if each[1] == "sign_in.passed"]


def test_a_store_that_is_busy_still_shows_pages(door: Door) -> None:
    with door.signed_in() as client:
        door.times.pass_(sessions.TOUCH_MS)
        with door.at.database.read() as conn:
            before = conn.execute("SELECT max(used_ms) FROM session").fetchone()
        assert client.get("/me").status_code == 200
        with door.at.database.read() as conn:
            after = conn.execute("SELECT max(used_ms) FROM session").fetchone()
    assert after[0] - before[0] == sessions.TOUCH_MS
