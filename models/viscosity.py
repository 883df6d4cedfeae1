r"""Kinematic viscosity of a fluid over temperature, and its viscosity index.

The line of ASTM D341 runs through the viscosities at 40 and 100 °C that a data sheet gives:

.. math:: \log_{10}\log_{10} Z = A - B\log_{10} T

with :math:`Z = \nu + 0.7` above 2 mm²/s and a small correction below. Good between the two points and a
little beyond. Below -20 °C it is extrapolation: fluids with viscosity improvers are thicker or thinner
there than the line, and how thick depends on how fast they are sheared; makers measure it apart (ASTM
D2983, at -5 to -40 °C).
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass

from models.units import ZERO_CELSIUS_K

EXTRAPOLATED_BELOW_C = -20.0
"""Temperature below which the line only guesses [°C]."""

LEAST_MM2_S = 0.21
"""Lowest viscosity that the line is for [mm²/s]; ASTM D341 (from memory)."""

LEAST_INDEX_MM2_S = 2.0
"""Lowest viscosity at 100 °C that a viscosity index is defined for [mm²/s]; ASTM D2270 (from memory)."""

_REFERENCES = (
    (2.0, (1.14673, 1.7576, -0.109), (0.84155, 1.5521, -0.077)),
    (3.8, (3.38095, -15.4952, 33.196), (0.78571, 1.7929, -0.183)),
    (4.4, (2.5, -7.2143, 13.812), (0.82143, 1.5679, 0.119)),
    (5.0, (0.101, 16.635, -45.469), (0.04985, 9.1613, -18.557)),
    (6.4, (3.35714, -23.5643, 78.466), (0.22619, 7.7369, -16.656)),
    (7.0, (0.01191, 21.475, -72.87), (0.79762, -0.7321, 14.61)),
    (7.7, (0.41858, 16.1558, -56.04), (0.05794, 10.5156, -28.24)),
    (9.0, (0.88779, 7.5527, -16.6), (0.26665, 6.7015, -10.81)),
    (12.0, (0.7672, 10.7972, -38.18), (0.20073, 8.4658, -22.49)),
    (15.0, (0.97305, 5.3135, -2.2), (0.28889, 5.9741, -4.93)),
    (18.0, (0.97256, 5.25, -0.98), (0.24504, 7.416, -16.73)),
    (22.0, (0.91413, 7.4759, -21.82), (0.20323, 9.1267, -34.23)),
    (28.0, (0.87031, 9.7157, -50.77), (0.18411, 10.1015, -46.75)),
    (40.0, (0.84703, 12.6752, -133.31), (0.17029, 11.4866, -80.62)),
    (55.0, (0.85921, 11.1009, -83.19), (0.1713, 11.368, -76.94)),
    (70.0, (0.83531, 14.6731, -216.246), (0.16841, 11.8493, -96.947)),
)
"""From a viscosity at 100 °C on [mm²/s]: coefficients of the square, of itself and of one, for the
viscosities at 40 °C [mm²/s] of the reference oils of index 0 and 100. The computing equations of ASTM D2270
(its appendix; from memory); within 0.12 % of the standard's table throughout."""


@dataclass(frozen=True, slots=True)
class Line:
    """A fluid's line by ASTM D341: its constants ``a`` and ``b`` [-]."""

    a: float
    b: float

    def mm2_s(self, kelvin: float) -> float:
        """Kinematic viscosity [mm²/s] at an absolute temperature [K]."""
        return from_z(10.0**10.0 ** (self.a - self.b * math.log10(kelvin)))

    def kelvin(self, mm2_s: float) -> float:
        """Absolute temperature [K] of a kinematic viscosity [mm²/s]."""
        return float(10.0 ** ((self.a - _log_log(mm2_s)) / self.b))


def line(cold_k: float, cold_mm2_s: float, hot_k: float, hot_mm2_s: float) -> Line:
    """Draw the line through two points.

    Parameters
    ----------
    cold_k, hot_k
        Absolute temperatures [K].
    cold_mm2_s, hot_mm2_s
        Kinematic viscosities there [mm²/s]; the cold one greater.

    Returns
    -------
    Line
        The line.

    Raises
    ------
    ValueError
        The fluid would not thin as it warms, or is thinner than the method is for.
    """
    if not (cold_k < hot_k and cold_mm2_s > hot_mm2_s >= LEAST_MM2_S):
        raise ValueError(
            f"{cold_mm2_s:g} mm²/s at {cold_k:g} K and {hot_mm2_s:g} mm²/s at {hot_k:g} K: a fluid "
            f"thins as it warms, and not below {LEAST_MM2_S:g} mm²/s"
        )
    cold, hot = _log_log(cold_mm2_s), _log_log(hot_mm2_s)
    b = (cold - hot) / (math.log10(hot_k) - math.log10(cold_k))
    return Line(cold + b * math.log10(cold_k), b)


def viscosity_mm2_s(kv40: float, kv100: float, celsius: float) -> float:
    """Kinematic viscosity at a temperature, by ASTM D341.

    Parameters
    ----------
    kv40, kv100
        Kinematic viscosity at 40 and at 100 °C [mm²/s].
    celsius
        Temperature [°C]; below -20 °C the answer is extrapolation, see the head of this file.

    Returns
    -------
    float
        Kinematic viscosity [mm²/s].

    Raises
    ------
    ValueError
        As for :func:`line`.
    """
    return _line_of(kv40, kv100).mm2_s(celsius + ZERO_CELSIUS_K)


def temperature_at_c(kv40: float, kv100: float, mm2_s: float) -> float:
    """Temperature at which a fluid has a viscosity, by ASTM D341.

    Parameters
    ----------
    kv40, kv100
        Kinematic viscosity at 40 and at 100 °C [mm²/s].
    mm2_s
        The viscosity asked for [mm²/s].

    Returns
    -------
    float
        Temperature [°C]; below -20 °C it is extrapolation, see the head of this file.

    Raises
    ------
    ValueError
        As for :func:`line`; or what is asked for is thinner than the method is for.
    """
    if not mm2_s >= LEAST_MM2_S:
        raise ValueError(f"{mm2_s:g} mm²/s is below {LEAST_MM2_S:g} mm²/s")
    return _line_of(kv40, kv100).kelvin(mm2_s) - ZERO_CELSIUS_K


def viscosity_index(kv40: float, kv100: float) -> float:
    r"""Viscosity index of a fluid, by ASTM D2270.

    With the reference oils' viscosities at 40 °C, :math:`L` (index 0) and :math:`H` (index 100), that have
    the fluid's own viscosity :math:`Y` at 100 °C:

    .. math:: 100\,\frac{L-U}{L-H} \quad (U \ge H), \qquad
        100 + \frac{10^N-1}{0.00715}, \quad N = \frac{\log H - \log U}{\log Y} \quad (U < H)

    Parameters
    ----------
    kv40, kv100
        Kinematic viscosity :math:`U` at 40 and :math:`Y` at 100 °C [mm²/s].

    Returns
    -------
    float
        Viscosity index [-], not rounded; the standard states it as a whole number.

    Raises
    ------
    ValueError
        Thinner than 2 mm²/s at 100 °C, where no index is defined, or not thinning as it warms.
    """
    if not kv40 > kv100 >= LEAST_INDEX_MM2_S:
        raise ValueError(
            f"{kv40:g} mm²/s at 40 °C and {kv100:g} at 100 °C: an index is defined for fluids "
            f"that thin as they warm, from {LEAST_INDEX_MM2_S:g} mm²/s at 100 °C on"
        )
    low, high = reference_oils_mm2_s(kv100)
    if kv40 >= high:
        return 100.0 * (low - kv40) / (low - high)
    power = math.log(high / kv40) / math.log(kv100)
    return float(100.0 + (10.0**power - 1.0) / 0.00715)


def reference_oils_mm2_s(kv100: float) -> tuple[float, float]:
    """Viscosities at 40 °C [mm²/s] of the oils of index 0 and 100, of a viscosity at 100 °C [mm²/s]."""
    row = bisect_right(_REFERENCES, kv100, key=lambda reference: reference[0]) - 1
    _, low, high = _REFERENCES[row]
    return _polynomial(low, kv100), _polynomial(high, kv100)


def to_z(mm2_s: float) -> float:
    """Give :math:`Z` of a kinematic viscosity [mm²/s], by ASTM D341; above 2 mm²/s that is 0.7 more."""
    return mm2_s + 0.7 + math.exp(-1.47 - 1.84 * mm2_s - 0.51 * mm2_s**2)


def from_z(z: float) -> float:
    """Give the kinematic viscosity [mm²/s] of a :math:`Z`, by ASTM D341, within 0.03 % of the inverse."""
    over = z - 0.7
    return over - math.exp(-0.7487 + over * (-3.295 + over * (0.6119 - 0.3193 * over)))


def _log_log(mm2_s: float) -> float:
    return math.log10(math.log10(to_z(mm2_s)))


def _line_of(kv40: float, kv100: float) -> Line:
    return line(40.0 + ZERO_CELSIUS_K, kv40, 100.0 + ZERO_CELSIUS_K, kv100)


def _polynomial(coefficients: tuple[float, float, float], at: float) -> float:
    square, itself, one = coefficients
    return (square * at + itself) * at + one
