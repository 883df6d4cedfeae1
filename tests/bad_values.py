"""Bad messages that are JSON objects, each with one bad value."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime

from models.sample import SIGNALS, Signal
from tests.bad_maker import BadPayload, Maker

NOT_NUMBERS = ('"12.5"', "true", "false", "[]", "{}", "[1]", '{"v":1}', '"NaN"', '""')
NOT_INTEGERS = ("12.5", "1e1", "3.0", '"3"', "true", "[]", '{"v":1}')
NOT_BOOLEANS = ("0", "1", '"true"', "1.0", "[]", "{}", '"on"')


def types(maker: Maker) -> Iterator[BadPayload]:
    wrong = {"number": NOT_NUMBERS, "integer": NOT_INTEGERS, "boolean": NOT_BOOLEANS}
    for signal in SIGNALS:
        for value in wrong[signal.kind]:
            yield maker.field(signal.name, value, "wrong_type")
        # Of a key given twice the last counts, and only that.
        twice = f'"{signal.name}":null,"{signal.name}":"x"'
        yield maker.bad(maker.sample(twice, signal='"seq":1'), "wrong_type", signal.name)


def ranges(maker: Maker) -> Iterator[BadPayload]:
    for signal in SIGNALS:
        if signal.kind != "boolean":
            for value in _beyond(signal):
                yield maker.field(signal.name, value, "out_of_range")


def _beyond(signal: Signal) -> tuple[str, ...]:
    near = (f"{signal.low - 1:.0f}", f"{signal.high + 1:.0f}")
    huge = ("9" * 30, "-" + "9" * 30, "9" * 400, "9" * 6000)
    if signal.kind == "integer":
        return (*near, "255", *huge)
    return (
        *near,
        f"{signal.low - 0.001}",
        f"{signal.high + 0.001}",
        "1e308",
        "-1e308",
        "1e400",
        "-1e400",
        *huge,
    )


def not_finite(maker: Maker) -> Iterator[BadPayload]:
    for name in (*(signal.name for signal in SIGNALS), "seq", "note"):
        for value in ("NaN", "Infinity", "-Infinity"):
            case = maker.field(name, value, "not_finite")
            yield case
            yield case._replace(payload=b"[" + case.payload + b"]")
    for value in ("NaN", "Infinity"):
        yield maker.bad(maker.sample(time=value), "not_finite", "time")


def times(maker: Maker) -> Iterator[BadPayload]:
    def iso(offset_s: float, text: str = "%Y-%m-%dT%H:%M:%S") -> str:
        return datetime.fromtimestamp(maker.now_s + offset_s, UTC).strftime(text)

    now = iso(0)
    for text in (now, iso(0, "%Y-%m-%d %H:%M:%S"), now + ".5", now[:16]):
        yield maker.bad(maker.sample(time=f'"{text}"'), "naive_time", "time")
    unread = [now[:10], now[:13], now + "+1", now + "+25:00", now + "+01:60", now + "ZZ"]
    unread += [now + " Z", now + "z+", now.replace("-", "/") + "Z", now.replace("-", "") + "Z"]
    unread += [
        iso(0, text) for text in ("%d.%m.%YT%H:%M:%SZ", "%Y-W%W-1T%H:%M:%SZ", "%y-%m-%d")
    ]
    unread += ["2026-02-30T00:00:00Z", "2026-13-01T00:00:00Z", "2026-00-01T00:00:00Z"]
    unread += ["2026-01-01T24:00:00Z", "2026-01-01T00:60:00Z", "2026-01-01T00:00:61Z"]
    unread += ["2026-01-01T12:00:60Z", "0000-01-01T00:00:00Z", "now", "", " ", "Z", "null"]
    unread += [str(maker.now_s), f"{maker.now_s}.5", now + ".Z", now + ",5Z", "x" * 5000]
    unread += ["２０２６-01-01T00:00:00Z", "2026-01-01T00:00:00Z\\n", "\\u0000", "NaN"]
    for text in unread:
        yield maker.bad(maker.sample(time=f'"{text}"'), "bad_time", "time")
    for offset_s in (300.5, 301, 600, 3600, 86_400, 31_536_000, 1e9):
        yield maker.bad(maker.sample(time=f"{maker.now_s + offset_s}"), "future", "time")
        text = iso(offset_s, "%Y-%m-%dT%H:%M:%S.%fZ")
        yield maker.bad(maker.sample(time=f'"{text}"'), "future", "time")
    for year in range(1970, 2015):
        text = f"{year}-06-01T00:00:00Z"
        yield maker.bad(maker.sample(time=f'"{text}"'), "before_earliest", "time")
        seconds = int(datetime(year, 1, 1, tzinfo=UTC).timestamp())
        yield maker.bad(maker.sample(time=f"{seconds}"), "before_earliest", "time")


def time_values(maker: Maker) -> Iterator[BadPayload]:
    for value in ("true", "false", "[]", "{}", "[1]", '{"s":1}'):
        yield maker.bad(maker.sample(time=value), "wrong_type", "time")
    for value in ("-1", "-0.0", "0.5", "1e-400", "-1e300", "1e-999999999999", "1420070399.999"):
        yield maker.bad(maker.sample(time=value), "before_earliest", "time")
    for value in ("1e300", "9" * 30, "1e11", "4102444800"):
        yield maker.bad(maker.sample(time=value), "future", "time")
    for value in ("1e400", "9" * 6000):
        yield maker.bad(maker.sample(time=value), "out_of_range", "time")
    for factor in (1000, 1_000_000, 1_000_000_000):
        for back_s in (0, 60, 86_400):
            value = str((maker.now_s - back_s) * factor)
            yield maker.bad(maker.sample(time=value), "time_unit", "time")
    yield maker.bad(maker.sample(time="null"), "missing", "time")


def envelopes(maker: Maker) -> Iterator[BadPayload]:
    for value in ("1.5", '"7"', "true", "[]", "{}", "1e3"):
        yield maker.field("seq", value, "wrong_type")
    for value in ("-1", "-9223372036854775808", "9223372036854775808", "9" * 30, "9" * 6000):
        yield maker.field("seq", value, "out_of_range")
    for value in ("1", "true", "[]", "{}", "1.5"):
        yield maker.field("vehicle", value, "wrong_type")
    others = ["", " ", "*", "NF-99", maker.vehicle.lower(), maker.vehicle + " ", "../x", "💥"]
    others += [maker.vehicle + "\\u0000", maker.vehicle + "\\n", maker.topic, "x" * 10_000]
    for value in others:
        yield maker.field("vehicle", f'"{value}"', "vehicle_mismatch")
    for signal in SIGNALS:
        lone = f'{{"{signal.name}":null}}'
        yield maker.bad(lone, "missing", "time")
        yield maker.bad(lone.replace("null", "1"), "missing", "time")
        yield maker.bad(maker.sample(f'"{signal.name}":null', signal=""), "no_signal")
        yield maker.bad(maker.sample(signal=f'"{signal.name.upper()}":1'), "no_signal")
    yield maker.bad(maker.sample(signal=""), "no_signal")
    yield maker.bad(maker.sample('"seq":7', signal=""), "no_signal")


BAD_VALUES = (types, ranges, not_finite, times, time_values, envelopes)
