"""What the API answers to questions; conditions by RFC 9110, links by RFC 8288."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from ingest import quarantine
from ingest.decoded import Refused
from tests.review.api_stage import ApiStage, api_stage, problem
from tests.review.northfold_day import END_MS


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ApiStage]:
    with api_stage(tmp_path_factory.mktemp("api")) as at:
        yield at


@pytest.fixture
def own(tmp_path: Path) -> Iterator[ApiStage]:
    """For what writes."""
    with api_stage(tmp_path) as at:
        yield at


def test_trucks_as_they_stand(stage: ApiStage) -> None:
    trucks = {each["name"]: each for each in stage.client.get("/trucks").json()["trucks"]}
    assert sorted(trucks) == [f"NF-{number:02}" for number in range(1, 11)]
    one = trucks["NF-03"]
    assert one == stage.client.get("/trucks/NF-03").json()
    assert one["circuit_state"]["causes"][0]["name"] == "shut"
    assert {each["kind"] for each in one["alarms"]} == {"bypass_stuck", "over_temperature"}
    assert one["account"]["hottest_temp_c"] > 130.0
    assert one["now"]["cooler_out_temp_c"] is None


def test_no_number_is_made_up_of_what_was_not_sent(stage: ApiStage) -> None:
    (sample,) = stage.client.get("/trucks/NF-03/samples?limit=1").json()["samples"]
    with stage.database.read() as conn:
        stored = stage.house.reader.truck(conn, "NF-03")
    assert stored.held is not None
    assert sample["cooler_out_temp_c"] is None
    assert isinstance(sample["gear"], int)
    assert isinstance(sample["lockup"], bool)


def test_a_list_is_whole_by_its_parts(stage: ApiStage) -> None:
    """Followed by its links (RFC 8288), every part once, none twice."""
    whole = stage.client.get("/trucks/NF-05/samples?limit=5000").json()
    assert whole["next"] is None
    found: list[Any] = []
    address: str | None = "/trucks/NF-05/samples?limit=700"
    while address is not None:
        answer = stage.client.get(address)
        found += answer.json()["samples"]
        link = answer.links.get("next")
        address = None if link is None else link["url"].removeprefix("/api/v1")
        assert (answer.json()["next"] is None) == (link is None)
    assert found == whole["samples"]
    assert len(found) > 2000


def test_a_list_of_alarms_is_whole_by_its_parts(stage: ApiStage) -> None:
    whole = stage.client.get("/alarms").json()["alarms"]
    found: list[Any] = []
    cursor = ""
    while True:
        part = stage.client.get(
            "/alarms", params={"limit": 1, **({"cursor": cursor} if cursor else {})}
        )
        found += part.json()["alarms"]
        cursor = part.json()["next"]
        if cursor is None:
            break
    assert found == whole
    assert len(whole) == 4


@pytest.mark.parametrize(
    ("query", "count"),
    [
        ("truck=NF-03", 2),
        ("kind=over_temperature", 2),
        ("state=latched_unacknowledged", 1),
        ("priority=critical", 2),
        ("which=standing", 4),
        ("which=over", 0),
        ("until=2026-06-16T06:01:00Z", 1),
        ("since=2026-06-16T06:01:00Z", 3),
    ],
)
def test_alarms_can_be_chosen(stage: ApiStage, query: str, count: int) -> None:
    assert len(stage.client.get(f"/alarms?{query}").json()["alarms"]) == count


def test_an_hour_is_what_its_samples_are(stage: ApiStage) -> None:
    """Held against the samples themselves, which the same API gives."""
    hour = stage.client.get(
        "/trucks/NF-05/rollups?step=1h&since=2026-06-16T08:00:00Z&limit=1"
    ).json()
    (bucket,) = hour["buckets"]
    span = {"since": "2026-06-16T08:00:00Z", "until": "2026-06-16T09:00:00Z", "limit": "5000"}
    samples = stage.client.get("/trucks/NF-05/samples", params=span).json()["samples"]
    fluid = [each["fluid_temp_c"] for each in samples if each["fluid_temp_c"] is not None]
    (summary,) = bucket["signals"]
    assert bucket["start_at"] == "2026-06-16T08:00:00.000Z"
    assert bucket["samples_count"] == len(samples)
    assert summary["low"] == min(fluid)
    assert summary["high"] == max(fluid)
    assert summary["mean"] == pytest.approx(sum(fluid) / len(fluid))
    assert sum(bucket["bands_s"]) == pytest.approx(bucket["seen_s"])


def test_an_alarm_with_all_that_is_kept_of_it(stage: ApiStage) -> None:
    (one,) = stage.client.get("/alarms?kind=bypass_stuck").json()["alarms"]
    story = stage.client.get(f"/alarms/{one['id']}").json()
    assert story["alarm"] == one
    assert [each["event"] for each in story["history"]] == ["raise", "rise"]
    about = [line["about"] for line in story["lines"]]
    assert about.index("Do now") < about.index("Seen")
    assert "Shop" in about


def test_fills_services_figures_system_are_there(stage: ApiStage) -> None:
    (fill,) = stage.client.get("/trucks/NF-03/fills").json()["fills"]
    assert fill["begun_by"] == "install"
    services = stage.client.get("/services").json()["services"]
    assert services[0]["truck"] == "NF-07"
    assert services[0]["due"]["overdue"]
    assert stage.client.get("/figures").json()["alarms_count"] == 4
    assert stage.client.get("/system").json()["trucks_count"] == 10


def test_a_chart_is_that_of_the_console(stage: ApiStage) -> None:
    chart = stage.client.get("/trucks/NF-03/series?signals=fluid_temp_c&width_px=300").json()
    assert [line["name"] for line in chart["lines"]] == ["fluid_temp_c"]
    assert chart["healthy"]["mean"]
    assert {each["kind"] for each in chart["alarms"]} == {"bypass_stuck", "over_temperature"}


def test_what_if_is_that_of_the_command(stage: ApiStage) -> None:
    told = stage.client.get("/trucks/NF-03/what-if?cooler_factor=1.3").json()
    as_was, bigger = told["outcomes"]
    assert as_was["hottest_temp_c"]["best"] == pytest.approx(155.3)
    assert bigger["cooler_factor"] == 1.3


def test_a_review_is_that_of_the_console(stage: ApiStage) -> None:
    told = stage.client.get("/trucks/NF-03/review").json()
    assert told["departure"]["cause"] == "shut"
    assert told["causes"][0]["name"] == "shut"
    assert told["excursions"][0]["peak_temp_c"] == pytest.approx(155.3)
    assert told["until_at"] > told["departure"]["told_at"] > told["departure"]["trusted_at"]
    assert told["not_known"]


def test_what_has_not_changed_is_not_sent_again(stage: ApiStage) -> None:
    """RFC 9110, sections 8.8.3, 13.1.2 and 15.4.5."""
    first = stage.client.get("/alarms")
    tag = first.headers["etag"]
    assert tag.startswith('"')
    for asked in (tag, f"W/{tag}", f'"other", {tag}', "*"):
        again = stage.client.get("/alarms", headers={"If-None-Match": asked})
        assert again.status_code == 304
        assert again.content == b""
        assert again.headers["etag"] == tag
    other = stage.client.get("/alarms", headers={"If-None-Match": '"other"'})
    assert other.status_code == 200


def test_answers_may_be_kept_by_nobody_else(stage: ApiStage) -> None:
    answer = stage.client.get("/trucks")
    assert answer.headers["cache-control"] == "private, no-cache"
    assert set(answer.headers["vary"].split(", ")) >= {"Authorization", "Cookie"}


def test_head_is_get_without_its_body(stage: ApiStage) -> None:
    """RFC 9110, section 9.3.2."""
    whole, head = stage.client.get("/system"), stage.client.head("/system")
    assert head.status_code == 200
    assert head.content == b""
    for name in ("etag", "content-type", "content-length"):
        assert head.headers[name] == whole.headers[name]


def test_what_was_refused_comes_with_its_bytes(own: ApiStage) -> None:
    raw = b'{"time": "\xff'
    with own.database.write() as tx:
        quarantine.keep(
            tx,
            topic="fleet/NF-03/telemetry",
            vehicle="NF-03",
            refused=Refused(reason="not_utf8", field="payload", detail="is no UTF-8", raw=raw),
            received_ms=END_MS,
            limit_rows=10,
            limit_bytes=10_000,
        )
    listed = own.client.get("/quarantine").json()
    (one,) = listed["entries"]
    assert (listed["held_count"], one["reason"], one["size_bytes"]) == (1, "not_utf8", len(raw))
    shown = own.client.get(f"/quarantine/{one['id']}").json()
    assert base64.b64decode(shown["raw_base64"]) == raw
    problem(own.client.get("/quarantine/999"), 404, "not-here")
