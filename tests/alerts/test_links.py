from __future__ import annotations

import base64
import hashlib
import hmac
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.links import (
    Address,
    Answer,
    BadLink,
    Fault,
    Links,
    Purpose,
    change_key,
    ensure_key,
    load_keys,
)
from tests.alerts.store import NOON, memory

DAY_MS = 86_400_000
OLD, NEW = b"o" * 32, b"n" * 32
LINKS = Links(keys=(OLD,), lifetime_ms=7 * DAY_MS)
CLAIM = Answer(person="ines", alarm_id="a1b2c3", turn=2)
FEED = Address(purpose=Purpose.CALENDAR, scope="NF-03", edition=1)

claims = st.builds(
    Answer,
    person=st.text(max_size=20),
    alarm_id=st.text(max_size=40),
    turn=st.integers(0, 10**6),
    sending=st.text(max_size=40),
)


def fault(read: object, *given: object) -> Fault:
    with pytest.raises(BadLink) as refused:
        read(*given)  # type: ignore[operator] # a method
    return refused.value.fault


@given(claims, st.integers(0, 7 * DAY_MS - 1000))
def test_what_was_written_is_read_until_it_is_too_old(claim: Answer, later_ms: int) -> None:
    token = LINKS.answer(claim, NOON)
    assert LINKS.read_answer(token, NOON + later_ms) == claim
    assert fault(LINKS.read_answer, token, NOON + 7 * DAY_MS + 1) is Fault.EXPIRED


@given(claims)
def test_a_token_can_stand_in_an_address_as_it_is(claim: Answer) -> None:
    # Unreserved characters of RFC 3986, section 2.3: nothing in it is ever escaped.
    unreserved = set(string.ascii_letters + string.digits + "-._~")
    assert set(LINKS.answer(claim, NOON)) <= unreserved


def test_the_same_notice_has_the_same_link_on_every_try() -> None:
    assert LINKS.answer(CLAIM, NOON) == LINKS.answer(CLAIM, NOON)
    assert LINKS.answer(CLAIM, NOON) != LINKS.answer(CLAIM, NOON + 1000)
    assert LINKS.address(FEED) == LINKS.address(FEED)


@given(st.data())
def test_a_changed_link_is_broken(data: st.DataObject) -> None:
    token = LINKS.answer(CLAIM, NOON)
    # The last sign of each part holds bits that base64 does not read (RFC 4648, section 3.5).
    loose = {place for place, sign in enumerate(f"{token}.") if sign == "."}
    solid = [place for place in range(len(token)) if not {place, place + 1} & loose]
    place = data.draw(st.sampled_from(solid))
    other = data.draw(st.sampled_from(string.ascii_letters).filter(lambda s: s != token[place]))
    changed = token[:place] + other + token[place + 1 :]
    assert fault(LINKS.read_answer, changed, NOON) is Fault.BROKEN


@given(st.one_of(st.text(), st.binary().map(lambda raw: raw.decode("latin-1"))))
def test_whatever_stands_there_is_broken_and_no_crash(token: str) -> None:
    assert fault(LINKS.read_answer, token, NOON) is Fault.BROKEN
    assert fault(LINKS.read_address, token, Purpose.CALENDAR) is Fault.BROKEN


@pytest.mark.parametrize("length", [0, 1, 20, -1, -5])
def test_a_link_that_was_cut_off_is_broken(length: int) -> None:
    cut = LINKS.answer(CLAIM, NOON)[:length]
    assert fault(LINKS.read_answer, cut, NOON) is Fault.BROKEN


def test_a_link_opens_only_what_it_was_made_for() -> None:
    feed, answer = LINKS.address(FEED), LINKS.answer(CLAIM, NOON)
    assert fault(LINKS.read_answer, feed, NOON) is Fault.OTHER_PURPOSE
    assert fault(LINKS.read_address, answer, Purpose.CALENDAR) is Fault.OTHER_PURPOSE
    assert fault(LINKS.read_address, feed, Purpose.FIGURES) is Fault.OTHER_PURPOSE
    assert LINKS.read_address(feed, Purpose.CALENDAR) == FEED


def test_a_clock_that_was_set_back_spoils_no_link() -> None:
    assert LINKS.read_answer(LINKS.answer(CLAIM, NOON), NOON - DAY_MS) == CLAIM


def test_an_older_key_still_reads_and_the_newest_signs() -> None:
    both = Links(keys=(OLD, NEW), lifetime_ms=DAY_MS)
    assert both.read_answer(LINKS.answer(CLAIM, NOON), NOON) == CLAIM
    signed = both.answer(CLAIM, NOON)
    assert fault(LINKS.read_answer, signed, NOON) is Fault.BROKEN
    assert Links(keys=(NEW,), lifetime_ms=DAY_MS).read_answer(signed, NOON) == CLAIM


def test_the_signature_is_hmac_sha256() -> None:
    """RFC 2104 by the standard library, over all that stands before the last point."""
    told, _, signature = LINKS.answer(CLAIM, NOON).rpartition(".")
    key = hmac.new(OLD, b"heatbook.acknowledge", hashlib.sha256).digest()
    expected = hmac.new(key, told.encode(), hashlib.sha256).digest()
    assert base64.urlsafe_b64decode(f"{signature}=") == expected


def test_the_first_start_makes_a_key_and_the_next_keeps_it() -> None:
    conn = memory()
    ensure_key(conn, OLD, NOON)
    ensure_key(conn, NEW, NOON)
    assert load_keys(conn) == (OLD,)
    change_key(conn, NEW, NOON)
    assert load_keys(conn) == (OLD, NEW)
    change_key(conn, b"x" * 32, NOON, forget=True)
    assert load_keys(conn) == (b"x" * 32,)


def test_a_short_key_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 32 bytes"):
        change_key(memory(), b"short", NOON)
