"""Bad messages that are no samples at all, or come by a bad topic."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator

from models.sample import SIGNALS
from tests.bad_maker import BadPayload, Maker


def shapes(maker: Maker) -> Iterator[BadPayload]:
    for blank in ("", " ", "\n\t\r ", "[]", " [ ] ", "{}", "[{}]"):
        yield maker.bad(blank, "empty")
    for value in ("5", "-1.5", '"x"', "true", "false", "null", "1e400", '"' + "x" * 999 + '"'):
        yield maker.bad(value, "wrong_shape")
        yield maker.bad(f"[{value}]", "wrong_shape")
        yield maker.bad(f"[[{value}]]", "wrong_shape")
    for count in (2, 3, 10):
        yield maker.bad(json.dumps(list(range(count))), "wrong_shape")
    yield maker.bad(f"[[{maker.sample()}]]", "wrong_shape")


def nesting(maker: Maker) -> Iterator[BadPayload]:
    for depth in (2000, 10_000, 100_000):
        deep = "[" * depth + "]" * depth
        yield maker.bad(deep, "wrong_shape")
        yield maker.bad("[" * depth, "wrong_shape")
        yield maker.bad(maker.sample(f'"note":{deep}'), "too_deep")
        yield maker.bad("[" + maker.sample(f'"note":{deep}') + "]", "too_deep")
        layers = min(depth, 40_000)
        yield maker.bad('{"a":' * layers + "1" + "}" * layers, "too_deep")


def not_json(maker: Maker) -> Iterator[BadPayload]:
    good = maker.sample()
    for tail in ("x", "}", "]", ",", "{}", "\x00", good, "//", ";"):
        yield maker.bad(good + tail, "not_json")
    for head in ("\ufeff", "\x00", "x", ",", "}", "]", "//\n", "data="):
        yield maker.bad(head + good, "not_json")
    for value in (
        "01",
        "1.",
        ".5",
        "+1",
        "0x1F",
        "1e",
        "--1",
        "1 2",
        "'1'",
        "undefined",
        "None",
    ):
        yield maker.bad(maker.sample(f'"fluid_temp_c":{value}'), "not_json")
    for member in (
        "fluid_temp_c:1",
        "'gear':1",
        '"gear"',
        '"gear":',
        ":1",
        '"\\x":1',
        "",
        '"a":"\n"',
    ):
        yield maker.bad("{" + member + ',"time":' + "1}", "not_json")
    yield maker.bad(maker.sample()[:-1] + ",}", "not_json")
    yield maker.bad(b"\x00" * 64, "not_json")
    for count in range(1, 40):
        generator = random.Random(count)
        yield maker.bad("".join(generator.choices("xyz_;<>%&", k=count)), "not_json")
    for place in range(1, len(good), 3):
        yield maker.bad(good[:place] + "\x00" + good[place:], "not_json")
    yield maker.bad(good.encode("utf-16-le"), "not_json")


def truncated(maker: Maker) -> Iterator[BadPayload]:
    more = [
        f'"{signal.name}":{int(signal.high)}' for signal in SIGNALS if signal.kind == "number"
    ]
    good = maker.sample(*more)
    for end in range(1, len(good), 2):
        yield maker.bad(good[:end], "not_json")
        if end % 5 == 0:
            yield maker.bad("[" + good[:end], "not_json")


def not_utf8(maker: Maker) -> Iterator[BadPayload]:
    broken = (
        b"\xff",
        b"\xc3",
        b"\xe2\x82",
        b"\xf0\x9f\x92",
        b"\xc0\xaf",
        b"\xed\xa0\x80",
        b"\xfe\xfe",
    )
    start = maker.sample()[:-1].encode()
    for piece in broken:
        for name in ("vehicle", "time", "gear"):
            payload = start + b',"' + name.encode() + b'":"a' + piece + b'"}'
            yield maker.bad(payload, "not_utf8", name)
        yield maker.bad(start + b',"note":"' + piece + b'"}', "not_utf8", "payload")
        yield maker.bad(piece + start + b"}", "not_utf8")
        yield maker.bad(b"[" + piece + b"]", "not_utf8")
    yield maker.bad(maker.sample().encode("utf-16"), "not_utf8")
    for count in range(1, 100):
        noise = random.Random(count).randbytes(count)
        yield maker.bad(b"\xff" + noise, "not_utf8")


def sizes(maker: Maker) -> Iterator[BadPayload]:
    size = 300 * 1024
    good = maker.sample()
    for payload in (" " * size, "[" * size, "x" * size, good + " " * size, '"' + "a" * size):
        yield maker.bad(payload, "too_large")
    yield maker.bad("[" + ",".join([good] * (size // len(good))) + "]", "too_large")
    yield maker.bad(b"\x00" * size, "too_large")
    yield maker.bad(b"\xff" * (262_144 + 1), "too_large")
    yield maker.bad("[" + "1," * 10_000 + "1]", "too_many_samples")
    yield maker.bad("[" + "{}," * 20_000 + "{}]", "too_many_samples")


def topics(maker: Maker) -> Iterator[BadPayload]:
    good = maker.sample().encode()
    wrong = ["", "/", "fleet", "fleet/", "fleet/NF-01", "fleet/NF-01/", "fleet//telemetry/x"]
    wrong += ["fleet/NF-01/telemetry/", "/fleet/NF-01/telemetry", "Fleet/NF-01/telemetry"]
    wrong += ["fleet/NF-01/Telemetry", "fleet/NF-01/received", "fleet/NF-01/x", "a/b/telemetry"]
    wrong += ["NF-01/telemetry", "fleet/a/b/telemetry", "fleet/NF-01/telemetry\x00", "x" * 1000]
    for topic in wrong:
        yield BadPayload(topic, good, "wrong_topic", "topic")
    names = [
        "",
        " ",
        "NF 01",
        "NF#01",
        "+",
        "#",
        "ä",
        "💥",
        "a\x00",
        "x" * 65,
        "NF-01\n",
        "a:b",
    ]
    for name in (*names, ".", "..", "a,b", "$SYS", "a*", "'", '"', "<b>"):
        for suffix in ("telemetry", "status"):
            yield BadPayload(f"fleet/{name}/{suffix}", good, "bad_vehicle_name", "topic")


def statuses(maker: Maker) -> Iterator[BadPayload]:
    def bad(payload: str, reason: str, field: str) -> BadPayload:
        return maker.bad(payload, reason, field)._replace(topic=f"fleet/{maker.vehicle}/status")

    # A wholly empty one is a retained status cleared, which is the pipeline's matter.
    for payload in (" ", "{}"):
        yield bad(payload, "empty", "payload")
    for payload in ("1", "[]", "true", f'[{{"online":true,"time":{maker.now_s}}}]'):
        yield bad(payload, "wrong_shape", "payload")
    for payload in ("online", '{"online":true', "{online:true}", '{"online":True}'):
        yield bad(payload, "not_json", "payload")
    for value in ("1", "0", '"true"', "null", "[]", "{}"):
        yield bad(f'{{"online":{value},"time":{maker.now_s}}}', "wrong_type", "online")
    yield bad(f'{{"time":{maker.now_s}}}', "missing", "online")
    yield bad('{"online":true}', "missing", "time")
    yield bad('{"online":true,"time":null}', "wrong_type", "time")
    yield bad('{"online":true,"time":0}', "before_earliest", "time")
    yield bad(f'{{"online":true,"time":{maker.now_s}000}}', "time_unit", "time")
    yield bad('{"online":true,"time":"2026-01-01"}', "bad_time", "time")


BAD_TEXTS = (shapes, nesting, not_json, truncated, not_utf8, sizes, topics, statuses)
