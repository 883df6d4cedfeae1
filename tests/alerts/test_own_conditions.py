"""What Heatbook raises an alarm about itself for: each condition from its facts alone, and its words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pytest

from alerts.own.conditions import CONDITIONS, Condition
from alerts.own.facts import Facts, Failing, Limits
from models.transition import Priority
from models.units import METRIC

NOON = 1_767_268_800_000
MINUTE = 60_000
DAY = 86_400_000
MB = 1_000_000
LIMITS = Limits(backup_ms=2 * DAY)
BY_KIND: Mapping[str, Condition] = {each.kind: each for each in CONDITIONS}


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """Facts under which a condition holds, by how much, and what its words must name."""

    kind: str
    facts: Facts
    priority: Priority
    says: tuple[str, ...]


def facts(**given: object) -> Facts:
    # Sound but for what is given.
    sound: dict[str, object] = {"now_ms": NOON, "backup_ms": NOON - DAY}
    return Facts(**{**sound, **given})  # type: ignore[arg-type]  # the fields are checked by their use


CASES = (
    Case(
        kind="disk_short",
        facts=facts(free_bytes={"store": 900 * MB, "archive": 5_000 * MB}),
        priority=Priority.MEDIUM,
        says=("900 MB for the store",),
    ),
    Case(
        kind="disk_short",
        facts=facts(free_bytes={"store": 5_000 * MB, "archive": 200 * MB}),
        priority=Priority.CRITICAL,
        says=("200 MB for the archive",),
    ),
    Case(
        kind="clock_wrong",
        facts=facts(stepped_ms=-60 * MINUTE),
        priority=Priority.HIGH,
        says=("back by 60 min",),
    ),
    Case(
        kind="clock_wrong",
        facts=facts(behind_ms=2 * DAY),
        priority=Priority.HIGH,
        says=("2 days earlier",),
    ),
    Case(
        kind="channel_failing",
        facts=facts(channels={"smtp": Failing(since_ms=NOON - 20 * MINUTE)}),
        priority=Priority.HIGH,
        says=("smtp for 20 min",),
    ),
    Case(
        kind="channel_failing",
        facts=facts(channels={"webhook:desk": Failing(since_ms=NOON, for_good=True)}),
        priority=Priority.HIGH,
        says=("webhook desk", "nothing more"),
    ),
    Case(
        kind="store_failing",
        facts=facts(store_failed_ms=3 * MINUTE),
        priority=Priority.CRITICAL,
        says=("for 3 min",),
    ),
    Case(
        kind="archive_failing",
        facts=facts(archives={"InfluxDB": Failing(since_ms=NOON - 3 * 60 * MINUTE)}),
        priority=Priority.MEDIUM,
        says=("InfluxDB for 3 hours",),
    ),
    Case(
        kind="quarantine_filling",
        facts=facts(offered=1_000, refused=300),
        priority=Priority.MEDIUM,
        says=("1,000", "300"),
    ),
    Case(
        kind="certificate_expiring",
        facts=facts(expiries={"mqtt.tls.cert_file": NOON + 20 * DAY}),
        priority=Priority.MEDIUM,
        says=("mqtt.tls.cert_file in 20 days",),
    ),
    Case(
        kind="certificate_expiring",
        facts=facts(expiries={"mqtt.tls.cert_file": NOON - DAY}),
        priority=Priority.HIGH,
        says=("has ended",),
    ),
    Case(
        kind="backup_overdue",
        facts=facts(backup_ms=NOON - 3 * DAY),
        priority=Priority.MEDIUM,
        says=("3 days old",),
    ),
    Case(
        kind="backup_overdue",
        facts=facts(backup_ms=None),
        priority=Priority.MEDIUM,
        says=("None was ever made",),
    ),
)


def kinds_found(looked: Facts, limits: Limits = LIMITS, *, standing: bool = False) -> set[str]:
    return {
        each.kind
        for each in CONDITIONS
        if each.find(looked, limits, standing=standing) is not None
    }


def test_every_condition_has_a_case() -> None:
    assert {case.kind for case in CASES} == set(BY_KIND)


def test_where_all_is_well_nothing_is_found() -> None:
    assert kinds_found(facts()) == set()


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.kind}-{case.says[0]}")
def test_each_finds_its_own_matter_and_no_other_does(case: Case) -> None:
    assert kinds_found(case.facts) == {case.kind}
    found = BY_KIND[case.kind].find(case.facts, LIMITS, standing=False)
    assert found is not None
    assert found.priority is case.priority
    said = BY_KIND[case.kind].words(found.evidence, METRIC)
    for words in case.says:
        assert words in said.observed
    assert said.title
    assert said.action
    assert said.at_once
    assert len(said.title) < 80


@pytest.mark.parametrize(
    ("just", "beyond"),
    [
        (facts(free_bytes={"store": 1_000 * MB}), facts(free_bytes={"store": 999 * MB})),
        (facts(stepped_ms=60_000), facts(stepped_ms=60_001)),
        (facts(behind_ms=60_000), facts(behind_ms=60_001)),
        (
            facts(channels={"smtp": Failing(since_ms=NOON - 15 * MINUTE + 1)}),
            facts(channels={"smtp": Failing(since_ms=NOON - 15 * MINUTE)}),
        ),
        (facts(store_failed_ms=2 * MINUTE - 1), facts(store_failed_ms=2 * MINUTE)),
        (
            facts(archives={"history": Failing(since_ms=NOON - 60 * MINUTE + 1)}),
            facts(archives={"history": Failing(since_ms=NOON - 60 * MINUTE)}),
        ),
        (facts(offered=1_000, refused=199), facts(offered=1_000, refused=200)),
        (facts(offered=19, refused=19), facts(offered=20, refused=20)),
        (
            facts(expiries={"a": NOON + 30 * DAY + 1}),
            facts(expiries={"a": NOON + 30 * DAY}),
        ),
        (facts(backup_ms=NOON - 2 * DAY), facts(backup_ms=NOON - 2 * DAY - 1)),
        # Where none was ever made it is not missed sooner.
        (
            facts(backup_ms=None, kept_since_ms=NOON - 2 * DAY),
            facts(backup_ms=None, kept_since_ms=NOON - 2 * DAY - 1),
        ),
    ],
)
def test_the_limit_is_where_it_is_said_to_be(just: Facts, beyond: Facts) -> None:
    assert kinds_found(just) == set()
    assert len(kinds_found(beyond)) == 1


@pytest.mark.parametrize(
    ("still", "over"),
    [
        (facts(free_bytes={"store": 1_099 * MB}), facts(free_bytes={"store": 1_100 * MB})),
        (facts(offered=1_000, refused=100), facts(offered=1_000, refused=99)),
    ],
)
def test_what_hovers_at_its_limit_does_not_come_and_go(still: Facts, over: Facts) -> None:
    assert len(kinds_found(still, standing=True)) == 1
    assert kinds_found(still) == set()
    assert kinds_found(over, standing=True) == set()


def test_backups_are_nobodys_business_where_none_are_asked_for() -> None:
    assert kinds_found(facts(backup_ms=None), Limits()) == set()
