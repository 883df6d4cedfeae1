"""Line protocol: the same text as the client library writes, and what other servers make of it."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from influxdb_client.client.write.point import Point
from influxdb_client.domain.write_precision import WritePrecision

from ingest.codec import absent
from ingest.influx_lines import BEYOND, Column, beyond_of, head, lines, sample_columns, text
from models.sample import SIGNAL_NAMES
from tests.deploy.fed import Fed, section
from tests.recorded import NOON_MS, climb, records
from tests.victoria import victoria

AWKWARD = st.text(st.sampled_from(list("ab,= \t\n\r\"'\\#é")), min_size=1, max_size=6).filter(
    lambda each: not each.endswith("\\")
)


@given(
    measurement=AWKWARD.filter(lambda each: not each.startswith("#")),
    tags=st.dictionaries(AWKWARD, AWKWARD, max_size=3),
)
def test_escaping_is_that_of_the_client(measurement: str, tags: dict[str, str]) -> None:
    """influxdb-client 1.50, ``Point.to_line_protocol``."""
    point = Point(measurement).field("gear", 1.0).time(NOON_MS, WritePrecision.MS)
    for key, value in tags.items():
        point.tag(key, value)
    told = point.to_line_protocol(WritePrecision.MS)
    (ours,) = lines(
        [head(measurement, tags)],
        np.array([NOON_MS]),
        [Column(name="gear", values=np.array([1.0]))],
    )
    # The client writes a whole float without its ".0": the same number to a server.
    assert ours.replace("gear=1.0 ", "gear=1 ") == told


@given(values=st.lists(st.floats(), min_size=len(SIGNAL_NAMES), max_size=len(SIGNAL_NAMES)))
def test_every_number_is_in_its_line_to_the_last_bit(values: list[float]) -> None:
    samples = absent(1)
    samples["time_ms"] = NOON_MS
    for name, value in zip(SIGNAL_NAMES, values, strict=True):
        samples[name] = value
    (line,) = lines([head("samples", {})], samples["time_ms"], sample_columns(samples))
    measurement, fields, time_ms = line.split(" ", 1)[0], *line.split(" ", 1)[1].rsplit(" ", 1)
    assert (measurement, time_ms) == ("samples", str(NOON_MS))
    plain, _, far = fields.partition(f'{BEYOND}="')
    told = dict(each.split("=") for each in plain.rstrip(",").split(",") if each)
    found = {name: float(value) for name, value in told.items()}
    found |= dict(beyond_of(far.rstrip('"')))
    expected = {
        name: value for name, value in zip(SIGNAL_NAMES, values, strict=True) if value == value
    }
    assert {k: v.hex() for k, v in found.items()} == {k: v.hex() for k, v in expected.items()}


def test_lines_keep_the_order_of_samples_whatever_each_has() -> None:
    samples = records(
        [
            {"time_ms": 1, "fluid_temp_c": 90.5, "gear": 3.0},
            {"time_ms": 2, "gear": -1.0},
            {"time_ms": 3},
            {"time_ms": 4, "fluid_temp_c": math.inf, "gear": 2.0},
            {"time_ms": 5, "fluid_temp_c": 91.0, "gear": 4.0},
        ]
    )
    heads = [f"samples,vehicle=NF-0{number}" for number in range(1, 6)]
    assert lines(heads, samples["time_ms"], sample_columns(samples)) == [
        "samples,vehicle=NF-01 fluid_temp_c=90.5,gear=3.0 1",
        "samples,vehicle=NF-02 gear=-1.0 2",
        'samples,vehicle=NF-03 beyond="" 3',
        'samples,vehicle=NF-04 gear=2.0,beyond="fluid_temp_c=inf" 4',
        "samples,vehicle=NF-05 fluid_temp_c=91.0,gear=4.0 5",
    ]


def test_whole_numbers_and_texts_are_of_their_own_types() -> None:
    (line,) = lines(["a"], np.array([7]), [Column(name="n", values=np.array([3]), whole=True)])
    assert line == "a n=3i 7"
    assert text('say "so" \\ here') == '"say \\"so\\" \\\\ here"'


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("victoria")


def test_the_write_path_through_the_client_to_a_real_server(
    folder: Path, tmp_path: Path
) -> None:
    """VictoriaMetrics takes the same request; its fields are metrics ``measurement_field``.

    It has neither tokens, buckets, Flux nor overwriting, so it tells of the text and of the way it takes.
    """
    with victoria(folder) as server:
        fed = Fed(tmp_path, section(server.url))
        samples = {"NF-01": climb(300), "NF-02": climb(200, start_c=71.25)}
        for name, listed in samples.items():
            fed.store(name, listed)
        state = fed.drain()
        assert (state.points, state.refused, state.trouble) == (500, 0, "")
        for signal in ("fluid_temp_c", "odometer_km", "gear"):
            found = server.series(f"samples_{signal}")
            for name, listed in samples.items():
                having = [each for each in listed if signal in each]
                if not having:
                    continue
                times, values = found[name]
                assert times == [each["time_ms"] for each in having]
                assert values == [each[signal] for each in having]
        fed.close()
