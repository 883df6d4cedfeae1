"""Words and tables on a terminal, within its width; foreign text is never read as markup."""

from __future__ import annotations

from collections.abc import Iterable

import typer
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table
from rich.text import Text

from models.cautions import WORK_IN_SHORT
from review.plain_text import harmless


def say(text: str, *, style: str = "") -> None:
    """Print a sentence or more, broken at the terminal's width."""
    Console(highlight=False).print(Text(harmless(text), style=style))


def warn(text: str) -> None:
    """Print a sentence on standard error."""
    typer.echo(harmless(text), err=True)


def caution() -> None:
    """Print the cautions of work on a gearbox, once a command."""
    say(WORK_IN_SHORT, style="yellow")


def table(*headings: str, right: tuple[str, ...] = (), wide: tuple[str, ...] = ()) -> Table:
    """Begin a table in our looks; ``right`` names columns of numbers, ``wide`` those that give way.

    What stands in the others is never cut: let them be short, such as an id, a priority, a number.
    """
    made = Table(box=SIMPLE_HEAD, padding=(0, 1, 0, 0))
    for heading in headings:
        gives_way = heading in wide
        made.add_column(
            heading,
            justify="right" if heading in right else "left",
            no_wrap=not gives_way,
            overflow="fold" if gives_way else "ellipsis",
        )
    return made


def grid(lines: Iterable[tuple[str, str]]) -> Table:
    """Set what each line is about beside what it says."""
    made = Table.grid(padding=(0, 2, 0, 0))
    made.add_column(no_wrap=True, style="bold")
    made.add_column()
    for about, text in lines:
        made.add_row(foreign(about), foreign(text))
    return made


def foreign(text: str) -> Text:
    """Give text that others wrote, for a table."""
    return Text(harmless(text))


def show(made: Table) -> None:
    """Print a table."""
    Console().print(made)
