"""An alarm in one text message: it fits, nothing is cut inside, and what to do comes before what was seen."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.gsm import BASIC, EXTENDED, septets, spelt
from alerts.phrases import plain
from alerts.short_form import LENGTH, sentences, short
from models.words import Words

SENTENCES = st.lists(
    st.text("abc dé°–0123456789.,%", min_size=1, max_size=60).map(lambda text: f"A{text}."),
    max_size=5,
)


def said(title: str, action: str, *, brief: str = "", at_once: str = "") -> Words:
    return Words(
        title=title,
        observed="",
        expected="",
        doubts="",
        action=action,
        driver=(),
        technician=(),
        brief=brief,
        at_once=at_once,
    )


def told(
    words: Words, *more: str, code: str = "NF-01", name: str = "", act: bool = True
) -> str:
    return short("ALARM HIGH", code, name, words, more, act=act)


def test_the_few_words_are_used_where_there_are_any() -> None:
    words = said(
        "A long title", "A long action. And more.", brief="Stuck valve", at_once="Stop safely"
    )
    assert told(words, "Fluid at 112 °C.") == (
        "ALARM HIGH NF-01: Stuck valve. Stop safely. Fluid at 112 C."
    )


def test_without_them_title_and_first_sentence_do() -> None:
    words = said("Gateway silent", "Ask the driver. Then look at the aerial.")
    assert told(words) == "ALARM HIGH NF-01: Gateway silent. Ask the driver."


def test_nobody_is_ordered_about_when_it_is_over() -> None:
    assert told(said("Gateway silent", "Ask the driver."), act=False) == (
        "ALARM HIGH NF-01: Gateway silent."
    )


def test_what_people_call_the_truck_gives_way_to_what_to_do() -> None:
    words = said("Stuck valve", f"Stop {'now ' * 20}here.")
    assert told(said("Stuck valve", "Stop."), name="Quarry run") == (
        "ALARM HIGH NF-01 (Quarry run): Stuck valve. Stop."
    )
    assert told(words, name="Quarry run " * 4).startswith(
        "ALARM HIGH NF-01: Stuck valve. Stop now"
    )


def test_a_sentence_that_does_not_fit_is_left_out_whole_and_the_next_may_fit() -> None:
    words = said("Stuck valve", "Stop.")
    assert told(words, f"{'Long ' * 40}end.", "Short end.").endswith("Stop. Short end.")


def test_decimals_and_names_are_not_taken_for_ends_of_sentences() -> None:
    assert sentences("Fluid at 2.5 times. Then BT.9 stops? Yes.") == [
        "Fluid at 2.5 times.",
        "Then BT.9 stops?",
        "Yes.",
    ]


@given(
    title=st.text("abc é°0123456789.,%€", min_size=1, max_size=120),
    action=SENTENCES.map(lambda parts: " ".join(parts) or "Stop."),
    code=st.text(min_size=1, max_size=64).map(plain).filter(bool),
    name=st.text(max_size=80).map(plain),
    more=SENTENCES,
)
def test_it_fits_one_message_and_holds_only_whole_words(
    title: str, action: str, code: str, name: str, more: list[str]
) -> None:
    words = said(f"T{title}", action)
    found = told(words, *more, code=code, name=name)
    assert set(found) <= BASIC | EXTENDED
    assert septets(found) <= LENGTH
    source = spelt(
        f"ALARM HIGH {code}: {code} ({name}): T{title}. T{title} {action} {' '.join(more)}"
    )
    allowed = set(source.split()) | {f"{source.split()[-1]}."}
    *before, last = found.split()
    assert set(before) <= allowed
    assert last in allowed or last.removesuffix("...") in allowed
    assert found.startswith("ALARM HIGH ")


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("121 °C – hot…", "121 C - hot..."),
        ("Žižka 7", "Zizka 7"),
        ("Ärger", "Ärger"),
        ("東 1", "? 1"),
    ],
)
def test_text_is_spelt_with_the_signs_of_a_text_message(text: str, written: str) -> None:
    assert spelt(text) == written


def test_an_extended_sign_takes_two_septets() -> None:
    assert septets("[a]") == 5
