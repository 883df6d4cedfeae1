"""Viscosity against worked examples of ASTM D341 and D2270, and against another library.

The three fluids are representative pairs of viscosities at 40 and 100 °C, from memory; their tables were
computed with the plain line, from rounded figures.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pytest
from chemicals.viscosity import viscosity_index as index_of_chemicals

from models.viscosity import (
    from_z,
    line,
    reference_oils_mm2_s,
    temperature_at_c,
    to_z,
    viscosity_index,
    viscosity_mm2_s,
)
from tests.printed import agrees


class Grade(NamedTuple):
    name: str
    kv40: float
    kv100: float
    vi: int
    a: str
    b: str
    four_c: str
    three_c: str
    mm2_s: str


TEMPERATURES_C = (-30, -20, -10, 0, 20, 40, 60, 80, 90, 100, 110, 120, 130, 140, 150)

GRADES = [
    Grade(
        name="conventional",
        kv40=34.5,
        kv100=7.4,  # SAE 2007-01-3974
        vi=189,
        a="7.7635",
        b="3.0348",
        four_c="139.0",
        three_c="162.4",
        mm2_s="2152 888.9 418.1 218.8 76.84 34.50 18.43 11.15 8.995 7.400 6.193 5.262 4.529 3.945 3.471",
    ),
    Grade(
        name="low viscosity",
        kv40=29.6,
        kv100=6.0,
        vi=154,
        a="8.4864",
        b="3.3320",
        four_c="123.8",
        three_c="144.4",
        mm2_s="2765 1021 440.8 216.0 69.41 29.60 15.34 9.129 7.323 6.000 5.007 4.245 3.650 3.176 2.794",
    ),
    Grade(
        name="ultra-low viscosity",
        kv40=18.5,
        kv100=4.45,
        vi=161,
        a="8.4995",
        b="3.3622",
        four_c="106.4",
        three_c="125.9",
        mm2_s="1009 419.7 200.3 106.9 39.31 18.50 10.32 6.489 5.324 4.450 3.780 3.256 2.839 2.502 2.227",
    ),
]

each_grade = pytest.mark.parametrize("grade", GRADES, ids=lambda grade: grade.name)


@pytest.mark.parametrize(
    ("zero_k", "a", "b"), [(273.0, "9.5259", "3.7449"), (273.15, "9.5308", "3.7466")]
)
def test_the_line_through_two_points(zero_k: float, a: str, b: str) -> None:
    # A public worksheet of ASTM D341, which takes 0 °C for 273 K: 32 mm²/s at 40 °C, 5.4 at 100 °C,
    # 8.5 at 80 °C; one digit more, and 273.15 K, recomputed.
    drawn = line(zero_k + 40.0, 32.0, zero_k + 100.0, 5.4)
    assert agrees(drawn.a, a)
    assert agrees(drawn.b, b)
    assert agrees(drawn.mm2_s(zero_k + 80.0), "8.5")
    assert agrees(drawn.mm2_s(zero_k + 80.0), "8.533")


@pytest.mark.parametrize(
    ("mm2_s", "back"), [(0.3, "0.29993"), (0.8, "0.8"), (1.5, "1.50014"), (3.0, "3.00001")]
)
def test_thin_fluids_and_back(mm2_s: float, back: str) -> None:
    # The full Z of ASTM D341 as a public page has it, and its formula back.
    assert agrees(from_z(to_z(mm2_s)), back)


@each_grade
def test_the_lines_constants(grade: Grade) -> None:
    drawn = line(313.15, grade.kv40, 373.15, grade.kv100)
    assert agrees(drawn.a, grade.a)
    assert agrees(drawn.b, grade.b)


@each_grade
def test_viscosity_over_temperature(grade: Grade) -> None:
    for celsius, printed in zip(TEMPERATURES_C, grade.mm2_s.split(), strict=True):
        found = viscosity_mm2_s(grade.kv40, grade.kv100, celsius)
        assert agrees(found, printed), (celsius, found, printed)


@each_grade
def test_where_the_film_is_thin(grade: Grade) -> None:
    # Computed: where 4 and 3 mm²/s are left.
    assert agrees(temperature_at_c(grade.kv40, grade.kv100, 4.0), grade.four_c)
    assert agrees(temperature_at_c(grade.kv40, grade.kv100, 3.0), grade.three_c)


@pytest.mark.parametrize(
    ("kv40", "kv100", "index"),
    [
        (73.30, 8.86, 92),  # ASTM D2270's own, procedure A (from memory)
        (22.83, 5.05, 156),  # ASTM D2270's own, procedure B (from memory)
        (53.47, 7.80, 111),  # ASTM D2270's own, procedure B (from memory)
        (104.7, 13.9, 134),  # the introduction of the library lubepy
        *((grade.kv40, grade.kv100, grade.vi) for grade in GRADES),
    ],
)
def test_viscosity_index(kv40: float, kv100: float, index: int) -> None:
    assert round(viscosity_index(kv40, kv100)) == index
    assert index_of_chemicals(kv40 * 1e-6, kv100 * 1e-6, rounding=True) == index


def test_the_steps_of_the_examples() -> None:
    # The standard's table gives L 119.94, H 69.48 (procedure A, index 92.43) and H 28.97, N .147084
    # (156.38), H 57.31, N .033763 (111.31); its computing equations come within .03 % of them.
    low, high = reference_oils_mm2_s(8.86)
    assert low == pytest.approx(119.94, rel=3e-4)
    assert agrees(high, "69.48")
    assert agrees(viscosity_index(73.30, 8.86), "92.43")
    for kv40, kv100, printed, power, index in (
        (22.83, 5.05, 28.97, 0.147084, 156.38),
        (53.47, 7.80, 57.31, 0.033763, 111.31),
    ):
        _, high = reference_oils_mm2_s(kv100)
        assert high == pytest.approx(printed, rel=4e-4)
        assert np.log(high / kv40) / np.log(kv100) == pytest.approx(power, abs=2.5e-4)
        assert viscosity_index(kv40, kv100) == pytest.approx(index, abs=0.1)


def test_against_another_library_throughout() -> None:
    # The library chemicals interpolates in the standard's table; both are within half an index of each other.
    for kv100 in np.geomspace(2.0, 90.0, 200):
        for ratio in np.geomspace(2.0, 15.0, 30):
            theirs = index_of_chemicals(kv100 * ratio * 1e-6, kv100 * 1e-6)
            assert theirs is not None
            if 0.0 <= theirs <= 250.0:
                assert abs(viscosity_index(kv100 * ratio, kv100) - theirs) < 0.5
