"""The telemetry of the message contract: one JSON object, or an array of them.

A payload that is right in every sample, which is nearly all of them, is decoded and checked in
one pass of compiled code. Only when that refuses is the payload taken apart, so that each bad
sample gets its reason and its good neighbours are kept; both ways judge with the same decoder.
"""

from __future__ import annotations

import math
import struct
from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Annotated, Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from ingest.decoded import Decoded, Refused, WireRules
from ingest.decoders.faults import KNOWN_FIELDS, fields_of, judge
from ingest.decoders.instant import quick_ms
from ingest.decoders.split import split
from ingest.decoders.verdict import UNREADABLE, Fault, Row
from models.sample import SAMPLE, SIGNALS, Signal

NAN = math.nan
MOST_NAMES = 32
"""Names of unknown fields counted apart per message; all further ones count as "(other)"."""

MOST_REFUSED = 200
"""Bad samples of one payload quarantined one by one; the rest of them are kept together."""

LONGEST_NAME = 64
"""Characters of an unknown field's name that are kept."""


class Envelope(msgspec.Struct, gc=False):
    """What stands beside the signals in a sample."""

    time: datetime | int | float | None = None
    vehicle: str | None = None
    seq: Annotated[int, msgspec.Meta(ge=0, le=2**63 - 1)] | None = None


def _typed(signal: Signal) -> tuple[str, Any, float]:
    kinds: dict[str, Any] = {
        "boolean": bool,
        "integer": Annotated[int, msgspec.Meta(ge=int(signal.low), le=int(signal.high))],
        "number": Annotated[float, msgspec.Meta(ge=signal.low, le=signal.high)],
    }
    return (signal.name, kinds[signal.kind] | None, NAN)


_fields = [_typed(signal) for signal in SIGNALS]
_first = len(Envelope.__struct_fields__)
_Sample: Any = msgspec.defstruct("Sample", _fields, bases=(Envelope,), gc=False)
_Exact: Any = msgspec.defstruct(
    "Exact", _fields, bases=(Envelope,), gc=False, forbid_unknown_fields=True
)
exact_decoder: msgspec.json.Decoder[Any] = msgspec.json.Decoder(_Exact | list[_Exact])
loose_decoder: msgspec.json.Decoder[Any] = msgspec.json.Decoder(_Sample | list[_Sample])
names_decoder: msgspec.json.Decoder[Any] = msgspec.json.Decoder(
    dict[str, msgspec.Raw] | list[dict[str, msgspec.Raw]]
)
packer = struct.Struct(f"=q{len(SIGNALS)}d")


def decode_telemetry(vehicle: str, payload: bytes, *, now_ms: int, rules: WireRules) -> Decoded:
    """Decode the samples of ``vehicle`` and say of each bad one what is wrong with it."""
    latest_ms = now_ms + rules.future_ms
    unknown: dict[str, int] = {}
    try:
        parsed = exact_decoder.decode(payload)
    except UNREADABLE:
        try:
            payload.decode()
            parsed = loose_decoder.decode(payload)
            unknown = _unknown(payload)
        except UNREADABLE:
            return _decode_apart(vehicle, payload, now_ms=now_ms, rules=rules)
    samples = parsed if type(parsed) is list else (parsed,)
    if len(samples) > rules.max_samples:
        return _decode_apart(vehicle, payload, now_ms=now_ms, rules=rules)
    rows = []
    for sample in samples:
        row = _row(sample, vehicle, rules.earliest_ms, latest_ms)
        if row is None:
            return _decode_apart(vehicle, payload, now_ms=now_ms, rules=rules)
        rows.append(row)
    if not rows:
        return _decode_apart(vehicle, payload, now_ms=now_ms, rules=rules)
    return _decoded(vehicle, rows, (), unknown)


def _row(sample: Envelope, vehicle: str, earliest_ms: int, latest_ms: int) -> Row | None:
    """Give the numbers of a sample, or None where it takes a closer look."""
    time_ms = quick_ms(sample.time)
    if time_ms is None or not earliest_ms <= time_ms <= latest_ms:
        return None
    if sample.vehicle is not None and sample.vehicle != vehicle:
        return None
    signals = msgspec.structs.astuple(sample)[_first:]
    if None in signals:
        signals = tuple(NAN if value is None else value for value in signals)
    # Absent signals all hold the one NaN object, which count() finds by identity.
    if signals.count(NAN) == len(signals):
        return None
    return time_ms, -1 if sample.seq is None else sample.seq, signals


def _decoded(
    vehicle: str,
    rows: Sequence[Row],
    refused: tuple[Refused, ...],
    unknown: dict[str, int],
) -> Decoded:
    if not rows:
        return Decoded(vehicle=vehicle, kind="refused", refused=refused, unknown_fields=unknown)
    packed = bytearray().join([packer.pack(time_ms, *signals) for time_ms, _, signals in rows])
    samples: NDArray[np.void] = np.frombuffer(packed, SAMPLE)
    numbers = samples.view(np.float64).reshape(len(rows), -1)[:, 1:]
    numbers += 0.0  # -0.0 becomes 0.0: equal values must be equal bytes
    seqs = np.array([seq for _, seq, _ in rows], np.int64)
    return Decoded(
        vehicle=vehicle,
        kind="telemetry",
        samples=samples,
        seqs=seqs,
        refused=refused,
        unknown_fields=unknown,
    )


def _unknown(payload: bytes) -> dict[str, int]:
    found = names_decoder.decode(payload)
    samples = found if isinstance(found, list) else [found]
    return _count(name for fields in samples for name in fields)


def _count(names: Iterable[str]) -> dict[str, int]:
    counts: Counter[str] = Counter()
    for name in names:
        if name not in KNOWN_FIELDS:
            short = name[:LONGEST_NAME]
            counts[short if short in counts or len(counts) < MOST_NAMES else "(other)"] += 1
    return dict(counts)


def _decode_apart(vehicle: str, payload: bytes, *, now_ms: int, rules: WireRules) -> Decoded:
    """Judge each sample by itself."""
    pieces = split(payload, most=rules.max_samples)
    if isinstance(pieces, Fault):
        return _decoded(vehicle, (), (_refused(pieces, payload, None),), {})
    rows: list[Row] = []
    names: list[str] = []
    bad: list[Refused] = []
    for position, raw in enumerate(pieces.raw):
        fields = fields_of(raw)
        row = (
            fields if isinstance(fields, Fault) else _judge(raw, fields, vehicle, now_ms, rules)
        )
        if isinstance(row, Fault):
            bad.append(_refused(row, raw, position if pieces.array else None))
        else:
            rows.append(row)
            names.extend(fields)
    if not pieces.sound and not bad:
        detail = "the array is broken or cut off, though each sample in it could be read"
        bad.append(_refused(Fault("not_json", "payload", detail), payload, None))
    return _decoded(vehicle, rows, _bounded(bad), _count(names))


def _judge(
    raw: bytes, fields: dict[str, msgspec.Raw], vehicle: str, now_ms: int, rules: WireRules
) -> Row | Fault:
    try:
        sample = loose_decoder.decode(raw)
    except UNREADABLE:
        row = None
    else:
        row = _row(sample, vehicle, rules.earliest_ms, now_ms + rules.future_ms)
    return row or judge(fields, vehicle, now_ms=now_ms, rules=rules)


def _refused(fault: Fault, raw: bytes, position: int | None) -> Refused:
    return Refused(
        reason=fault.reason, field=fault.field, detail=fault.detail, raw=raw, position=position
    )


def _bounded(bad: Sequence[Refused]) -> tuple[Refused, ...]:
    if len(bad) <= MOST_REFUSED:
        return tuple(bad)
    rest = bad[MOST_REFUSED:]
    detail = (
        f"{len(rest)} more bad samples stand in this payload, the first for {rest[0].reason} "
        f"of {rest[0].field}; mend the gateway"
    )
    raw = b"[" + b",".join(refused.raw for refused in rest) + b"]"
    fault = Fault("more_bad_samples", "payload", detail)
    return (*bad[:MOST_REFUSED], _refused(fault, raw, rest[0].position))
