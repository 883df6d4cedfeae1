"""The checker finds each fault that it is there for; what holds, it leaves alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from tests.torture.notice_checker import Arrived, Committed, compare

DESK, PHONE = "smtp/ines", "webhook:control"


def telling(seq: int, matter: str, sending: str, **changes: object) -> Committed:
    one = Committed(
        seq=seq,
        id=f"t{seq}",
        destination=DESK,
        alarm="a1",
        vehicle="NF-001",
        matter=matter,
        state="delivered",
        sending=sending,
    )
    return replace(one, **changes)  # type: ignore[arg-type]  # the fields are spelled out above


def arrival(name: str, *, text: str = "NF-001 again", place: str = DESK) -> Arrived:
    return Arrived(destination=place, id=name, text=text, facts=frozenset({("a1", name)}))


TOLD = [telling(1, "active", "s1"), telling(2, "normal", "s2")]
CAME = [arrival("s1"), arrival("s2")]


def faults(told: Sequence[Committed], came: Sequence[Arrived]) -> set[str]:
    verdict = compare(told, came, (DESK, PHONE))
    assert verdict.holds is not bool(verdict.problems)
    return {problem.partition(":")[0] for problem in verdict.problems}


def test_what_holds_is_left_alone_and_a_repeat_is_no_fault() -> None:
    assert faults(TOLD, CAME) == set()
    verdict = compare(TOLD, [CAME[0], CAME[0], CAME[1]], (DESK,))
    assert (verdict.tellings, verdict.messages, verdict.repeats) == (2, 2, 1)
    assert verdict.holds
    assert faults([*TOLD, telling(3, "active", "s9", destination="log")], CAME) == set()


@pytest.mark.parametrize(
    ("told", "came", "found"),
    [
        (TOLD, CAME[:1], {"missing"}),
        (
            [telling(1, "active", "s1"), replace(TOLD[1], sending=None)],
            CAME[:1],
            {"missing"},
        ),
        ([replace(TOLD[0], state="pending"), TOLD[1]], CAME, {"waiting"}),
        ([replace(TOLD[0], state="abandoned"), TOLD[1]], CAME, {"waiting"}),
        (TOLD, [*CAME, arrival("s7")], {"foreign"}),
        (TOLD, [*CAME, replace(CAME[0], text="NF-001 else")], {"altered"}),
        (TOLD, CAME[::-1], {"disordered"}),
        (TOLD, [replace(CAME[0], text="NF-002"), CAME[1]], {"unnamed"}),
        (TOLD, [CAME[0], replace(CAME[1], facts=CAME[0].facts)], {"twice"}),
    ],
)
def test_each_fault_is_found(
    told: Sequence[Committed], came: Sequence[Arrived], found: set[str]
) -> None:
    assert faults(told, came) == found


def test_what_arrived_elsewhere_does_not_count() -> None:
    elsewhere = [replace(each, destination=PHONE) for each in CAME]
    assert faults(TOLD, elsewhere) == {"missing", "foreign"}
