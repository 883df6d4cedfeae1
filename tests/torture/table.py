"""The figures of a run as one table, for the terminal and for the operations page."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass

from tests.torture.figures import Figure, yes

HEAD = ("experiment", "faults", "found", "holds", "took", "command")


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One experiment that was run; ``short``: in the form that the tests run."""

    name: str
    figure: Figure
    seed: int
    took_s: float
    short: bool = False

    @property
    def command(self) -> str:
        """How to have this figure again."""
        form = "--short " if self.short else ""
        return f"python -m tests.torture {form}{self.name} --seed {self.seed}"

    @property
    def cells(self) -> tuple[str, ...]:
        """What stands in the table, in the order of ``HEAD``."""
        figure = self.figure
        found = figure.found or figure.line.partition(": ")[2]
        took = f"{self.took_s:.0f} s"
        return (self.name, figure.faults, found, yes(figure.fine), took, f"`{self.command}`")


def markdown(rows: Sequence[Row], machine: str, load: str) -> str:
    """Write the table as Markdown, with what it was measured on."""
    lines = [HEAD, tuple("---" for _ in HEAD), *(row.cells for row in rows)]
    table = "\n".join(f"| {' | '.join(_cell(cell) for cell in line)} |" for line in lines)
    return f"{machine}; {load}\n\n{table}\n"


def load_of_machine() -> str:
    """Say how busy the machine is: other work beside an experiment shows here."""
    return "load " + ", ".join(f"{one:.1f}" for one in os.getloadavg())


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", " ")
