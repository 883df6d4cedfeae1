"""Service entries as TOML: the keys of the CSV, and the line of every fault."""

from __future__ import annotations

import tomllib

import pytest

from ingest import record_toml
from ingest.record import Entry
from ingest.record_row import BadRecordFile
from tests.ingest.told import DEFAULTS, NOW_MS, entry


def _read(text: str) -> list[Entry]:
    return [each.entry for each in record_toml.read(text.encode(), DEFAULTS)]


def _faults(text: str | bytes) -> list[str]:
    with pytest.raises(BadRecordFile) as caught:
        record_toml.read(text if isinstance(text, bytes) else text.encode(), DEFAULTS)
    return [str(problem) for problem in caught.value.problems]


def test_a_table_is_an_entry() -> None:
    (told,) = _read(
        """
        [[entries]]
        vehicle = "NF-03"
        kind = "pan_drop"
        time = 2026-01-01
        volume_qt = 5
        filter = true
        """
    )
    numbers = {"volume_l": pytest.approx(4.73176473, rel=1e-12), "filter": 1.0}
    assert told == entry(numbers=numbers, who="importer", entered_ms=NOW_MS)


@pytest.mark.parametrize(
    "time",
    [
        "2026-01-01",
        '"2026-01-01"',
        "2026-01-01T12:00:00Z",
        "2026-01-01 13:00:00+01:00",
        '"2026-01-01T12:00:00.000Z"',
        '"2026-01-01t12:00z"',
    ],
)
def test_a_time_is_written_as_toml_has_it_or_as_text(time: str) -> None:
    (told,) = _read(f'[[entries]]\nvehicle = "NF-03"\nkind = "filter"\ntime = {time}')
    assert told == entry("filter", who="importer", entered_ms=NOW_MS)


def test_what_is_written_is_toml_that_others_read() -> None:
    told = entry(
        id=7, numbers={"volume_l": 4.5, "odometer_km": 61_310.0}, note='"ü" =\n\\x', key="a"
    )
    (table,) = tomllib.loads(record_toml.write([told]).decode())["entries"]
    assert {
        name: value for name, value in table.items() if name not in ("time", "entered")
    } == {
        "id": 7,
        "vehicle": "NF-03",
        "kind": "pan_drop",
        "volume_l": 4.5,
        "odometer_km": 61_310,
        "note": '"ü" =\n\\x',
        "who": "Kim",
        "key": "a",
    }
    assert table["time"].isoformat() == "2026-01-01T12:00:00+00:00"


def test_an_empty_record_is_an_empty_file() -> None:
    assert record_toml.read(record_toml.write([]), DEFAULTS) == []


FAULTY = '''\
# [[entries]] in a comment
[[entries]]
vehicle = "NF-03"  # [[entries]]
kind = "top_up"
note = """
[[entries]]
volume_qt = 5
"""
time = 2026-01-05
volume_qt = 1000

[[ entries ]]
vehicle = 3
'kind' = "sample"
"time" = 2026-01-05T10:00:00
who = \'\'\'
[[entries]]\'\'\'
acid_mg_g = "1.2 x"
volume = 3
title = "x"
odometer_km = nan
id = 1.5

[other]
a = 1
'''


def test_all_faults_of_a_file_are_found_at_once_with_line_and_key() -> None:
    assert _faults(FAULTY) == [
        "other: nothing is called 'other'; entries stand under [[entries]]; rename it, or take it out",
        "line 10, key volume_qt: is 946.353 L; give a number from 0.05 to 100 L",
        (
            "line 19, key volume: nothing is called 'volume'; the nearest known is 'volume_l'; rename "
            "it, or take it out"
        ),
        "line 13, key vehicle: is 3; write it in quotes, as text",
        "line 15, key time: 2026-01-05T10:00:00 could be any zone's; add its offset, as +02:00 or Z",
        "line 18, key acid_mg_g: '1.2 x' is no number; write digits and at most a point, as 61310.5",
        "line 21, key odometer_km: is nan km; give a number from 0 to 10,000,000 km",
        (
            "line 20, key title: an entry 'sample' has no title; the nearest one it has is "
            "'sample' (of laboratory, sample)"
        ),
        "line 22, key id: is 1.5; write a whole number, or a text",
    ]


def test_tables_written_in_one_line_are_named_by_their_place() -> None:
    faults = _faults(
        'entries = [{vehicle = "NF-03", kind = "filter", time = 2026-01-01}, {kind = 1}]'
    )
    assert faults == [
        "entry 2, key vehicle: is missing; fill it in",
        "entry 2, key time: is missing; fill it in",
        "entry 2, key kind: is 1; write it in quotes, as text",
    ]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("a = = 3", "line 1, column 5: not TOML: Invalid value; mend that line"),
        ("[[entries]]\nkind =", "end of document: not TOML: Invalid value; mend that line"),
        (b"[[entries]]\nkind = '\xfc'", "line 2: byte 20 is not UTF-8; save the file as UTF-8"),
        (
            "entries = 3",
            "entries: is no list of tables; write each entry as a table of its own, under [[entries]]",
        ),
    ],
)
def test_a_file_that_cannot_be_parted_into_tables_is_refused(
    text: str | bytes, found: str
) -> None:
    assert _faults(text) == [found]
