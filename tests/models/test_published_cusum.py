"""Run lengths of the CUSUM that detectors are compared with, against Montgomery, Hawkins, Lucas and Crosier.

Books' figures from memory: Montgomery, Introduction to Statistical Quality Control, Table 9.3 (two-sided,
k 1/2); Hawkins, thresholds for a run length of 370; Lucas and Crosier 1982, fast initial response. A Markov
chain (Brook and Evans 1972), written in ``run_lengths.py``, stands between them and us. Run lengths under
AR(1): two-sided, k 1/2, h 5, variance 1; an earlier simulation of 4,000 runs a row.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pytest
from scipy.signal import lfilter
from statsmodels.tsa.ar_model import AutoReg

from tests.bench.diagnosis.baselines import accumulate
from tests.models.run_lengths import chain_cusum, either, run_cusum, sampled
from tests.printed import agrees, half_unit


class Row(NamedTuple):
    shift: float
    book: str
    chain: str


# Two-sided, k 1/2: shift in standard deviations; mean run length as printed; by the chain.
MONTGOMERY = {
    4.0: [
        Row(0.0, "168", "167.681"),
        Row(0.25, "74.2", "74.223"),
        Row(0.5, "26.6", "26.630"),
        Row(0.75, "13.3", "13.285"),
        Row(1.0, "8.38", "8.383"),
        Row(1.5, "4.75", "4.747"),
        Row(2.0, "3.34", "3.343"),
        Row(2.5, "2.62", "2.620"),
        Row(3.0, "2.19", "2.194"),
        Row(4.0, "1.71", "1.708"),
    ],
    5.0: [
        Row(0.0, "465", "465.426"),
        Row(0.25, "139", "139.491"),
        Row(0.5, "38.0", "37.996"),
        Row(0.75, "17.0", "17.048"),
        Row(1.0, "10.4", "10.376"),
        Row(1.5, "5.75", "5.747"),
        Row(2.0, "4.01", "4.009"),
        Row(2.5, "3.11", "3.114"),
        Row(3.0, "2.57", "2.573"),
        Row(4.0, "2.01", "2.013"),
    ],
}

each_row = pytest.mark.parametrize(
    ("h", "row"),
    [(h, row) for h, rows in MONTGOMERY.items() for row in rows],
    ids=lambda one: f"h{one:g}" if isinstance(one, float) else f"shift{one.shift:g}",
)


@each_row
def test_the_chain_gives_montgomerys_table(h: float, row: Row) -> None:
    length = either(chain_cusum(row.shift, 0.5, h), chain_cusum(-row.shift, 0.5, h))
    assert agrees(length, row.book)
    assert agrees(length, row.chain)


@each_row
def test_the_compiled_step_runs_as_long_as_montgomerys_table_says(h: float, row: Row) -> None:
    runs = run_cusum(40_000, shift=row.shift, k=0.5, h=h, both=True)
    assert runs.agrees(float(row.chain))
    assert abs(runs.mean - float(row.book)) <= half_unit(row.book) + 4.0 * runs.error


# One-sided, h 5: as the second figure of each row, by the chain.
ONE_SIDED = {
    0.0: "930.852",
    0.25: "141.686",
    0.5: "38.010",
    0.75: "17.049",
    1.0: "10.376",
    2.0: "4.009",
    4.0: "2.013",
}


@pytest.mark.parametrize("shift", ONE_SIDED)
def test_one_side_alone_runs_as_long_as_worked_out(shift: float) -> None:
    assert agrees(chain_cusum(shift, 0.5, 5.0), ONE_SIDED[shift])
    assert run_cusum(20_000, shift=shift, k=0.5, h=5.0).agrees(float(ONE_SIDED[shift]))


# k; threshold h for a two-sided run length of 370 in Hawkins; by the chain.
HAWKINS = [
    (0.25, "8.01", "8.008"),
    (0.5, "4.77", "4.774"),
    (0.75, "3.34", "3.339"),
    (1.0, "2.52", "2.516"),
    (1.25, "1.99", "1.986"),
    (1.5, "1.61", "1.604"),
]


each_of_hawkins = pytest.mark.parametrize(("k", "book", "chain"), HAWKINS, ids=str)


@each_of_hawkins
def test_hawkins_thresholds_give_a_run_length_of_370(k: float, book: str, chain: str) -> None:
    # A two-sided run is half as long as a one-sided one.
    assert 0.5 * chain_cusum(0.0, k, float(chain)) == pytest.approx(370.0, abs=0.3)
    assert float(book) == pytest.approx(float(chain), abs=0.0061)


class Design(NamedTuple):
    k: float
    run_length: float
    h: str
    delay: str  # mean run length at twice k


# One-sided, by the chain.
DESIGNS = [
    Design(0.25, 1e4, "13.11", "49.1"),
    Design(0.25, 1e6, "22.32", "86.0"),
    Design(0.5, 1e3, "5.07", "10.5"),
    Design(0.5, 1e4, "7.36", "15.1"),
    Design(0.5, 1e5, "9.66", "19.7"),
    Design(0.5, 1e6, "11.97", "24.3"),
    Design(1.0, 1e4, "3.81", "4.6"),
    Design(1.0, 1e6, "6.12", "6.9"),
]

each_design = pytest.mark.parametrize(
    "design", DESIGNS, ids=lambda one: f"k{one.k:g}-{one.run_length:g}"
)


@each_design
def test_the_design_table_is_the_chains(design: Design) -> None:
    h = float(design.h)
    assert chain_cusum(0.0, design.k, h - 0.01) <= design.run_length
    assert chain_cusum(0.0, design.k, h + 0.01) >= design.run_length
    assert agrees(chain_cusum(2.0 * design.k, design.k, h), design.delay)


@each_design
def test_the_compiled_step_is_as_quick_as_the_design_table_says(design: Design) -> None:
    h = float(design.h)
    delay = run_cusum(20_000, shift=2.0 * design.k, k=design.k, h=h)
    assert abs(delay.mean - float(design.delay)) <= half_unit(design.delay) + 4.0 * delay.error


class HeadStart(NamedTuple):
    h: float
    shift: float
    length: float


# One-sided, k 1/2, beginning at h/2; worked out before by a chain that began at the state next to it, up to
# 0.006 away. Lucas and Crosier print 28.7, 6.35 and 2.36 for h 5.
HEAD_STARTS = [
    HeadStart(5.0, 0.0, 895.7),
    HeadStart(5.0, 0.5, 28.74),
    HeadStart(5.0, 1.0, 6.34),
    HeadStart(5.0, 2.0, 2.36),
    HeadStart(4.0, 0.0, 316.3),
    HeadStart(4.0, 0.5, 20.24),
    HeadStart(4.0, 1.0, 5.29),
    HeadStart(4.0, 2.0, 2.01),
    HeadStart(5.0, 0.5, 28.7),
    HeadStart(5.0, 1.0, 6.35),
    HeadStart(5.0, 2.0, 2.36),
]


@pytest.mark.parametrize("row", HEAD_STARTS, ids=lambda one: f"h{one.h:g}-shift{one.shift:g}")
def test_a_head_start_finds_what_was_there_from_the_beginning(row: HeadStart) -> None:
    chain = chain_cusum(row.shift, 0.5, row.h, start=0.5 * row.h)
    assert chain == pytest.approx(row.length, rel=0.003)
    assert run_cusum(40_000, shift=row.shift, k=0.5, h=row.h, start=0.5 * row.h).agrees(chain)


COLOURED = {
    0.0: "465",
    0.1: "246",
    0.25: "117",
    0.5: "51",
    0.75: "32",
    0.9: "28.5",
    0.95: "32",
}


@pytest.mark.parametrize("phi", COLOURED)
def test_values_that_hang_together_ruin_a_textbook_run_length(phi: float) -> None:
    runs = run_cusum(20_000, shift=0.0, k=0.5, h=5.0, phi=phi, both=True)
    printed = COLOURED[phi]
    spread = runs.error * math.sqrt(1.0 + 20_000 / 4_000)
    assert abs(runs.mean - float(printed)) <= half_unit(printed) + 4.0 * spread


@pytest.mark.parametrize("phi", [0.25, 0.9])
def test_whitened_by_statsmodels_they_run_as_long_as_the_book_says(phi: float) -> None:
    random = np.random.default_rng(round(100 * phi))
    coloured = lfilter([math.sqrt(1.0 - phi * phi)], [1.0, -phi], random.normal(size=500_000))
    fitted = AutoReg(coloured, lags=1, trend="n").fit()
    white = fitted.resid / math.sqrt(fitted.sigma2)
    lengths, up, down, count = [], 0.0, 0.0, 0
    for z in white:
        count += 1
        up, down = accumulate(up, z, 0.5), accumulate(down, -z, 0.5)
        if max(up, down) >= 5.0:
            lengths.append(count)
            up, down, count = 0.0, 0.0, 0
    assert sampled(np.array(lengths, dtype=float)).agrees(465.426)
