"""What is committed gets to the server, whatever the server answers: against a strict stand-in."""

from __future__ import annotations

from pathlib import Path

import pytest

from deploy.influx_sending import MOST_BAD
from deploy.waiting import until
from ingest import feed
from tests.deploy.fed import Fed, section
from tests.influx_stub import TOKEN, Stub, problem
from tests.recorded import HOUR_MS, NOON_MS, climb

DAY_MS = 86_400_000
PATIENCE_S = 30.0


def test_every_signal_of_every_sample_arrives(fed: Fed, far: Stub) -> None:
    samples = climb(120)
    fed.store("NF-01", samples[:70])
    fed.store("NF-02", samples)
    fed.store("NF-01", samples[70:])
    state = fed.drain()
    assert (state.points, state.rows_waiting, state.trouble) == (240, 0, "")
    assert all(len(lines) <= 50 for lines in far.requests)
    for name in ("NF-01", "NF-02"):
        for sample in samples:
            kept = far.points["heatbook", f"samples,vehicle={name}", int(sample["time_ms"])]
            expected = {key: value for key, value in sample.items() if key != "time_ms"}
            assert {key: float(value) for key, value in kept.items()} == expected


@pytest.mark.parametrize(
    ("answer", "trouble"),
    [
        (problem(503, "overloaded"), "away"),
        (problem(429, "too many requests"), "away"),
        (problem(500, "internal error"), "away"),
        ("cut", "away"),
        (problem(401, "unauthorized access"), "settings"),
        (problem(403, "forbidden"), "settings"),
        (problem(404, 'bucket "heatbook" not found'), "settings"),
    ],
)
def test_a_failure_is_told_and_nothing_is_lost(
    fed: Fed, far: Stub, answer: tuple[int, dict[str, str], str] | str, trouble: str
) -> None:
    fed.store("NF-01", climb(60))
    far.answers.append(answer)
    assert not fed.feeder.once()
    assert (fed.state.trouble, fed.state.points, fed.state.rows_waiting) == (trouble, 0, 1)
    assert fed.state.trouble_since_ms == fed.now_ms
    state = fed.drain()
    assert (state.trouble, state.reason, state.points, state.rows_waiting) == ("", "", 60, 0)
    assert len(far.vehicles()) == 60


def test_the_thread_sends_by_itself_rests_and_ends(far: Stub, tmp_path: Path) -> None:
    fed = Fed(tmp_path, section(far.url, every_s=0.05))
    fed.store("NF-01", climb(30))
    fed.feeder.start()
    assert until(lambda: len(far.vehicles()) == 30, PATIENCE_S)
    far.answers += [problem(503, "overloaded")]
    fed.store("NF-01", climb(30, start_ms=NOON_MS + HOUR_MS))
    assert until(lambda: len(far.vehicles()) == 60, PATIENCE_S)
    assert until(lambda: fed.state.rows_waiting == 0, PATIENCE_S)
    assert fed.feeder.stop()
    fed.database.close()


def test_a_server_that_answers_too_late_is_away(far: Stub, tmp_path: Path) -> None:
    fed = Fed(tmp_path, section(far.url, timeout_s=0.2))
    fed.store("NF-01", climb(10))
    far.answers.append("slow")
    assert not fed.feeder.once()
    assert fed.state.trouble == "away"
    fed.drain()
    assert len(far.vehicles()) == 10
    fed.close()


def test_a_server_that_is_down_keeps_nothing_in_memory_and_gets_all(
    far: Stub, tmp_path: Path
) -> None:
    fed = Fed(tmp_path, section("http://127.0.0.1:1"))
    for start in range(0, 400, 40):
        fed.store("NF-01", climb(400)[start : start + 40])
        assert not fed.feeder.once()
    state = fed.state
    assert (state.trouble, state.rows_waiting) == ("away", 10)
    assert state.oldest_unsent_ms == fed.now_ms
    fed.influx = section(far.url)
    fed.again()
    assert fed.drain().points == 400
    assert len(far.vehicles()) == 400
    fed.close()


@pytest.mark.parametrize(
    ("told", "least_s"), [("7", 7.0), ("Fri, 31 Dec 2199 23:59:59 GMT", 3600.0)]
)
def test_retry_after_is_honoured(fed: Fed, far: Stub, told: str, least_s: float) -> None:
    """RFC 9110, 10.2.3: seconds or a date; one far off is not waited for longer than an hour."""
    fed.store("NF-01", climb(3))
    far.answers.append(problem(429, "slow down", Retry_After=told))
    assert fed.feeder._turn() == least_s


def test_the_token_is_in_no_reason_even_when_the_server_repeats_it(fed: Fed, far: Stub) -> None:
    fed.store("NF-01", climb(3))
    far.answers.append(problem(401, f"the token {TOKEN} is not known"))
    assert not fed.feeder.once()
    assert fed.state.reason == "401 Unauthorized: the token ******** is not known"


def test_rests_grow_and_end_with_the_trouble(fed: Fed, far: Stub) -> None:
    fed.store("NF-01", climb(3))
    far.answers += [problem(503, "overloaded")] * 12
    rests = [fed.feeder._turn() for _ in range(12)]
    for number, rest_s in enumerate(rests):
        longest = min(60.0, 2.0**number)
        assert longest / 2 <= rest_s <= longest
    assert fed.feeder._turn() == 0.0
    far.answers.append(problem(503, "overloaded"))
    fed.store("NF-01", climb(3, start_ms=NOON_MS + HOUR_MS))
    assert fed.feeder._turn() <= 1.0


@pytest.mark.parametrize("partial", [True, False])
def test_bad_lines_are_found_and_kept_and_the_good_ones_arrive(
    fed: Fed, far: Stub, partial: bool
) -> None:
    samples = climb(120)
    bad = {int(samples[place]["time_ms"]) for place in (0, 17, 18, 119)}
    far.partial = partial
    far.refuses = lambda line: (
        "field type conflict" if int(line.rsplit(" ", 1)[1]) in bad else None
    )
    fed.store("NF-01", samples)
    state = fed.drain()
    assert (state.points, state.refused, state.rows_waiting, state.trouble) == (116, 4, 0, "")
    assert {at for _, at in far.vehicles()} == {int(s["time_ms"]) for s in samples} - bad
    with fed.database.read() as conn:
        found = feed.refused(conn)
    assert {each.time_ms for each in found} == bad
    assert all("field type conflict" in each.reason for each in found)
    assert all(each.line.startswith("samples,vehicle=NF-01 fluid_temp_c=") for each in found)


def test_a_server_that_refuses_everything_is_no_fault_of_the_lines(fed: Fed, far: Stub) -> None:
    fed.influx = section(far.url, batch_points=500)
    fed.again()
    fed.store("NF-01", climb(200))
    far.refuses = lambda line: "no"
    assert not fed.feeder.once()
    state = fed.state
    assert (state.trouble, state.refused, state.rows_waiting) == ("refused", 0, 1)
    assert len(far.requests) < 4 * MOST_BAD
    far.refuses = lambda line: None
    assert fed.drain().points == 200


def test_refused_lines_are_bounded(
    fed: Fed, monkeypatch: pytest.MonkeyPatch, far: Stub
) -> None:
    monkeypatch.setattr(feed, "MOST_REFUSED", 5)
    far.refuses = lambda line: "no" if line.endswith("7") else None
    samples = [{"time_ms": NOON_MS + each, "fluid_temp_c": 90.0} for each in range(100)]
    fed.store("NF-01", samples)
    assert fed.drain().refused == 10
    with fed.database.read() as conn:
        kept = feed.refused(conn)
    assert [each.time_ms % 100 for each in kept] == [97, 87, 77, 67, 57]


def test_what_is_older_than_the_bucket_keeps_is_counted_and_not_sent(
    far: Stub, tmp_path: Path
) -> None:
    fed = Fed(tmp_path, section(far.url, keep_days=10.0), now_ms=NOON_MS + 12 * DAY_MS)
    fed.store("NF-01", climb(20))
    fed.store("NF-01", climb(20, start_ms=NOON_MS + 5 * DAY_MS))
    state = fed.drain()
    assert (state.points, state.expired, state.refused) == (20, 20, 0)
    assert len(far.vehicles()) == 20
    fed.close()


def test_a_death_before_the_place_is_written_sends_again_and_counts_once(
    fed: Fed, far: Stub, monkeypatch: pytest.MonkeyPatch
) -> None:
    samples = climb(60)
    fed.store("NF-01", samples)

    def dies(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(feed, "advance", dies)
        with pytest.raises(KeyboardInterrupt):
            fed.feeder.once()
    kept = dict(far.points)
    assert len(kept) == 60
    assert fed.state.points == 0
    fed.again()
    assert fed.drain().points == 60
    assert {key: value for key, value in far.points.items() if key[0] == "heatbook"} == kept
