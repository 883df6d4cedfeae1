"""The air over years: seasons, spells, and days that are warm or clear by turns."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from simulator.physics.weather import Weather

MEAN_C, SEASON_K = 10.5, 12.5
"""Mean of the years and half the way from winter to summer; a northern inland climate, own choice."""

SPELL_K, SPELL_DAYS = 3.3, 4.0
"""How far a spell goes from what is usual (one standard deviation), and how long it lasts."""

WARMEST_DAY = 200
TURNING_DAYS = 10


def years_of_weather(
    *, seed: int, start_ms: int, days: int, last: Weather
) -> tuple[Weather, ...]:
    """Give the air of each day; over the last ten days it turns to ``last``."""
    rng = np.random.default_rng([seed, 0xA12])
    first = datetime.fromtimestamp(start_ms / 1000, UTC).timetuple().tm_yday
    season = np.cos(2.0 * np.pi * (first + np.arange(days) - WARMEST_DAY) / 365.25)
    kept = np.exp(-1.0 / SPELL_DAYS)
    steps = rng.normal(0.0, SPELL_K * np.sqrt(1.0 - kept**2), days)
    spell = np.zeros(days)
    for day in range(1, days):
        spell[day] = kept * spell[day - 1] + steps[day]
    mean = MEAN_C + SEASON_K * season + spell
    swing = np.clip(4.8 + 2.2 * season + rng.normal(0.0, 1.2, days), 1.0, 10.0)
    turned = np.clip((np.arange(days) - (days - 1 - TURNING_DAYS)) / TURNING_DAYS, 0.0, 1.0)
    mean += turned * (last.mean_c - mean)
    swing += turned * (last.swing_c - swing)
    return tuple(
        Weather(mean_c=float(mean[day]), swing_c=float(swing[day]), peak_hour=last.peak_hour)
        for day in range(days)
    )
