"""The line an experiment ends with."""

from __future__ import annotations

from dataclasses import dataclass

from tests.torture.checker import Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """What an experiment found; ``fine`` when everything holds."""

    line: str
    fine: bool
    problems: tuple[str, ...] = ()


def figure(
    name: str,
    verdict: Verdict,
    *,
    seed: int,
    faults: str,
    also: str = "",
    fine: bool = True,
) -> Figure:
    """Write the line for experiments in which nothing may be lost."""
    parts = [
        faults,
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
        f"seed {seed}",
    ]
    return Figure(
        line=f"torture.{name}: " + ", ".join(parts),
        fine=fine and holds(verdict),
        problems=verdict.problems,
    )


def holds(verdict: Verdict) -> bool:
    """Say whether nothing was lost, doubled, altered, left untold or told under two names."""
    amiss = (
        verdict.lost,
        verdict.doubled,
        verdict.altered,
        verdict.notices_missing,
        verdict.notices_renamed,
    )
    return not any(amiss) and verdict.accounts_equal and verdict.transitions_equal


def yes(true: bool) -> str:
    """Write yes or no."""
    return "yes" if true else "NO"
