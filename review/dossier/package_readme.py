"""The page that comes with a package: what each file is, and how to compute the figures again."""

from __future__ import annotations

from review.dossier.facts import Dossier
from review.dossier.pen import Pen
from review.dossier.unknown_words import LIMITS_OF_IT, method, not_known
from review.dossier.verdict import verdict

_FILES = {
    "samples.csv": "every sample that counts: time_ms (Unix ms, UTC), time (RFC 3339), counted (1: this "
    "reading of the fluid was believed and charged), then each signal in the unit its name carries",
    "record.json": "the service record, superseded and struck entries too; `counts` says which hold",
    "inputs.sha256": "the hashes of these two; the hash of this list is the data hash of the review",
    "account.json": "what the account is computed from beside the samples, and what it came to",
    "parameters.json": "what the truck, its fluid and its limits are taken to be; versions",
    "bins.csv": "seconds in each 2 K of fluid temperature, measured and (parked) estimated",
    "estimates.csv": "minute by minute, estimated: what a healthy circuit would have shown with one "
    "standard deviation, the cooler's share of its own healthy conductance, the probability of each cause",
    "excursions.csv": "times above the limit, ranked by cost_s: seconds at the reference temperature",
    "levels.csv": "time above each temperature",
    "alarms.json": "the alarms with their evidence, what people did, who was told",
    "review.json": "the whole review for programs",
    "figures/": "the pictures, PNG and SVG",
    "recompute.py": "computes life used and mean kinetic temperature from samples.csv and account.json",
    "manifest.sha256": "the hash of every file: sha256sum -c manifest.sha256",
}


def readme(found: Dossier, pen: Pen, sha256: str) -> str:
    """Write it."""
    said = verdict(found, pen)
    files = "\n".join(f"- `{name}`: {what}" for name, what in _FILES.items())
    unknown = "\n".join(f"- {line}" for line in not_known(found, pen))
    how = "\n".join(f"- {line}" for line in method(found, pen))
    return f"""# Review of {found.vehicle} up to {pen.moment(found.span.until_ms)}

{said.headline}. {said.first} {said.then}

{LIMITS_OF_IT}

Times in words are in {pen.zone(found.span.until_ms)}. Data hash: `{sha256}`
(`sha256sum -c inputs.sha256`, then `sha256sum inputs.sha256`).
Software {found.basis.software_version}, models {found.basis.model_version}.

## Files

{files}

## Computing it again

With Python, pandas and NumPy: `python recompute.py`. It prints the seconds at the reference temperature that
were measured, the life used and the mean kinetic temperature; `account.json` has ours under `result`.

By hand, or in a spreadsheet:

1. Of `samples.csv` take the rows with `counted` = 1 and `time_ms` not before `fill_started_ms`. For each take
   T = `fluid_temp_c` + 273.15 and the time since the row before, Δt [s]; where Δt is more than `max_gap_s`
   it counts for nothing (unseen time).
2. The rate of ageing of a row is r = exp(y), y read from `law` in `account.json`: points of 1/T and y,
   straight between two points and beyond the last. A span costs Δt · (r2 - r1) / ln(r2 / r1), or Δt · r1
   where both are equal: seconds at the reference temperature.
3. Add them up. At each of `thinnings` multiply what was added before its `time_ms` by `stays`: new fluid.
4. Add `soaked_s` and `unseen_s`, which are estimates. Life used = `carried` + `scale` · sum /
   `reference_life_s`; what is above 1 counts `oxidation_factor` times.
5. Mean kinetic temperature: k = `kinetic_k`; of exp(-k / T) take the mean over time in the same way, m;
   then T = -k / ln(m), without step 3.

A short cut for a spreadsheet, good to about one per cent: in `bins.csv` take the middle of each bin for T and
`measured_s` for Δt; the sum of Δt · r is that of step 3.

## What is not known

{unknown}

## How the figures came about

{how}
"""
