"""Pages from templates. Everything that comes in is escaped; nothing is fetched from elsewhere."""

from __future__ import annotations

from pathlib import Path

from alerts.escaped import templates_in
from alerts.palette import band_of
from review.access.visitor import Role
from review.console.assets import asset
from review.console.menu import MENU

_TEMPLATES = templates_in(Path(__file__).parent / "templates")
_TEMPLATES.globals.update(asset=asset, menu=MENU, Role=Role, band_of=band_of)


def rendered(template: str, **facts: object) -> str:
    """Write a page: ``title``, ``path``, ``visitor`` (None: nobody is signed in), ``say``, its own facts."""
    return _TEMPLATES.get_template(template).render(**facts)


def rendered_part(template: str, part: str, **facts: object) -> str | None:
    """Write one live part of a page alone, its block ``live_<part>``; None where the page has none such."""
    page = _TEMPLATES.get_template(template)
    block = page.blocks.get(f"live_{part}")
    return None if block is None else "".join(block(page.new_context(facts)))
