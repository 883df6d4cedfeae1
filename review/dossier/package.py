"""A review as a package of data: what it rests on, what came of it, and how anybody computes it again."""

from __future__ import annotations

import hashlib
import io
import sqlite3
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from pyarrow import csv

from alerts.teller import Teller
from ingest import journal
from models.hypotheses import NAMES
from models.sample import SIGNAL_NAMES
from models.units import rfc3339
from review.dossier import plain
from review.dossier.facts import Dossier
from review.dossier.figures import pictures
from review.dossier.package_readme import readme
from review.dossier.pen import Pen
from review.dossier.readings import PIECE_MS

SAMPLES, RECORD, INPUTS, MANIFEST = (
    "samples.csv",
    "record.json",
    "inputs.sha256",
    "manifest.sha256",
)

_WHEN = (1980, 1, 1, 0, 0, 0)
"""The date of every file inside: that of its making would make each package another."""

_SCRIPT = Path(__file__).with_name("recompute.py")


class Inputs(NamedTuple):
    """The hash of the data, and the list it is the hash of: sample and record, each with its own."""

    sha256: str
    listing: bytes


def inputs_of(conn: sqlite3.Connection, found: Dossier) -> Inputs:
    """Hash what a review rests on: its samples and its record, as the package holds them."""
    digest = hashlib.sha256()
    for piece in samples_csv(conn, found):
        digest.update(piece)
    return _inputs(digest.hexdigest(), plain.as_json(plain.record_of(found)))


class Packed(NamedTuple):
    """A package with the hash of the data in it."""

    body: bytes
    sha256: str


def package(conn: sqlite3.Connection, found: Dossier, pen: Pen, teller: Teller) -> Packed:
    """Make the package, a ZIP; the same data give the same bytes."""
    buffer = io.BytesIO()
    hashes: dict[str, str] = {}
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as packed:
        _stream(packed, hashes, SAMPLES, samples_csv(conn, found))
        record = plain.as_json(plain.record_of(found))
        inputs = _inputs(hashes[SAMPLES], record)
        files = {RECORD: record, INPUTS: inputs.listing, **_files(found, pen, teller)}
        files["README.md"] = readme(found, pen, inputs.sha256).encode()
        for name, body in sorted(files.items()):
            _stream(packed, hashes, name, [body])
        _stream(packed, hashes, MANIFEST, [_listing(hashes)])
    return Packed(buffer.getvalue(), inputs.sha256)


def samples_csv(conn: sqlite3.Connection, found: Dossier) -> Iterator[bytes]:
    """Write all samples that count as CSV, piece by piece; signals that never came are left out."""
    pieces = list(_spans(found))
    there = [
        name
        for name in SIGNAL_NAMES
        if any(np.isfinite(_read(conn, found, span)[name]).any() for span in pieces)
    ]
    for place, span in enumerate(pieces):
        samples = _read(conn, found, span)
        counted = np.isin(samples["time_ms"], found.readings.time_ms)
        columns = {
            "time_ms": samples["time_ms"],
            "time": [rfc3339(int(each)) for each in samples["time_ms"]],
            "counted": counted.astype(np.int8),
            **{name: _numbers(samples[name]) for name in there},
        }
        yield _csv(columns, header=place == 0)


def _spans(found: Dossier) -> Iterator[tuple[int, int]]:
    for start_ms in range(found.span.first_ms, found.span.last_ms + 1, PIECE_MS):
        yield start_ms, min(start_ms + PIECE_MS - 1, found.span.last_ms)


def _read(conn: sqlite3.Connection, found: Dossier, span: tuple[int, int]) -> NDArray[Any]:
    return journal.read(conn, vehicle_id=found.vehicle_id, first_ms=span[0], last_ms=span[1])


def _files(found: Dossier, pen: Pen, teller: Teller) -> dict[str, bytes]:
    made = {
        "review.json": plain.as_json(plain.review_of(found, pen, teller)),
        "account.json": plain.as_json(plain.account_of(found)),
        "alarms.json": plain.as_json(plain.alarms_of(found, teller)),
        "parameters.json": plain.as_json(_parameters(found)),
        "excursions.csv": _rows([plain.plain(each) for each in found.excursions]),
        "levels.csv": _rows([plain.plain(each) for each in found.levels]),
        "bins.csv": _rows(plain.bins_of(found)),
        "estimates.csv": _csv(_estimates(found.course.close), header=True),
        "recompute.py": _SCRIPT.read_bytes(),
    }
    for each in pictures(found, pen):
        made |= {f"figures/{each.name}.{kind}": body for kind, body in each.files().items()}
    return made


def _parameters(found: Dossier) -> dict[str, Any]:
    basis = plain.plain(found.basis)
    basis.pop("ageing")
    return {
        "vehicle": plain.plain(found.truck),
        "limits": plain.plain(found.limits),
        "basis": basis,
    }


def _estimates(notes: NDArray[Any]) -> dict[str, Any]:
    """Lay out the notes of what was followed closely, by the minute."""
    names = ("fluid_c", "expected_c", "expected_sd_k", "share", "share_sd", "heat_kw", "air_c")
    return {
        "time_ms": notes["time_ms"],
        **{name: _numbers(notes[name]) for name in names},
        **{f"p_{name}": _numbers(notes["p"][:, place]) for place, name in enumerate(NAMES)},
        "life_used": _numbers(notes["life_used"]),
    }


def _numbers(column: NDArray[np.float64]) -> pa.Array:
    return pa.array(np.ascontiguousarray(column), from_pandas=True)


def _rows(rows: Sequence[Mapping[str, Any]]) -> bytes:
    return _csv(
        {name: [row[name] for row in rows] for name in (rows[0] if rows else ())}, header=True
    )


def _csv(columns: Mapping[str, Any], *, header: bool) -> bytes:
    if not columns:
        return b""
    sink = io.BytesIO()
    options = csv.WriteOptions(include_header=header, quoting_style="needed")
    csv.write_csv(pa.table(dict(columns)), sink, options)
    return sink.getvalue()


def _stream(
    packed: zipfile.ZipFile,
    hashes: dict[str, str],
    name: str,
    pieces: Iterator[bytes] | Sequence[bytes],
) -> None:
    info = zipfile.ZipInfo(name, _WHEN)
    info.compress_type = zipfile.ZIP_DEFLATED
    info.external_attr = 0o644 << 16
    info.create_system = 3
    digest = hashlib.sha256()
    with packed.open(info, "w", force_zip64=True) as file:
        for piece in pieces:
            digest.update(piece)
            file.write(piece)
    hashes[name] = digest.hexdigest()


def _inputs(samples: str, record: bytes) -> Inputs:
    listing = _listing({SAMPLES: samples, RECORD: hashlib.sha256(record).hexdigest()})
    return Inputs(hashlib.sha256(listing).hexdigest(), listing)


def _listing(hashes: Mapping[str, str]) -> bytes:
    """Write a list that ``sha256sum -c`` reads."""
    return "".join(f"{digest}  {name}\n" for name, digest in sorted(hashes.items())).encode()
