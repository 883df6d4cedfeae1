"""What the console's menu leads to, in order."""

from __future__ import annotations

from dataclasses import dataclass

from review.access.visitor import Role


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One line of the menu; a path counts as within it when it begins with ``path``."""

    path: str
    label: str
    least: Role = Role.VIEWER

    def holds(self, path: str) -> bool:
        """Say whether a page belongs here."""
        if self.path == "/":
            return path == "/" or path.startswith("/trucks")
        return path == self.path or path.startswith(self.path + "/")


MENU: tuple[Item, ...] = (
    Item(path="/", label="Today"),
    Item(path="/alarms", label="Alarms"),
    Item(path="/services", label="Services due"),
    Item(path="/review", label="After a failure"),
    Item(path="/what-if", label="What if"),
    Item(path="/hindsight", label="Other limits"),
    Item(path="/people", label="Who is told"),
    Item(path="/system", label="System", least=Role.TECHNICIAN),
    Item(path="/accounts", label="Accounts", least=Role.MANAGER),
)
