"""The decoders, by the last level of the topic: one file each, listed here by hand."""

from __future__ import annotations

from collections.abc import Mapping

from ingest.decoded import Decoder
from ingest.decoders.status import decode_status
from ingest.decoders.telemetry import decode_telemetry

DECODERS: Mapping[str, Decoder] = {
    "telemetry": decode_telemetry,
    "status": decode_status,
}
