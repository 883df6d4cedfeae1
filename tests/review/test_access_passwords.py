"""How passwords are kept and compared.

RFC 9106 (Argon2), section 4: the recommended options. OWASP ASVS 4.0.3, 2.1 and 2.4, and ASVS 5.0, 6.2, both
from memory. RFC 8265, section 4.2: how a password is normalized.
"""

from __future__ import annotations

import threading
import time
import unicodedata
from typing import Literal

import argon2
import pytest
from argon2 import PasswordHasher
from hypothesis import given, settings
from hypothesis import strategies as st

from deploy.waiting import until
from review.access import passwords
from review.access.passwords import (
    LONGEST,
    ONE_TIME_MS,
    PARAMETERS,
    Busy,
    Passwords,
    as_typed,
    fault,
    normal,
    one_time,
)
from tests.review.front_door import QUICK


class Counting(PasswordHasher):
    """The library's own hasher, which also says what was computed."""

    computed: list[str]

    def verify(self, hash: str | bytes, password: str | bytes) -> Literal[True]:  # noqa: A002 - as there
        self.computed.append(str(hash))
        return super().verify(hash, password)


def counting(parameters: argon2.Parameters = PARAMETERS) -> tuple[Passwords, Counting]:
    made = Passwords(parameters)
    hasher = Counting.from_parameters(parameters)
    assert isinstance(hasher, Counting)
    hasher.computed = []
    made._hasher = hasher
    return made, hasher


def test_the_parameters_are_the_second_option_of_the_standard() -> None:
    """RFC 9106, section 4: "argon2id with t=3, p=4, m=2^(16) (64 MiB), 128-bit salt, and 256-bit tag"."""
    kept = Passwords().keep("rain on the north yard")
    found = argon2.extract_parameters(kept)
    assert kept.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert (found.type, found.time_cost, found.parallelism) == (argon2.Type.ID, 3, 4)
    assert (found.memory_cost, found.salt_len * 8, found.hash_len * 8) == (2**16, 128, 256)
    assert argon2.profiles.RFC_9106_LOW_MEMORY == PARAMETERS


def test_what_is_kept_is_read_by_the_reference_library_and_is_another_each_time() -> None:
    made = Passwords()
    one, other = made.keep("rain on the north yard"), made.keep("rain on the north yard")
    assert one != other
    assert PasswordHasher().verify(one, "rain on the north yard")
    assert made.fits(one, "rain on the north yard")
    assert not made.fits(one, "rain on the south yard")
    assert not made.fits("no hash at all", "rain on the north yard")


@pytest.mark.parametrize("given_", ["anything", "x" * 129, "", "rain on the north yard"])
def test_a_name_that_nobody_has_costs_the_same_work_and_never_fits(given_: str) -> None:
    """OWASP ASVS 4, 2.2 and WSTG (account enumeration): one computation, of the same costs."""
    made, hasher = counting()
    kept = made.keep("rain on the north yard")
    hasher.computed.clear()
    made.fits(kept, given_)
    assert not made.fits(None, given_)
    one, other = (argon2.extract_parameters(each) for each in hasher.computed)
    assert one == other == PARAMETERS


def test_a_password_longer_than_the_longest_costs_no_more_and_fits_nothing() -> None:
    made, hasher = counting(QUICK)
    long = "n" * (LONGEST + 1)
    kept = made.keep(long)
    assert not made.fits(kept, long)
    assert len(hasher.computed) == 1


def test_what_was_kept_otherwise_is_outdated() -> None:
    assert Passwords().outdated(Passwords(QUICK).keep("rain on the north yard"))
    assert not Passwords().outdated(Passwords().keep("rain on the north yard"))


def test_not_more_than_two_are_computed_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(passwords, "PATIENCE_S", 0.01)
    made = Passwords(QUICK)
    kept = made.keep("rain on the north yard")
    go, began = threading.Event(), threading.Barrier(passwords.AT_ONCE + 1)

    def hold() -> None:
        with made._turn():
            began.wait()
            go.wait()

    threads = [threading.Thread(target=hold) for _ in range(passwords.AT_ONCE)]
    for thread in threads:
        thread.start()
    began.wait()
    with pytest.raises(Busy):
        made.fits(kept, "rain on the north yard")
    go.set()
    for thread in threads:
        thread.join()
    assert made.fits(kept, "rain on the north yard")


def test_a_crowd_at_the_door_leaves_threads_for_the_pages() -> None:
    """Each who waits holds a thread of the pages: a few may, the next is told at once to come again."""
    made = Passwords(QUICK)
    kept = made.keep("rain on the north yard")
    go = threading.Event()
    inside = threading.Barrier(passwords.AT_ONCE + 1)

    def hold() -> None:
        with made._turn():
            inside.wait()
            go.wait()

    holding = [threading.Thread(target=hold) for _ in range(passwords.AT_ONCE)]
    for thread in holding:
        thread.start()
    inside.wait()
    fitted: list[bool] = []
    line = [
        threading.Thread(target=lambda: fitted.append(made.fits(kept, "no")), daemon=True)
        for _ in range(passwords.IN_LINE)
    ]
    for thread in line:
        thread.start()
    assert until(lambda: made._places._value == 0, 5.0)
    began_s = time.monotonic()
    with pytest.raises(Busy):
        made.fits(kept, "rain on the north yard")
    assert time.monotonic() - began_s < passwords.PATIENCE_S / 2
    go.set()
    for thread in (*holding, *line):
        thread.join()
    assert fitted == [False] * passwords.IN_LINE
    assert made.fits(kept, "rain on the north yard")


@given(st.text(max_size=40))
def test_a_password_is_the_same_from_every_keyboard(text: str) -> None:
    """RFC 8265, 4.2.1: non-ASCII spaces become U+0020, then NFC; case and width stay."""
    encodable = text.encode("utf-8", "replace").decode()
    assert normal(unicodedata.normalize("NFD", encodable)) == normal(encodable)
    assert normal(normal(text)) == normal(text)
    assert normal(text.replace(" ", "\u00a0")) == normal(text)
    assert normal("A") != normal("a")


@settings(max_examples=20)
@given(st.text(max_size=200))
def test_whatever_is_typed_is_compared_and_nothing_breaks(text: str) -> None:
    made = Passwords(QUICK)
    kept = made.keep(text)
    assert made.fits(kept, text) is (len(text) <= LONGEST)


@pytest.mark.parametrize(
    "taken",
    [
        "rain on the north yard",
        "Zwölf Boxkämpfer jagen",
        "correct horse battery staple",
        "x7#Kq!2mZp9w",
        "die Grube ist tief genug",
        "夜の北の坂道を登る雨の音と風",
    ],
)
def test_a_few_words_are_taken(taken: str) -> None:
    """ASVS 4, 2.1.4: any printable Unicode; 2.1.9: no rule of which signs."""
    assert fault(taken, "Ines") is None


@pytest.mark.parametrize(
    "refused",
    [
        "short",
        "elevensigns",
        "n" * 129,
        "aaaaaaaaaaaa",
        "123456789012",
        "passwordpassword",
        "Password12345",
        "qwertyuiop1234",
        "heatbookheatbook",
        "Ines.Ines.Ines",
        "abcabcabcabcabc",
        "technician2026",
        "zyxwvutsrqpon",
    ],
)
def test_what_is_tried_first_is_not_taken(refused: str) -> None:
    """ASVS 4, 2.1.1 (12 or more), 2.1.2 (128 at most), 2.1.7 (none of the common); the list is our own."""
    assert fault(refused, "Ines") is not None


def test_a_one_time_password_is_random_and_can_be_typed() -> None:
    """ASVS 4, 2.3.1: system generated, of a cryptographic random source, 6 or more signs, short lived."""
    made = {one_time() for _ in range(200)}
    assert len(made) == 200
    assert all(fault(each, "Ines") is None for each in made)
    one = made.pop()
    assert as_typed(f" {one.upper()} ") == one
    assert ONE_TIME_MS == 7 * 86_400_000
    signs = len(passwords._SIGNS)
    assert signs**16 > 2**77
