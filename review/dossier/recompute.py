"""Compute life used and mean kinetic temperature from this package alone: ``python recompute.py``."""

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

HERE = Path(__file__).parent
NODES, WEIGHTS = np.polynomial.legendre.leggauss(8)


def ln_rate(law: Any, inverse_k: Any) -> Any:
    """Read ln of the rate of ageing from the law's points: straight over 1/T between and beyond."""
    row = np.clip(np.searchsorted(law[:, 0], inverse_k) - 1, 0, len(law) - 2)
    slope = np.diff(law[:, 1]) / np.diff(law[:, 0])
    return law[row, 1] + (inverse_k - law[row, 0]) * slope[row]


def recompute(told: Any, samples: Any) -> dict[str, float]:
    """Give what ``account.json`` has under ``result``, from the samples."""
    fluid = samples[(samples.counted == 1) & (samples.time_ms >= told["fill_started_ms"])]
    inverse_k = 1.0 / (fluid.fluid_temp_c.to_numpy() + 273.15)
    span_s = np.diff(fluid.time_ms) / 1000.0
    span_s[span_s > told["max_gap_s"]] = 0.0  # longer gaps are unseen time
    at = inverse_k[:-1, None] + np.diff(inverse_k)[:, None] * (NODES + 1.0) / 2.0
    aged_s = span_s * (np.exp(ln_rate(np.array(told["law"]), at)) @ WEIGHTS) / 2.0
    kinetic_s = span_s * (np.exp(-told["kinetic_k"] * (at - 1.0 / 353.15)) @ WEIGHTS) / 2.0
    for service in told["thinnings"]:  # new fluid thins what was aged before it
        aged_s[fluid.time_ms.to_numpy()[1:] < service["time_ms"]] *= service["stays"]
    seconds = aged_s.sum() + told["soaked_s"] + told["unseen_s"]
    raw = told["carried"] + told["scale"] * seconds / told["reference_life_s"]
    mean = kinetic_s.sum() / span_s.sum()
    return {
        "measured_s": float(aged_s.sum()),
        "life_used": float(raw if raw <= 1.0 else 1.0 + told["oxidation_factor"] * (raw - 1.0)),
        "mean_kinetic_temp_c": float(
            1.0 / (1.0 / 353.15 - np.log(mean) / told["kinetic_k"]) - 273.15
        ),
    }


if __name__ == "__main__":
    found = recompute(
        json.loads((HERE / "account.json").read_text(encoding="utf-8")),
        pd.read_csv(HERE / "samples.csv"),
    )
    sys.stdout.write(json.dumps(found) + "\n")
