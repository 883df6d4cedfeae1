"""The locks hold what is asked for, hashed; licences are known; the list for others is valid."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.supply.audit import fails, judged, words_of
from tests.supply.licences import KNOWN_TO_ASK, asking, licence_of
from tests.supply.lock import LOCKS, ROOT, read_lock
from tests.supply.sbom import bill

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())


def asked(name: str) -> Iterator[Requirement]:
    yield from map(Requirement, PROJECT["project"]["dependencies"])
    groups = PROJECT["dependency-groups"]
    for group in ["build", *(["dev"] if name == "dev" else [])]:
        yield from (Requirement(each) for each in groups[group] if isinstance(each, str))


@pytest.mark.parametrize("name", LOCKS)
def test_a_lock_covers_what_the_project_asks_for(name: str) -> None:
    locked = {each.name: each.version for each in read_lock(LOCKS[name])}
    for requirement in asked(name):
        version = locked.get(canonicalize_name(requirement.name))
        assert version is not None, requirement
        assert requirement.specifier.contains(version, prereleases=True), (requirement, version)


@pytest.mark.parametrize("name", LOCKS)
def test_every_entry_is_hashed_and_none_has_an_address(name: str) -> None:
    text = LOCKS[name].read_text()
    entries = read_lock(LOCKS[name])
    assert len(entries) > 60
    assert "://" not in text
    assert "--index" not in text
    for each in entries:
        assert each.hashes, each.name
        assert all(re.fullmatch(r"sha256:[0-9a-f]{64}", one) for one in each.hashes), each.name


def test_what_is_shipped_is_the_same_in_both_locks() -> None:
    run, dev = (
        {(each.name, each.version, each.hashes) for each in read_lock(LOCKS[name])}
        for name in ("run", "dev")
    )
    assert run <= dev


@pytest.mark.parametrize("entry", ["x", "x==1 --hash=sha256:a y", "x>=1", "-e ."])
def test_what_is_no_entry_is_not_passed_over(tmp_path: Path, entry: str) -> None:
    file = tmp_path / "lock"
    file.write_text(f"a==1 \\\n    --hash=sha256:00\n{entry}\n")
    with pytest.raises(ValueError, match="not an entry"):
        read_lock(file)


def test_every_licence_is_known_and_those_that_ask_something_were_looked_at() -> None:
    here = [each for each in read_lock(LOCKS["run"]) if not each.marker]
    assert [each.name for each in here if not licence_of(each.name)] == []
    assert set(asking(here)) == set(KNOWN_TO_ASK)


def test_the_list_for_others_is_whole_valid_and_names_no_place() -> None:
    """CycloneDX 1.6 (ECMA-424); its own library holds it to the schema."""
    made = bill()
    assert {
        (canonicalize_name(each["name"]), each["version"]) for each in made["components"]
    } == {(each.name, each.version) for each in read_lock(LOCKS["run"])}
    markers = {each.name for each in read_lock(LOCKS["run"]) if each.marker}
    for each in made["components"]:
        assert each["hashes"], each["name"]
        assert "licenses" in each or canonicalize_name(each["name"]) in markers, each["name"]
    hosts = set(re.findall(r"://([^/\"]+)", json.dumps(made)))
    assert hosts <= {"cyclonedx.org"}, hosts
    assert "serialNumber" not in made  # the same lock gives the same bytes
    assert "timestamp" not in made["metadata"]


def told(*dependencies: dict[str, Any]) -> dict[str, Any]:
    return {"dependencies": list(dependencies), "fixes": []}


GOOD = {"name": "a", "version": "1", "vulns": []}
BAD = {"name": "b", "version": "2", "vulns": [{"id": "PYSEC-1", "fix_versions": ["3"]}]}
SKIPPED = {"name": "c", "skip_reason": "not found"}


@pytest.mark.parametrize(
    ("report", "says", "failing", "failing_if_required"),
    [
        (told(GOOD), "1 audited, 0 findings", False, False),
        (told(GOOD, BAD), "b 2: PYSEC-1; mended in 3", True, True),
        (told(GOOD, SKIPPED), "NOT AUDITED: 1", False, True),
        (told(SKIPPED), "NOT AUDITED: the advisories are out of reach", False, True),
        (told(), "NOT AUDITED", False, True),
        (None, "NOT AUDITED: the advisories are out of reach", False, True),
    ],
)
def test_what_was_not_audited_is_not_called_clean(
    report: dict[str, Any] | None, says: str, failing: bool, failing_if_required: bool
) -> None:
    verdict = judged(report)
    assert says in words_of("run", verdict)
    assert fails(verdict, required=False) is failing
    assert fails(verdict, required=True) is failing_if_required
