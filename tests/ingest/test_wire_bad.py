"""Whatever comes: a reason and a field for each bad message, and never an exception."""

from __future__ import annotations

import json
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.decoded import REASONS
from ingest.wire import DECODERS, Decoded, WireRules, decode
from models.sample import SIGNAL_NAMES
from tests.bad_payloads import bad_payloads
from tests.fuzz.wire import NOW_MS, check_decoded

RULES = WireRules()
GOOD = '{"time":1767268800,"fluid_temp_c":90.5,"gear":4,"lockup":true,"seq":7}'
BAD = '{"time":1767268801,"fluid_temp_c":"hot"}'


def run(payload: bytes, topic: str) -> Decoded:
    return decode(topic, payload, now_ms=NOW_MS, rules=RULES)


BAD_PAYLOADS = bad_payloads(NOW_MS)


def test_there_are_a_thousand_bad_payloads_and_no_two_alike() -> None:
    assert len(set(BAD_PAYLOADS)) == len(BAD_PAYLOADS) >= 1000
    known = set(REASONS) - {"more_bad_samples", "unregistered", "conflict", "not_processed"}
    assert {bad.reason for bad in BAD_PAYLOADS} == known


def test_every_bad_payload_is_refused_for_its_reason_and_field() -> None:
    wrong = []
    for bad in BAD_PAYLOADS:
        decoded = run(bad.payload, bad.topic)
        found = [(refused.reason, refused.field) for refused in decoded.refused]
        empty = decoded.kind == "refused" and not len(decoded.samples)
        if found[:1] != [(bad.reason, bad.field)] or not empty:
            wrong.append((bad.topic[:40], bad.payload[:80], bad.reason, bad.field, found[:1]))
    assert wrong == []


topics = st.one_of(
    st.text(),
    st.builds("fleet/{}/{}".format, st.text(max_size=3), st.sampled_from(list(DECODERS))),
    st.builds("fleet/NF-01/{}".format, st.sampled_from(list(DECODERS))),
)
scalars: st.SearchStrategy[Any] = (
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5)
)
names = st.sampled_from(["time", "seq", "vehicle", "online", "note", *SIGNAL_NAMES])
near_samples = st.dictionaries(names, scalars | st.sampled_from([1767268800, 1, "NF-01"]))
near_payloads = st.one_of(near_samples, st.lists(near_samples | scalars, max_size=4), scalars)


@given(topic=topics, payload=st.binary(max_size=200))
@settings(max_examples=300)
def test_no_bytes_ever_raise(topic: str, payload: bytes) -> None:
    check_decoded(run(payload, topic), payload)


@given(document=near_payloads, topic=topics)
@settings(max_examples=300)
def test_no_json_ever_raises(document: Any, topic: str) -> None:
    payload = json.dumps(document).encode()
    check_decoded(run(payload, topic), payload)


@given(
    documents=st.lists(st.sampled_from([GOOD, BAD, "{}", "7", '"]["']), min_size=1, max_size=4),
    place=st.integers(min_value=0, max_value=400),
    noise=st.binary(max_size=3) | st.sampled_from([b'"', b"]", b"[", b"}", b"{", b",", b"\\"]),
    cut=st.booleans(),
)
@settings(max_examples=300)
def test_no_damage_ever_raises(
    documents: list[str], place: int, noise: bytes, cut: bool
) -> None:
    whole = f"[{','.join(documents)}]".encode()
    payload = whole[:place] + noise + (b"" if cut else whole[place:])
    check_decoded(run(payload, "fleet/NF-01/telemetry"), payload)
