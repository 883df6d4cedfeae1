"""Say what is wrong with one bad sample: which field, what it holds, how to mend it."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from typing import Any

import msgspec

from ingest.decoded import WireRules
from ingest.decoders.instant import exact_ms
from ingest.decoders.shown import shown
from ingest.decoders.verdict import UNREADABLE, Fault, Row
from models.sample import SIGNAL_NAMES, SIGNALS, Signal

KNOWN_FIELDS = frozenset({"time", "vehicle", "seq", *SIGNAL_NAMES})
LARGEST_SEQ = 2**63 - 1
"""The largest ``seq``: what a 64-bit signed counter holds."""

object_decoder = msgspec.json.Decoder(dict[str, msgspec.Raw])
name_before = re.compile(r'"([A-Za-z0-9_]{1,64})"\s*:')


class _NotFinite(str):
    """A literal JSON does not have: NaN, Infinity, -Infinity."""

    __slots__ = ()


def fields_of(raw: bytes) -> dict[str, msgspec.Raw] | Fault:
    """Give the fields of a sample by name (of a name given twice, the last), or the fault."""
    try:
        text = raw.decode()
    except UnicodeDecodeError as error:
        return _not_utf8(raw, error.start)
    try:
        fields = object_decoder.decode(raw)
    except msgspec.ValidationError:
        detail = f"a sample must be a JSON object with fields by name; this is {shown(raw)}"
        return Fault("wrong_shape", "payload", detail)
    except RecursionError:
        return _too_deep()
    except msgspec.DecodeError as error:
        return _not_json(text, str(error))
    if not fields:
        detail = "the sample is an empty object; send time and at least one signal"
        return Fault("empty", "payload", detail)
    return fields


def _too_deep() -> Fault:
    detail = "the JSON is nested too deeply to read; a sample holds plain values only"
    return Fault("too_deep", "payload", detail)


def _not_utf8(raw: bytes, place: int) -> Fault:
    before = name_before.findall(raw[:place].decode("utf-8", "replace"))
    field = before[-1] if before and before[-1] in KNOWN_FIELDS else "payload"
    detail = f"byte {place} ({raw[place : place + 1].hex()}) is not UTF-8; send UTF-8 text"
    return Fault("not_utf8", field, detail)


def _not_json(text: str, words: str) -> Fault:
    try:
        found = json.loads(text, parse_constant=_NotFinite, parse_int=float)
    except RecursionError:
        return _too_deep()
    except ValueError as error:
        place = getattr(error, "pos", len(text))
    else:
        for name, value in found.items() if isinstance(found, dict) else ():
            if isinstance(value, _NotFinite):
                detail = f"{name} is {value}, which JSON has not; leave the field out or null"
                return Fault("not_finite", shown(name)[1:-1], detail)
        place = len(text)
    if text.startswith("\ufeff"):
        words = "it begins with a byte-order mark"
    before = name_before.findall(text, 0, place)
    near = f", after the field {before[-1]}" if before else ""
    detail = f"not JSON at character {place}{near} ({words}): {shown(text[place:])}"
    return Fault("not_json", "payload", f"{detail}; is the message cut off?")


def judge(
    fields: Mapping[str, msgspec.Raw], vehicle: str, *, now_ms: int, rules: WireRules
) -> Row | Fault:
    """Give the numbers of a sample, or its first fault, the others named in the words."""
    faults: list[Fault] = []
    _judge_vehicle(fields, vehicle, faults)
    time_ms = _judge_time(fields, faults, now_ms=now_ms, rules=rules)
    signals = tuple(_judge_signal(signal, fields, faults) for signal in SIGNALS)
    seq = _judge_seq(fields, faults)
    if not faults and all(math.isnan(value) for value in signals):
        detail = "no signal stands beside the time; send at least one, e.g. fluid_temp_c"
        faults.append(Fault("no_signal", "payload", detail))
    if not faults:
        return time_ms, seq, signals
    also = ", ".join(fault.field for fault in faults[1:])
    first = faults[0]
    return first._replace(detail=f"{first.detail}. Also bad: {also}") if also else first


def _value(name: str, fields: Mapping[str, msgspec.Raw], faults: list[Fault]) -> Any:
    """Give the decoded value; None where it is absent, or bad and told."""
    raw = fields.get(name)
    if raw is None:
        return None
    try:
        return msgspec.json.decode(raw)
    except RecursionError:
        faults.append(_too_deep())
    except UNREADABLE:
        text = bytes(raw)
        if text.lstrip()[:1].isdigit() or text.lstrip()[:1] == b"-":
            detail = f"{name} is {shown(text)}, larger than any number can be"
            faults.append(Fault("out_of_range", name, f"{detail}; mend the scaling"))
        else:
            detail = f"{name} is {shown(text)}, not readable as JSON; mend its text"
            faults.append(Fault("not_json", name, detail))
    return None


def _judge_vehicle(
    fields: Mapping[str, msgspec.Raw], vehicle: str, faults: list[Fault]
) -> None:
    named = _value("vehicle", fields, faults)
    if named is None or named == vehicle:
        return
    if not isinstance(named, str):
        detail = f"vehicle is {shown(named)}; it must be text, or be left out"
        faults.append(Fault("wrong_type", "vehicle", detail))
        return
    detail = (
        f"the sample names the truck {shown(named)}, the topic {vehicle!r}; the topic decides: "
        f"publish to that truck's own topic, or leave the field out"
    )
    faults.append(Fault("vehicle_mismatch", "vehicle", detail))


def _judge_time(
    fields: Mapping[str, msgspec.Raw], faults: list[Fault], *, now_ms: int, rules: WireRules
) -> int:
    before = len(faults)
    value = _value("time", fields, faults)
    if value is None:
        if len(faults) == before:
            detail = "time is missing; send RFC 3339 text with an offset, or Unix seconds"
            faults.append(Fault("missing", "time", detail))
        return 0
    text = bytes(fields["time"]).decode()
    verdict = exact_ms(value, text, now_ms=now_ms, rules=rules)
    if isinstance(verdict, Fault):
        faults.append(verdict)
        return 0
    return verdict


def _judge_signal(
    signal: Signal, fields: Mapping[str, msgspec.Raw], faults: list[Fault]
) -> float:
    value = _value(signal.name, fields, faults)
    if value is None:
        return math.nan
    unit = "" if signal.unit == "-" else f" {signal.unit}"
    text = shown(bytes(fields[signal.name]))
    number = f"a number{unit and f' in{unit}'}"
    wanted = {"number": number, "integer": "a whole number", "boolean": "true or false"}
    right = {"number": (int, float), "integer": (int,), "boolean": (bool,)}[signal.kind]
    if not isinstance(value, right) or (isinstance(value, bool) != (right == (bool,))):
        detail = (
            f"{signal.name} is {text}; it must be {wanted[signal.kind]}, without quotes, or be "
            f"left out"
        )
        faults.append(Fault("wrong_type", signal.name, detail))
    elif not signal.low <= value <= signal.high:
        detail = (
            f"{signal.name} is {text}{unit}, outside {signal.low:g} to {signal.high:g}{unit}; "
            f"mend the sensor or its scaling, or leave the field out"
        )
        faults.append(Fault("out_of_range", signal.name, detail))
    else:
        return float(value)
    return math.nan


def _judge_seq(fields: Mapping[str, msgspec.Raw], faults: list[Fault]) -> int:
    value = _value("seq", fields, faults)
    if value is None:
        return -1
    if not isinstance(value, int) or isinstance(value, bool):
        detail = f"seq is {shown(value)}; it must be a whole number, or be left out"
        faults.append(Fault("wrong_type", "seq", detail))
    elif not 0 <= value <= LARGEST_SEQ:
        detail = f"seq is {shown(bytes(fields['seq']))}; it counts from 0 to {LARGEST_SEQ}"
        faults.append(Fault("out_of_range", "seq", detail))
    else:
        return value
    return -1
