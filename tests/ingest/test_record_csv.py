"""Service entries as CSV: units, safe cells, and every fault with its line, its column, its mending."""

from __future__ import annotations

import csv
from datetime import timedelta, timezone
from io import StringIO

import pytest

from ingest import record_csv
from ingest.record import Entry
from ingest.record_row import BadRecordFile, Defaults
from tests.ingest.told import DEFAULTS, NOW_MS, entry
from tests.recorded import HOUR_MS, NOON_MS

HEAD = "vehicle,kind,time"


def _read(*lines: str, defaults: Defaults = DEFAULTS) -> list[Entry]:
    return [each.entry for each in record_csv.read("\r\n".join(lines).encode(), defaults)]


def _faults(data: str | bytes) -> list[str]:
    raw = data if isinstance(data, bytes) else data.encode()
    with pytest.raises(BadRecordFile) as caught:
        record_csv.read(raw, DEFAULTS)
    return [str(problem) for problem in caught.value.problems]


def test_a_row_is_an_entry_and_says_what_it_leaves_open() -> None:
    (told,) = _read(f"{HEAD},volume_l", "NF-03,pan_drop,2026-01-01T13:00:00+01:00,4.5")
    assert told == entry(numbers={"volume_l": 4.5}, who="importer", entered_ms=NOW_MS)


def test_a_day_is_its_noon_where_the_fleet_is() -> None:
    defaults = Defaults(who="x", now_ms=NOW_MS, zone=timezone(timedelta(hours=-6)))
    (told,) = _read(HEAD, "NF-03,filter,2026-01-01", defaults=defaults)
    assert told.time_ms == NOON_MS + 6 * HOUR_MS


@pytest.mark.parametrize(
    ("kind", "column", "cell", "name", "value"),
    [
        # Exact by definition: 57.75 cubic inches to the US quart, 1609.344 m to the mile, and the
        # pound-force foot: NIST SP 811, appendix B. °F: 180 from freezing to boiling.
        ("top_up", "volume_qt", "1", "volume_l", 0.946352946),
        ("register", "fluid_total_qt", "12", "fluid_total_l", 11.356235352),
        ("filter", "odometer_mi", "38000", "odometer_km", 61155.072),
        ("circuit", "thermostat_open_f", "212", "thermostat_open_c", 100.0),
        ("circuit", "thermostat_full_f", "140", "thermostat_full_c", 60.0),
        ("register", "rated_torque_lbf_ft", "100", "rated_torque_nm", 135.58179483314004),
        ("sample", "water_ppm", "500", "water_share", 0.0005),
        ("sample", "water_pct", "0.05", "water_share", 0.0005),
        ("sample", "antioxidant_pct", "62", "antioxidant", 0.62),
        ("install", "life_used_pct", "20", "life_used", 0.2),
        ("sample", "viscosity_change_pct", "-10", "viscosity_change", -0.1),
        ("pan_drop", "filter", "Yes", "filter", 1.0),
        ("pan_drop", "filter", "no", "filter", 0.0),
        ("pan_drop", "filter", "1", "filter", 1.0),
        ("filter", "odometer_km", " 6.131e4 ", "odometer_km", 61_310.0),
    ],
)
def test_a_column_says_its_unit(
    kind: str, column: str, cell: str, name: str, value: float
) -> None:
    (told,) = _read(f"{HEAD},{column}", f"NF-03,{kind},2026-01-01,{cell}")
    assert told.numbers[name] == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_columns_stand_in_any_order_parted_by_what_spreadsheets_use(separator: str) -> None:
    head = separator.join(("note", "time", "kind", "vehicle", "odometer_km"))
    row = separator.join(('"changed; then, driven"', "2026-01-01", "filter", "NF-03", "61310"))
    (told,) = _read(head, row, "", separator * 4)
    assert (told.note, told.kind) == ("changed; then, driven", "filter")
    assert told.numbers == {"odometer_km": 61_310.0}


def test_empty_cells_after_the_last_column_do_no_harm() -> None:
    assert (
        len(_read(f"{HEAD},,", "NF-03,filter,2026-01-01,,,,", "NF-03,filter,2026-01-02")) == 2
    )


@pytest.mark.parametrize(
    "text", ["=SUM(A1)", "+1", "-1", "@x", "\tx", "\rx", "'=x", "''x", "'"]
)
def test_no_cell_is_taken_for_a_formula_and_reading_gives_the_text_back(text: str) -> None:
    told = entry(
        "install", note=text, who=f"{text}x", words={"fluid": f"{text}y"}, key=f"{text}z"
    )
    data = record_csv.write([told])
    _, row = csv.reader(StringIO(data.decode("utf-8-sig"), newline=""))
    assert not any(cell.startswith(("=", "+", "-", "@", "\t", "\r")) for cell in row)
    (again,) = record_csv.read(data, DEFAULTS)
    assert again.entry == told


def test_an_apostrophe_that_people_write_stays() -> None:
    (told,) = _read(f"{HEAD},note", "NF-03,filter,2026-01-01,'tis done")
    assert told.note == "'tis done"


def test_a_file_is_what_rfc_4180_says_with_plain_numbers_and_the_mark_of_utf_8() -> None:
    told = entry("sample", id=7, numbers={"viscosity_change": -0.25}, note='say "ü",\nthen')
    assert record_csv.write([told]).decode() == (
        "\ufeffid,vehicle,kind,time,viscosity_change,note,who,entered,supersedes,key\r\n"
        '7,NF-03,sample,2026-01-01T12:00:00.000Z,-0.25,"say ""ü"",\nthen",Kim,'
        "2026-01-02T12:00:00.000Z,,\r\n"
    )


def test_an_empty_record_is_a_file_without_rows() -> None:
    assert record_csv.read(record_csv.write([]), DEFAULTS) == []


def test_all_faults_of_a_file_are_found_at_once_with_line_and_column() -> None:
    found = _faults(
        "id,vehicle,kind,time,volume_l,volume_qt,note,volme_l,supersedes\r\n"
        '1,NF-03,pan_drop,2026-01-05,4.5,5,"two\r\nlines",x,\r\n'
        "\r\n"
        "1,NF-03,top_up,2026-01-05T08:00,,1 qt,,,9\r\n"
        ",NF 03,pan_dorp,2026-13-05,,,,,\r\n"
        ",NF-03,filter,2026-01-05,4,,,,\r\n"
        ",NF-03,exchange,2026-01-05,1000,,,,\r\n"
        ",NF-03,filter,2026-01-05\r\n"
        ",,filter,2027-01-05,,,,,\r\n"
    )
    assert found == [
        (
            "line 1, column volme_l: nothing is called 'volme_l'; the nearest known is 'volume_l'; "
            "rename it, or take it out"
        ),
        "line 2, column volume_qt: says again what volume_l says; fill in one of them",
        (
            "line 5, column time: '2026-01-05T08:00' is no time; write a time with its offset, "
            "2026-06-16T08:30:00Z, or a day, 2026-06-16"
        ),
        (
            "line 5, column volume_qt: '1 qt' is no number; write digits and at most a point, as "
            "61310.5"
        ),
        "line 5, column id: '1' is the id of line 2 too; give each row an id of its own, or none",
        (
            "line 5, column supersedes: no row has the id '9'; put the entry that is superseded into "
            "this file too, with its id"
        ),
        "line 6, column time: '2026-13-05' is no time (month must be in 1..12); correct it",
        (
            "line 6, column vehicle: 'NF 03' is no name that a topic can carry; use 1 to 64 of "
            "letters, digits, '.', '_', '-', not '.' or '..' alone"
        ),
        (
            "line 6, column kind: there is no entry of the kind 'pan_dorp'; the nearest kind is "
            "'pan_drop' (of register, install, exchange, pan_drop, filter, top_up, fluid_change, "
            "gearbox, circuit, sample, struck)"
        ),
        (
            "line 7, column volume_l: an entry 'filter' has no volume_l; the nearest one it has is "
            "'odometer_km'"
        ),
        "line 8, column volume_l: is 1000 L; give a number from 0.05 to 100 L",
        (
            "line 9: there are 4 cells for 9 columns; fill it up with empty cells, or put a text with "
            "the separator in it in quotes"
        ),
        "line 10, column vehicle: is missing; fill it in",
        (
            "line 10, column time: the time lies more than a day after it was entered; the record "
            "holds what was done: enter it when it is, or correct the date"
        ),
    ]


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (b"", [("line 1: the file is empty; begin with the columns id, vehicle, kind, time, note, "
               "who, entered, supersedes, key")]),
        (b"vehicle,time,time\r\n", [
            "line 1, column kind: is missing; add it",
            "line 1, column time: stands twice; take one of them out",
        ]),
        (b"vehicle,kind,time,,note\r\nNF-03,filter,2026-01-01,x,\r\n", [
            "line 1, column : the column has no name; name it, or take it out",
        ]),
        (b"vehicle,kind,time\r\nNF-03,filter,2026-01-01\r\nM\xfcller,filter,2026-01-01\r\n", [
            "line 3: byte 45 is not UTF-8; save the file as UTF-8",
        ]),
        (b'vehicle,kind,time\r\nNF-03,filter,"2026\r\n', [
            ("line 2: not CSV: unexpected end of data; put texts with quotes or line ends in quotes, "
            'and write a quote within as ""'),
        ]),
        (b'vehicle,kind,time\r\nNF-03,"fil"ter,2026\r\n', [
            ("line 2: not CSV: ',' expected after '\"'; put texts with quotes or line ends in quotes, "
            'and write a quote within as ""'),
        ]),
    ],
)  # fmt: skip
def test_a_file_that_cannot_be_parted_into_rows_is_refused(
    data: bytes, found: list[str]
) -> None:
    assert _faults(data) == found


@pytest.mark.parametrize(
    ("rows", "found"),
    [
        (
            ["1,NF-03,exchange,2", "2,NF-03,exchange,1"],
            [
                ("line 2, column supersedes: the rows supersede each other in a circle; leave it "
                "empty in the row that was entered first"),
                ("line 3, column supersedes: the rows supersede each other in a circle; leave it "
                "empty in the row that was entered first"),
            ],
        ),
        (
            ["1,NF-03,exchange,", "2,NF-01,exchange,1"],
            [("line 3, column supersedes: line 2 is of another truck; strike it out, and enter it "
             "anew there")],
        ),
        (
            ["1,NF-03,exchange,", "2,NF-03,struck,1", "3,NF-03,exchange,2"],
            ["line 4, column supersedes: line 3 only strikes out another; enter anew what was done"],
        ),
        (
            ["1,NF-03,exchange,", "2,NF-03,struck,1", "3,NF-03,exchange,1"],
            ["line 4, column supersedes: line 3 supersedes line 2 already; supersede that one"],
        ),
        (
            ["1,NF-03,struck,"],
            ["line 2, column supersedes: it strikes out nothing; say which entry is struck out"],
        ),
    ],
)  # fmt: skip
def test_rows_supersede_each_other_in_a_line_of_one_truck(
    rows: list[str], found: list[str]
) -> None:
    lines = [f"{row.rpartition(',')[0]},2026-01-01,{row.rpartition(',')[2]}" for row in rows]
    assert _faults("\r\n".join(["id,vehicle,kind,time,supersedes", *lines])) == found


def test_nobody_enters_anything_tomorrow() -> None:
    (found,) = _faults(f"{HEAD},entered\r\nNF-03,filter,2026-01-01,2027-01-01")
    assert found.startswith("line 2, column entered: lies in the future")
