"""The gateway's backlog: nothing is forgotten before it is covered, all is delivered."""

import json
from dataclasses import dataclass
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.faults import Fault
from simulator.gateway import Backlog, Gateway, GatewayPlan
from simulator.publish import read_received

PLAN = GatewayPlan(most_samples=7, window=25, resend_after_s=5.0)


def _seqs(payload: bytes) -> list[int]:
    value = json.loads(payload)
    return [sample["seq"] for sample in (value if isinstance(value, list) else [value])]


def _gap_free(stored: set[int]) -> int:
    top = 0
    while top + 1 in stored:
        top += 1
    return top


@dataclass
class Link:
    """A network that loses, repeats, delays and reorders, both ways."""

    rng: Random
    loss: float
    out: list[bytes]
    back: list[int]

    def deliver(self, stored: set[int]) -> None:
        self.rng.shuffle(self.out)
        for payload in self.out:
            if self.rng.random() >= self.loss:
                stored.update(_seqs(payload))
        self.out.clear()
        self.back.append(_gap_free(stored))

    def answers(self) -> list[int]:
        self.rng.shuffle(self.back)
        heard = [seq for seq in self.back if self.rng.random() >= self.loss]
        self.back = [seq for seq in self.back if self.rng.random() < 0.3]  # heard again later
        return heard


class Story:
    """A backlog, a link and a far side, acted on step by step."""

    def __init__(self, seed: int, loss: float) -> None:
        self.backlog = Backlog(PLAN)
        self.link = Link(rng=Random(seed), loss=loss, out=[], back=[])
        self.stored: set[int] = set()
        self.made = 0

    def act(self, step: str, clock_s: float) -> None:
        if step == "sample":
            self.made = self.backlog.append({"time": self.made})
        elif step == "send":
            self._send(clock_s)
        elif step == "deliver":
            self.link.deliver(self.stored)
        elif step == "answer":
            for seq in self.link.answers():
                self.backlog.covered(seq, clock_s)
        else:
            self.backlog.rewind()
        forgotten = self.made - len(self.backlog)
        assert set(range(1, forgotten + 1)) <= self.stored

    def _send(self, clock_s: float) -> None:
        self.backlog.expire(clock_s)
        payload = self.backlog.take(clock_s)
        if payload is not None:
            self.link.out += [payload] * (2 if self.link.rng.random() < 0.2 else 1)


STEPS = st.sampled_from(["sample", "send", "deliver", "answer", "drop"])


@given(
    seed=st.integers(0, 2**32),
    loss=st.floats(0.0, 0.9),
    steps=st.lists(STEPS, max_size=150),
)
def test_every_sample_arrives_and_none_is_forgotten_too_soon(
    seed: int, loss: float, steps: list[str]
) -> None:
    story = Story(seed, loss)
    for clock_s, step in enumerate(steps):
        story.act(step, float(clock_s))
    story.link.loss = 0.0
    for clock_s in range(len(steps), len(steps) + 400):
        story.act(("send", "deliver", "answer")[clock_s % 3], float(clock_s))
    assert story.stored == set(range(1, story.made + 1))
    assert len(story.backlog) == 0


def test_a_number_never_sent_is_from_an_earlier_life() -> None:
    backlog = Backlog(PLAN)
    backlog.append({"time": 0})
    assert backlog.covered(5_000, 0.0) == 0
    assert len(backlog) == 1


def test_a_gateway_that_does_not_wait_forgets_what_it_sent() -> None:
    backlog = Backlog(GatewayPlan(waits=False))
    backlog.append({"time": 0})
    assert backlog.take(0.0) == b'{"time":0,"seq":1}'
    assert len(backlog) == 0


def test_a_message_stays_within_its_bytes() -> None:
    backlog = Backlog(GatewayPlan(most_bytes=200))
    for number in range(40):
        backlog.append({"time": number, "fluid_temp_c": 88.5})
    sent = []
    while (payload := backlog.take(0.0)) is not None:
        assert len(payload) <= 200
        sent += _seqs(payload)
    assert sent == list(range(1, 41))


def test_an_answer_from_before_a_restart_of_the_counter_covers_nothing_new() -> None:
    backlog = Backlog(GatewayPlan())
    for time_ms in (10_000, 20_000, 30_000):
        backlog.append({"time": time_ms / 1000}, time_ms)
    backlog.take(0.0)
    backlog.take(0.0)
    backlog.take(0.0)
    # The broker still holds the word of yesterday: high numbers, but an old time.
    assert backlog.covered(3, 0.0, newest_ms=5_000) == 0
    assert backlog.covered(3, 0.0, newest_ms=20_000) == 2
    assert len(backlog) == 1


def _gateway(plan: GatewayPlan, *faults: Fault) -> Gateway:
    return Gateway("T-1", plan, faults=faults, start_ms=0, rng=Random(0))


def test_a_silent_gateway_stores_and_comes_back() -> None:
    gateway = _gateway(
        GatewayPlan(samples_per_message=1),
        Fault(kind="gateway_silent", since_s=100.0, until_s=400.0),
    )
    heard: list[tuple[int, str, bytes]] = []
    for second in range(10, 600, 10):
        gateway.record({"fluid_temp_c": 80.0}, 1000 * second)
        messages = gateway.messages(1000 * second, clock_s=float(second), powered=True)
        heard += [(second, message.topic, message.payload) for message in messages]
        gateway.received(gateway.backlog.sent_seq, float(second))
    telemetry = [(second, payload) for second, topic, payload in heard if "telemetry" in topic]
    assert not [second for second, _ in telemetry if 100 <= second < 400]
    back = next(payload for second, payload in telemetry if second == 400)
    assert _seqs(back) == list(range(10, 41))
    assert sorted(seq for _, payload in telemetry for seq in _seqs(payload)) == list(
        range(1, 60)
    )
    status = [
        (second, json.loads(load)["online"])
        for second, topic, load in heard
        if "status" in topic
    ]
    assert status == [(10, True), (190, False), (400, True)]


def test_switching_off_sends_the_rest_and_says_so() -> None:
    gateway = _gateway(GatewayPlan(samples_per_message=6))
    gateway.record({"fluid_temp_c": 80.0}, 1000)
    assert [message.topic for message in gateway.messages(1000, clock_s=0.0, powered=True)] == [
        "fleet/T-1/status"
    ]
    last = gateway.messages(2000, clock_s=1.0, powered=False)
    assert [message.topic for message in last] == ["fleet/T-1/telemetry", "fleet/T-1/status"]
    assert json.loads(last[1].payload)["online"] is False
    assert last[1].retain
    assert gateway.messages(3000, clock_s=2.0, powered=False) == []


def test_a_wrong_clock_shows_in_the_stamps() -> None:
    gateway = _gateway(
        GatewayPlan(clock_offset_s=2.0, clock_drift_ppm=100.0, time_form="unix", waits=False)
    )
    gateway.record({"fluid_temp_c": 80.0}, 10_000_000)
    messages = gateway.messages(10_000_000, clock_s=0.0, powered=True)
    assert json.loads(messages[1].payload)["time"] == 10_000 + 2 + 1


@pytest.mark.parametrize(
    "payload", [b"", b"[]", b"null", b"{}", b'{"seq":"5"}', b'{"seq":true}', b"\xff"]
)
def test_what_is_no_acknowledgement_counts_as_nothing(payload: bytes) -> None:
    assert read_received("fleet/T-1/received", payload) is None
