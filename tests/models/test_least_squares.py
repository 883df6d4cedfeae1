"""The straight fit kept as sums, held against NumPy's least squares of the readings themselves.

A prior is one more reading of zero for each value, as precise as the prior says (textbook, from memory).
NumPy solves by orthogonal factors of the readings and never sees the sums.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from models.least_squares import (
    COLUMNS,
    OWN,
    RIGHT,
    ROWS,
    SIZE,
    SQUARE,
    add_reading,
    at,
    explained,
    factor,
    solve,
)
from tests.models.banks import Floats

unhurried = settings(deadline=None)  # the first call compiles


class Readings(NamedTuple):
    """Readings with their slopes, and what is known before."""

    slopes: Floats
    values: Floats
    prior: Floats

    def of(self, rows: slice) -> Readings:
        return Readings(self.slopes[rows], self.values[rows], self.prior)

    def sums(self) -> Floats:
        sums = np.zeros(SIZE)
        for slopes, value in zip(self.slopes, self.values, strict=True):
            add_reading(sums, slopes, value)
        return sums


@st.composite
def readings(draw: st.DrawFn, least: int = 0) -> Readings:
    """Draw readings of any number, some columns large and some small, some of no meaning."""
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    count = draw(st.integers(least, 40))
    sizes = random.choice([0.0, 0.1, 1.0, 10.0], size=COLUMNS, p=[0.1, 0.3, 0.3, 0.3])
    slopes = sizes * random.normal(size=(count, COLUMNS))
    values = slopes[:, :OWN] @ random.normal(size=OWN) + random.normal(size=count)
    return Readings(slopes, values, 10.0 ** random.uniform(-1.0, 2.0, size=OWN))


def fitted(sums: Floats, prior: Floats) -> tuple[Floats, Floats, float]:
    root, half = np.zeros((OWN, OWN)), np.zeros(OWN)
    left = factor(sums, prior, root, half)
    return root, half, left


def by_numpy(slopes: Floats, values: Floats, prior: Floats) -> tuple[Floats, float]:
    """Give the values and the sum of squares that is left; each prior is a reading of zero."""
    matrix = np.vstack([slopes, np.diag(np.sqrt(prior))])
    right = np.append(values, np.zeros(len(prior)))
    found = np.linalg.lstsq(matrix, right, rcond=None)[0]
    off = right - matrix @ found
    return np.asarray(found), float(off @ off)


class Later(NamedTuple):
    """Readings, and one more value that acts on the later of them."""

    all: Readings
    first: int
    column: int
    prior: float

    def explained(self) -> tuple[float, float]:
        root, half, _ = fitted(self.all.sums(), self.all.prior)
        since = self.all.of(slice(self.first, None)).sums()
        return explained(root, half, since, self.column, self.prior)

    def acts(self) -> Floats:
        """Give the slopes of the value: those of its column, and none before it begins."""
        slopes = self.all.slopes[:, self.column].copy()
        slopes[: self.first] = 0.0
        return slopes

    def left(self) -> float:
        own, values, prior = self.all.slopes[:, :OWN], self.all.values, self.all.prior
        return by_numpy(own, values, prior)[1]

    def left_with(self) -> tuple[float, float]:
        """Give the value's size, and what is left with it."""
        slopes = np.column_stack([self.all.slopes[:, :OWN], self.acts()])
        found, left = by_numpy(slopes, self.all.values, np.append(self.all.prior, self.prior))
        return float(found[OWN]), left

    def left_with_one(self) -> float:
        """Give what is left with the value's size given as 1, its prior counted."""
        own, values, prior = self.all.slopes[:, :OWN], self.all.values, self.all.prior
        return by_numpy(own, values - self.acts(), prior)[1] + self.prior


@st.composite
def laters(draw: st.DrawFn) -> Later:
    drawn = draw(readings(least=1))
    first = draw(st.integers(0, len(drawn.values) - 1))
    column = draw(st.integers(0, COLUMNS - 1))
    later = Later(drawn, first, column, draw(st.sampled_from([0.0, 0.25, 4.0])))
    # What the readings do not tell apart from the own values is not asked for.
    assume(later.prior > 0.0 or later.acts() @ later.acts() > 1e-3)
    assume(later.explained()[1] > 1e-4)
    return later


# The sums.


def test_each_pair_of_columns_has_a_place_of_its_own_before_the_rest() -> None:
    places = {at(row, column) for row in range(COLUMNS) for column in range(row + 1)}
    assert places == set(range(RIGHT))
    assert (SQUARE, ROWS, SIZE) == (RIGHT + COLUMNS, RIGHT + COLUMNS + 1, RIGHT + COLUMNS + 2)


def test_a_pair_has_one_place_whichever_is_named_first() -> None:
    for row in range(COLUMNS):
        for column in range(COLUMNS):
            assert at(row, column) == at(column, row)


@unhurried
@given(drawn=readings())
def test_the_sums_are_the_products_of_the_readings(drawn: Readings) -> None:
    sums, wanted = drawn.sums(), drawn.slopes.T @ drawn.slopes
    for row in range(COLUMNS):
        for column in range(COLUMNS):
            assert sums[at(row, column)] == pytest.approx(wanted[row, column], abs=1e-9)
    assert sums[RIGHT:SQUARE] == pytest.approx(drawn.slopes.T @ drawn.values, abs=1e-9)
    assert sums[SQUARE] == pytest.approx(drawn.values @ drawn.values)
    assert sums[ROWS] == len(drawn.values)


@unhurried
@given(drawn=readings(), share=st.floats(0.0, 1.0))
def test_the_sums_of_two_parts_are_those_of_all(drawn: Readings, share: float) -> None:
    cut = round(share * len(drawn.values))
    parts = drawn.of(slice(None, cut)).sums() + drawn.of(slice(cut, None)).sums()
    assert parts == pytest.approx(drawn.sums(), abs=1e-9)


# The own values.


@unhurried
@given(drawn=readings())
def test_the_own_values_are_those_of_least_squares(drawn: Readings) -> None:
    root, half, _ = fitted(drawn.sums(), drawn.prior)
    own = np.full(OWN, math.nan)
    solve(root, half, own)
    wanted, _ = by_numpy(drawn.slopes[:, :OWN], drawn.values, drawn.prior)
    assert own == pytest.approx(wanted, rel=1e-6, abs=1e-8)


@unhurried
@given(drawn=readings())
def test_so_is_the_sum_of_squares_that_is_left(drawn: Readings) -> None:
    _, _, left = fitted(drawn.sums(), drawn.prior)
    _, wanted = by_numpy(drawn.slopes[:, :OWN], drawn.values, drawn.prior)
    near = 1e-8 * (1.0 + float(drawn.values @ drawn.values))
    assert left == pytest.approx(wanted, rel=1e-6, abs=near)


def test_without_a_reading_the_own_values_are_the_priors() -> None:
    root, half, left = fitted(np.zeros(SIZE), np.full(OWN, 4.0))
    own = np.full(OWN, math.nan)
    solve(root, half, own)
    assert own.tolist() == [0.0] * OWN
    assert left == 0.0


@unhurried
@given(drawn=readings(least=1))
def test_the_root_is_that_of_the_normal_equations(drawn: Readings) -> None:
    root, _, _ = fitted(drawn.sums(), drawn.prior)
    own = drawn.slopes[:, :OWN]
    wanted = np.linalg.cholesky(own.T @ own + np.diag(drawn.prior))
    assert root == pytest.approx(wanted, rel=1e-6, abs=1e-7)


# One more value.


@unhurried
@given(later=laters())
def test_one_more_value_has_the_size_that_least_squares_gives_it(later: Later) -> None:
    size, _ = later.explained()
    wanted, _ = later.left_with()
    assert size == pytest.approx(wanted, rel=1e-5, abs=1e-6)


@unhurried
@given(later=laters())
def test_and_is_known_as_well_as_the_normal_equations_say(later: Later) -> None:
    slopes = np.column_stack([later.all.slopes[:, :OWN], later.acts()])
    prior = np.append(later.all.prior, later.prior)
    variance = np.linalg.inv(slopes.T @ slopes + np.diag(prior))[OWN, OWN]
    assert later.explained()[1] == pytest.approx(1.0 / variance, rel=1e-5)


@unhurried
@given(later=laters())
def test_with_it_the_sum_of_squares_falls_by_size_squared_times_known(later: Later) -> None:
    size, known = later.explained()
    fallen = later.left() - later.left_with()[1]
    assert size * size * known == pytest.approx(
        fallen, rel=1e-5, abs=1e-7 * (1.0 + later.left())
    )


@unhurried
@given(later=laters())
def test_with_its_size_given_as_one_it_falls_by_less_or_rises(later: Later) -> None:
    size, known = later.explained()
    fallen = later.left() - later.left_with_one()
    near = 1e-7 * (1.0 + later.left() + later.left_with_one())
    assert (2.0 * size - 1.0) * known == pytest.approx(fallen, rel=1e-5, abs=near)


@unhurried
@given(step=st.floats(0.3, 3.0), column=st.integers(0, OWN - 1), seed=st.integers(0, 2**32 - 1))
@example(step=1.0, column=0, seed=0)
def test_an_own_value_that_changes_on_the_way_is_seen_to(
    step: float, column: int, seed: int
) -> None:
    random = np.random.default_rng(seed)
    slopes, own = random.normal(size=(60, COLUMNS)), random.normal(size=OWN)
    values = slopes[:, :OWN] @ own
    values[30:] += step * slopes[30:, column]
    drawn = Readings(slopes, values, np.full(OWN, 1e-9))
    size, known = Later(drawn, 30, column, 0.0).explained()
    assert size == pytest.approx(step, rel=1e-6)
    _, _, left = fitted(drawn.sums(), drawn.prior)
    assert size * size * known == pytest.approx(left, rel=1e-6)


@unhurried
@given(drawn=readings(), column=st.integers(0, COLUMNS - 1))
def test_a_value_that_acts_on_no_reading_explains_nothing(drawn: Readings, column: int) -> None:
    root, half, _ = fitted(drawn.sums(), drawn.prior)
    assert explained(root, half, np.zeros(SIZE), column, 0.0) == (0.0, 0.0)


@unhurried
@given(drawn=readings(), column=st.integers(0, COLUMNS - 1))
def test_where_rounding_leaves_less_than_nothing_nothing_is_explained(
    drawn: Readings, column: int
) -> None:
    root, half, _ = fitted(drawn.sums(), drawn.prior)
    assert explained(root, half, np.zeros(SIZE), column, -1e-9) == (0.0, 0.0)
