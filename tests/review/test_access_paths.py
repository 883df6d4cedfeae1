"""Where one is sent after signing in: nowhere but to our own pages (OWASP ASVS 4, 5.1.5, from memory).

The reference is urllib.parse, and for what browsers make of an address the URL Standard (WHATWG), 4.4: they
drop tabs and line ends, and read a backslash as a slash.
"""

from __future__ import annotations

import re
from urllib.parse import urljoin, urlsplit

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from review.access.own_path import own_path

HERE = "https://fleet.northfold.example/sign-in"


def as_browsers_do(address: str) -> str:
    kept = re.sub(r"[\t\r\n]", "", address).strip("".join(map(chr, range(33))))
    head, mark, query = kept.partition("?")
    return head.replace("\\", "/") + mark + query


PIECES = st.one_of(
    st.sampled_from(
        ["//", "evil.example", "http:", "https:", "javascript:", "%2f", "..", "%5c", "%00"]
    ),
    st.sampled_from("/\\@:?#.\t\n\x00 \u2028\uff0f"),
    st.sampled_from(["trucks", "NF-01"]),
)


@given(st.one_of(st.text(max_size=60), st.lists(PIECES, max_size=8).map("".join)))
@example("//evil.example")
@example("/\\evil.example")
@example("/\t/evil.example")
@example("https:evil.example")
@example("/%09/evil.example")
@example("/..//evil.example")
@example("/@evil.example")
@example("///evil.example/..")
def test_it_never_leads_elsewhere(text: str) -> None:
    to = own_path(text)
    for read in (to, as_browsers_do(to)):
        there = urlsplit(urljoin(HERE, read))
        assert (there.scheme, there.netloc) == ("https", "fleet.northfold.example")
    assert not urlsplit(to).netloc
    assert to.startswith("/")


@pytest.mark.parametrize(
    "own", ["/", "/trucks/NF-01", "/alarms?state=open&kind=x", "/trucks/NF-01/history?x=1#a"]
)
def test_our_own_pages_are_kept(own: str) -> None:
    assert own_path(own) == own


@pytest.mark.parametrize(
    "loop", ["/sign-in", "/sign-in?next=/", "/sign-out", "/static/console.css", "x" * 2000]
)
def test_what_would_lead_round_in_circles_goes_to_the_first_page(loop: str) -> None:
    assert own_path(loop) == "/"
