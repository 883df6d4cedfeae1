"""The decoder: what is good comes through exactly, what is bad is told, nothing raises."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from ingest.wire import Decoded, Refused, Status, WireRules, decode, truck_of
from models.sample import SAMPLE, SIGNAL_NAMES, SIGNALS, Signal

NOW_MS = 1_772_000_000_000
NOON_MS = 1_767_268_800_000  # 2026-01-01T12:00:00Z
RULES = WireRules()
TOPIC = "fleet/NF-01/telemetry"
GOOD = '{"time":1767268800,"fluid_temp_c":90.5,"gear":4,"lockup":true,"seq":7}'
BAD = '{"time":1767268801,"fluid_temp_c":"hot"}'


def run(payload: str | bytes, topic: str = TOPIC, rules: WireRules = RULES) -> Decoded:
    raw = payload.encode() if isinstance(payload, str) else payload
    return decode(topic, raw, now_ms=NOW_MS, rules=rules)


def only(decoded: Decoded) -> Refused:
    (refused,) = decoded.refused
    return refused


def times(decoded: Decoded) -> list[int]:
    return [int(time_ms) for time_ms in decoded.samples["time_ms"]]


def test_one_sample() -> None:
    decoded = run(GOOD)
    assert (decoded.vehicle, decoded.kind, decoded.refused) == ("NF-01", "telemetry", ())
    assert decoded.samples.dtype == SAMPLE
    assert times(decoded) == [NOON_MS]
    assert decoded.seqs.tolist() == [7]
    (sample,) = decoded.samples
    given_values = {"fluid_temp_c": 90.5, "gear": 4.0, "lockup": 1.0}
    for name in SIGNAL_NAMES:
        if name in given_values:
            assert sample[name] == given_values[name]
        else:
            assert math.isnan(sample[name])


def test_every_signal_at_both_ends_of_its_range() -> None:
    ends = [{s.name: _value(s, end) for s in SIGNALS} for end in ("low", "high")]
    decoded = run(json.dumps([{"time": 1767268800 + n, **end} for n, end in enumerate(ends)]))
    assert decoded.refused == ()
    for signal in SIGNALS:
        assert decoded.samples[signal.name].tolist() == [signal.low, signal.high]


def _value(signal: Signal, end: str) -> float | bool:
    bound = signal.low if end == "low" else signal.high
    if signal.kind == "boolean":
        return bool(bound)
    return int(bound) if signal.kind == "integer" else bound


def test_an_array_keeps_its_order_and_null_is_absent() -> None:
    decoded = run(
        '[{"time":1767268802,"gear":2,"seq":null,"vehicle":null,"fluid_temp_c":null},'
        '{"time":1767268801,"gear":1,"vehicle":"NF-01"}]'
    )
    assert decoded.refused == ()
    assert times(decoded) == [NOON_MS + 2000, NOON_MS + 1000]
    assert decoded.samples["gear"].tolist() == [2.0, 1.0]
    assert decoded.seqs.tolist() == [-1, -1]
    assert np.isnan(decoded.samples["fluid_temp_c"]).all()


@pytest.mark.parametrize("value", ["-0.0", "-0", "-0e5", "-1e-400"])
def test_minus_zero_is_zero(value: str) -> None:
    decoded = run(f'{{"time":1767268800,"speed_km_h":{value}}}')
    assert math.copysign(1.0, float(decoded.samples["speed_km_h"][0])) == 1.0


def test_rules_are_obeyed() -> None:
    rules = WireRules(
        root="yard/north", max_payload_bytes=80, max_samples=1, future_ms=0, earliest_ms=NOON_MS
    )
    topic = "yard/north/NF-01/telemetry"
    assert run(GOOD, topic, rules).vehicle == "NF-01"
    assert only(run(GOOD, TOPIC, rules)).reason == "wrong_topic"
    assert only(run(GOOD + " " * 80, topic, rules)).reason == "too_large"
    assert len(only(run(GOOD + " " * 80, topic, rules)).raw) == 80
    assert only(run("[{},{}]", topic, rules)).reason == "too_many_samples"
    late = f'{{"time":{NOW_MS // 1000 + 1},"gear":1}}'
    assert only(run(late, topic, rules)).reason == "future"
    early = '{"time":1767268799,"gear":1}'
    assert only(run(early, topic, rules)).reason == "before_earliest"


def test_the_payload_may_be_as_large_as_the_limit() -> None:
    size = RULES.max_payload_bytes
    assert len(run(GOOD + " " * (size - len(GOOD))).samples) == 1
    many = b"[" + b",".join([b'{"time":1767268800,"gear":0}'] * 9_039) + b"]"
    assert len(many) <= size
    assert len(run(many).samples) == 9_039


@pytest.mark.parametrize(
    ("bad", "reason", "field"),
    [
        (BAD, "wrong_type", "fluid_temp_c"),
        ('{"time":1767268801,"fluid_temp_c":NaN}', "not_finite", "fluid_temp_c"),
        ('{"time":1767268801,"fluid_temp_c":1e400}', "out_of_range", "fluid_temp_c"),
        ('{"time":1767268801,"gear":1,}', "not_json", "payload"),
        ('{"gear":1}', "missing", "time"),
        ("{}", "empty", "payload"),
        ("7", "wrong_shape", "payload"),
        ('{"time":1,"note":"],[{}"}', "before_earliest", "time"),
        ('{"note":' + "[" * 9000 + "]" * 9000 + "}", "too_deep", "payload"),
        ('{"time":1767268801,"gear":1,"vehicle":"NF-02"}', "vehicle_mismatch", "vehicle"),
    ],
)
def test_good_neighbours_are_kept(bad: str, reason: str, field: str) -> None:
    decoded = run(f" [ {GOOD} , {bad} , {GOOD} ] ")
    assert decoded.kind == "telemetry"
    assert times(decoded) == [NOON_MS, NOON_MS]
    assert decoded.seqs.tolist() == [7, 7]
    refused = only(decoded)
    assert (refused.reason, refused.field, refused.position) == (reason, field, 1)
    assert refused.raw == bad.encode()


def test_good_neighbours_of_bytes_that_are_no_text_are_kept() -> None:
    bad = b'{"time":1767268801,"vehicle":"NF-\xff"}'
    decoded = run(GOOD.encode().join([b"[", b"," + bad + b",", b"]"]))
    assert len(decoded.samples) == 2
    assert (only(decoded).reason, only(decoded).field) == ("not_utf8", "vehicle")
    assert only(decoded).raw == bad


def test_the_samples_before_a_cut_are_kept() -> None:
    decoded = run(f'[{GOOD},{GOOD},{{"time":17672')
    assert len(decoded.samples) == 2
    assert (only(decoded).reason, only(decoded).position) == ("not_json", 2)
    assert only(decoded).raw == b'{"time":17672'


@pytest.mark.parametrize("end", ["", ",", ",]", "] x", "]]"])
def test_a_broken_array_of_good_samples_is_told(end: str) -> None:
    decoded = run(f"[{GOOD},{GOOD}{end}")
    assert len(decoded.samples) == 2
    assert only(decoded).reason == "not_json"


def test_a_sample_is_judged_the_same_alone_and_beside_a_bad_one() -> None:
    tie = '{"time":1767268800.0005,"gear":-0,"fluid_temp_c":1e-400}'
    for sample in (GOOD, tie, '{"time":"2026-01-01T12:00:00.0005+00:00","gear":3}'):
        alone, beside = run(sample), run(f"[{BAD},{sample}]")
        assert alone.samples.tobytes() == beside.samples.tobytes()
        assert alone.seqs.tolist() == beside.seqs.tolist()


def test_of_a_key_given_twice_the_last_counts() -> None:
    decoded = run('{"time":"x","time":1767268800,"gear":"x","gear":5,"gear":6}')
    assert decoded.refused == ()
    assert decoded.samples["gear"].tolist() == [6.0]
    assert only(run('{"time":1767268800,"gear":5,"gear":"x"}')).field == "gear"


def test_unknown_fields_are_counted_by_name() -> None:
    extra = GOOD[:-1] + ',"note":{"a":[1]},"Gear":1}'
    assert run(f"[{extra},{extra},{GOOD}]").unknown_fields == {"note": 2, "Gear": 2}
    assert run(f"[{extra},{BAD}]").unknown_fields == {"note": 1, "Gear": 1}
    assert run(GOOD).unknown_fields == {}


def test_the_number_of_unknown_names_is_bounded() -> None:
    extra = ",".join(f'"x{number}":1' for number in range(1000))
    counts = run(f"{GOOD[:-1]},{extra}}}").unknown_fields
    assert len(counts) == 33
    assert sum(counts.values()) == 1000
    long = run(f'{GOOD[:-1]},"{"y" * 5000}":1}}').unknown_fields
    assert long == {"y" * 64: 1}


def test_many_bad_samples_are_kept_without_a_flood() -> None:
    bad = [f'{{"time":{number}}}' for number in range(3000)]
    decoded = run(f"[{','.join(bad)},{GOOD}]")
    assert len(decoded.samples) == 1
    assert len(decoded.refused) == 201
    rest = decoded.refused[-1]
    assert (rest.reason, rest.position) == ("more_bad_samples", 200)
    assert json.loads(rest.raw) == [{"time": number} for number in range(200, 3000)]


def test_the_words_name_every_bad_field() -> None:
    payload = '{"time":0,"gear":99,"speed_km_h":"fast","seq":-1}'
    refused = only(run(payload))
    assert (refused.reason, refused.field) == ("before_earliest", "time")
    assert refused.detail.endswith("Also bad: speed_km_h, gear, seq")


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        ('{"time":1767268800,"fluid_temp_c":"90"}', ('"90"', "°C", "without quotes")),
        ('{"time":1767268800,"fluid_temp_c":400}', ("400", "-60 to 300 °C", "scaling")),
        ('{"time":1767268800000,"gear":1}', ("milliseconds", "divide by 1000")),
        ('{"time":"2026-01-01T12:00:00","gear":1}', ("no offset", "add Z")),
        ('{"time":1767268800,"gear":1,"vehicle":"NF-02"}', ("NF-02", "NF-01")),
        ('{"time":1767268800,"gear":1', ("cut off",)),
        ('{"time":1767268800,"fluid_temp_c":nan}', ("after the field fluid_temp_c",)),
        (" " * 300_000, ("300000 bytes", "262144", "SHA-256", "smaller arrays")),
    ],
)
def test_the_words_say_what_and_how_to_mend(payload: str, words: tuple[str, ...]) -> None:
    detail = only(run(payload)).detail
    for word in words:
        assert word in detail


def test_foreign_text_in_words_is_short_and_printable() -> None:
    for value in ("\\u0000\\u001b[31m\\u202e", "x" * 9000, "💥" * 50):
        detail = only(run(f'{{"time":1767268800,"gear":1,"vehicle":"{value}"}}')).detail
        assert detail.isprintable()
        assert len(detail) < 400


def test_status() -> None:
    topic = "fleet/NF-01/status"
    decoded = run('{"online":true,"time":"2026-01-01T12:00:00Z","why":"x"}', topic)
    assert (decoded.kind, decoded.vehicle) == ("status", "NF-01")
    assert decoded.status == Status(online=True, time_ms=NOON_MS)
    assert len(decoded.samples) == len(decoded.seqs) == 0
    assert run('{"online":false,"time":1767268800}', topic).status == Status(
        online=False, time_ms=NOON_MS
    )


def test_every_name_of_a_truck_that_is_allowed() -> None:
    for name in ("a", "A.b_c-9", "x" * 64, "...", "-"):
        assert run(GOOD, f"fleet/{name}/telemetry").vehicle == name


def test_a_topic_says_whose_it_is_whatever_was_sent_by_it() -> None:
    for topic in ("fleet/NF-01/telemetry", "fleet/NF-01/status", "a/b/NF-01/telemetry"):
        assert truck_of(topic) == "NF-01"
    for topic in ("", "telemetry", "/telemetry", "fleet/NF-01/received", "fleet/a b/telemetry"):
        assert truck_of(topic) is None


def test_samples_may_be_written_to_by_the_next_stage() -> None:
    samples = run(GOOD).samples
    samples["gear"] = 0.0
    assert run(GOOD).samples["gear"].tolist() == [4.0]
