"""The pages of the daemon's web server: what each one holds, and how it is written.

Everything that comes in is escaped by the template engine. A page is whole by itself: no scripts, and
nothing is fetched for it; its one style sheet stands in it and is known to the browser by its hash.
"""

from __future__ import annotations

import base64
import hashlib
from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup

from alerts.console_form import Line
from alerts.escaped import templates_in
from alerts.palette import BANDS, DARK, LIGHT

FOOT = "Heatbook. This page is private: whoever has its address can do what stands on it."


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """What is asked: ``seen`` goes along unseen and says what stood on the page."""

    seen: str
    button: str
    use: str
    ask_name: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Dangers:
    """What can hurt, and whom."""

    heading: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerPage:
    """One alarm, what an answer to it comes to, and the form where there is something to answer.

    Its parts in order: what to do, a driver's dangers, what was seen, those of the shop, the rest.
    """

    title: str
    who: str
    state: str
    band: str
    verdict: tuple[str, ...]
    warn: bool
    form: Form | None
    first: tuple[Line, ...] = ()
    driver: tuple[Dangers, ...] = ()
    seen: tuple[Line, ...] = ()
    shop: tuple[Dangers, ...] = ()
    rest: tuple[Line, ...] = ()
    foot: str = FOOT


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerRow:
    """One alarm among several."""

    who: str
    title: str
    priority: str
    band: str
    since: str
    verdict: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswersPage:
    """All alarms of one notice, and one form for them."""

    title: str
    state: str
    band: str
    verdict: tuple[str, ...]
    warn: bool
    form: Form | None
    rows: tuple[AnswerRow, ...]
    foot: str = FOOT


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """A page that says one thing."""

    title: str
    lines: tuple[str, ...]
    foot: str = "Heatbook."


Page = AnswerPage | AnswersPage | Message


def written(page: Page) -> str:
    """Write a page."""
    return _TEMPLATES.get_template(_NAMES[type(page)]).render(page=page)


_NAMES = {AnswerPage: "answer.html", AnswersPage: "answers.html", Message: "message.html"}

_TEMPLATES = templates_in(Path(__file__).parent / "templates")
_STYLE = _TEMPLATES.get_template("style.css").render(light=LIGHT, dark=DARK, bands=BANDS)
_TEMPLATES.globals["style"] = Markup(_STYLE)  # noqa: S704 - our own file and colours
STYLE_HASH = base64.b64encode(hashlib.sha256(_STYLE.encode()).digest()).decode()
"""What the style sheet is known by in a Content-Security-Policy (CSP level 2, section 7.17)."""
