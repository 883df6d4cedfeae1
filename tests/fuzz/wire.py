"""What must hold of any message that was decoded."""

from __future__ import annotations

import json
import math

import numpy as np

from ingest.decoded import REASONS
from ingest.wire import Decoded, WireRules, decode
from models.sample import SIGNALS

NOW_MS = 1_772_000_000_000
RULES = WireRules(max_payload_bytes=65_536, max_samples=500)


def check_decoded(decoded: Decoded, payload: bytes, rules: WireRules = RULES) -> None:
    """Good samples pass every rule; bad ones have reason, field, words and their own bytes."""
    assert len(decoded.samples) == len(decoded.seqs)
    assert decoded.kind in ("telemetry", "status", "refused")
    assert (decoded.kind == "refused") == (not len(decoded.samples) and decoded.status is None)
    assert decoded.refused or decoded.kind != "refused"
    for refused in decoded.refused:
        assert refused.reason in REASONS
        assert refused.field
        assert refused.detail.isprintable()
        assert refused.raw in payload or refused.reason == "more_bad_samples"
    if decoded.vehicle is None:
        assert decoded.kind == "refused"
    low, high = rules.earliest_ms, NOW_MS + rules.future_ms
    assert all(low <= time_ms <= high for time_ms in decoded.samples["time_ms"])
    assert all(seq >= -1 for seq in decoded.seqs)
    for signal in SIGNALS:
        values = decoded.samples[signal.name]
        inside = (values >= signal.low) & (values <= signal.high)
        assert (np.isnan(values) | inside).all()


def encoded(decoded: Decoded) -> bytes:
    """Write good samples as a gateway would."""
    written = []
    for sample, seq in zip(decoded.samples, decoded.seqs.tolist(), strict=True):
        time_ms = int(sample["time_ms"])
        fields = [f'"time":{time_ms // 1000}.{time_ms % 1000:03d}']
        fields += [f'"seq":{seq}'] if seq >= 0 else []
        for signal in SIGNALS:
            value = float(sample[signal.name])
            if not math.isnan(value):
                kind = {"boolean": bool, "integer": int, "number": float}[signal.kind]
                fields.append(f'"{signal.name}":{json.dumps(kind(value))}')
        written.append("{" + ",".join(fields) + "}")
    return f"[{','.join(written)}]".encode()


def check_message(topic: str, payload: bytes) -> None:
    """Decode a message; what is good in it says the same when it is written and decoded again."""
    decoded = decode(topic, payload, now_ms=NOW_MS, rules=RULES)
    check_decoded(decoded, payload)
    if decoded.kind == "telemetry":
        again = decode(
            "fleet/NF-01/telemetry",
            encoded(decoded),
            now_ms=NOW_MS,
            rules=WireRules(max_payload_bytes=2**24),
        )
        assert not again.refused
        assert again.samples.tobytes() == decoded.samples.tobytes()
        assert again.seqs.tolist() == decoded.seqs.tolist()
