"""The line an experiment ends with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tests.torture.checker import Verdict

LASTED = "the load lasted until the last fault"
"""Else what came after it was done to a daemon that had nothing to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """What an experiment found; ``fine`` when everything holds.

    ``faults`` and ``found`` stand in the table; where ``found`` is not given, the line does.
    """

    line: str
    fine: bool
    problems: tuple[str, ...] = ()
    faults: str = ""
    found: str = ""


def told(
    name: str,
    *,
    faults: str,
    found: Sequence[str],
    seed: int,
    fine: bool,
    problems: Sequence[str] = (),
) -> Figure:
    """Write what an experiment did (``faults``) and what came of it, as a line and for the table."""
    words = ", ".join(found)
    return Figure(
        line=f"torture.{name}: {faults}, {words}, seed {seed}",
        fine=fine,
        problems=tuple(problems),
        faults=faults,
        found=words,
    )


def figure(
    name: str,
    verdict: Verdict,
    *,
    seed: int,
    faults: str,
    also: str = "",
    must: Mapping[str, bool],
) -> Figure:
    """Write the line for experiments in which nothing may be lost.

    ``must``: what else must be, in words, and whether it is.
    """
    problems = [f"not so: {what}" for what, so in must.items() if not so]
    found = [
        f"{verdict.samples} samples",
        f"{verdict.acknowledged} acknowledged by the broker",
        f"{verdict.lost} lost",
        f"{verdict.doubled} doubled",
        f"{verdict.altered} altered",
        f"accounts equal: {yes(verdict.accounts_equal)}",
        f"{verdict.transitions} transitions equal: {yes(verdict.transitions_equal)}",
        f"{verdict.notices} notices",
        f"{verdict.notices_missing} of them missing",
        f"{verdict.notices_renamed} under a second id",
        *([also] if also else []),
    ]
    return told(
        name,
        faults=faults,
        found=found,
        seed=seed,
        fine=holds(verdict) and not problems,
        problems=(*verdict.problems, *amiss(verdict), *problems),
    )


def amiss(verdict: Verdict) -> list[str]:
    """Name what was lost, doubled, altered, left untold or told under two names."""
    counts = {
        "samples lost": verdict.lost,
        "samples doubled": verdict.doubled,
        "samples altered": verdict.altered,
        "notices missing": verdict.notices_missing,
        "notices under a second id": verdict.notices_renamed,
        "accounts differ": not verdict.accounts_equal,
        "transitions differ": not verdict.transitions_equal,
    }
    return [f"{what}: {count:d}" for what, count in counts.items() if count]


def holds(verdict: Verdict) -> bool:
    """Say whether nothing is amiss."""
    return not amiss(verdict)


def yes(true: bool) -> str:
    """Write yes or no."""
    return "yes" if true else "NO"
