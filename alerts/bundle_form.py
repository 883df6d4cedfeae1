"""Several alarms in one notice, as subject, text, short form, and the rows of a page."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, tzinfo

from alerts import page
from alerts.bundle import Bundle, Line, Section
from alerts.full_form import driver_cautions, shop_cautions
from alerts.sheet import Passage
from alerts.short_form import several

COMPACT_OVER = 20
"""So many lines of a section say what was seen; in a longer one each is a single line."""

SEEN = "I have seen this"
"""What an answer to a notice of one alarm means."""

SUBJECT_LENGTH = 150
"""Signs of a subject that lists alarms: what fits a screen's width."""


def subject(bundle: Bundle) -> str:
    """Write the subject: how many, then the worst first, as many as fit."""
    first, *rest = [
        f"{line.head} {line.priority.name} {line.who}: {line.title}" for line in bundle.lines
    ]
    if not rest:
        return first
    said, left = f"{bundle.lead}: {first}", len(rest)
    for line in rest:
        if len(f"{said}; {line}") > SUBJECT_LENGTH:
            break
        said, left = f"{said}; {line}", left - 1
    return f"{said}; and {left} more" if left else said


def short(bundle: Bundle) -> str:
    """Write the short form: how many, the worst and what to do, then others as far as they fit."""
    pieces = [
        f"{line.priority.name}{'' if line.stands else ' over'} {line.code}: {line.brief}."
        for line in bundle.lines
    ]
    return several(f"{bundle.lead}.", pieces, order=bundle.lines[0].do)


def text(bundle: Bundle, zone: tzinfo, *, answer_url: str = "") -> str:
    """Write the text: every alarm, each in one line where there are many."""
    parts = [f"{bundle.lead}."]
    parts += [moved(bundle)] if bundle.moved_from else []
    worst, *others = ("\n".join(_section(each, zone)) for each in bundle.sections)
    parts += [worst, *_points(driver_cautions(bundle.driver)), *others]
    parts += _points(shop_cautions(bundle.technician))
    if answer_url:
        parts.append(f"{seen(bundle).upper()}\n{answer_url}")
    return "\n\n".join(parts) + "\n"


def seen(bundle: Bundle) -> str:
    """Say what an answer to the whole notice means."""
    return "I have seen all of these" if len(bundle.lines) > 1 else SEEN


def _points(passages: tuple[Passage, ...]) -> Iterator[str]:
    for each in passages:
        yield "\n".join([each.heading.upper(), *(f"- {one}" for one in each.points)])


def moved(bundle: Bundle) -> str:
    """Say that another way was tried first."""
    ways = " and ".join(bundle.moved_from)
    return f"Some of this comes this way because {ways} could not be reached."


def _section(section: Section, zone: tzinfo) -> Iterator[str]:
    yield section.title.upper() if section.by_cause or not section.stands else section.title
    if section.note:
        yield section.note
    if section.do:
        yield f"Do now: {section.do}."
    for line in section.lines:
        yield f"- {_said(line, section, zone)}"


def _said(line: Line, section: Section, zone: tzinfo) -> str:
    by_truck = section.stands and not section.by_cause
    who = "" if by_truck else f" {line.who}"
    what = (
        "" if section.by_cause and section.title.startswith(line.title) else f": {line.title}"
    )
    parts = [f"{_state(line)}{who}{what}, {span(line, zone)}."]
    if line.stands and len(section.lines) <= COMPACT_OVER:
        parts.append(line.seen)
    if line.remark:
        parts.append(f"{line.remark.removesuffix('.')}.")
    if line.do and not section.do:
        parts.append(f"Do now: {line.do}.")
    return " ".join(parts)


def _state(line: Line) -> str:
    return f"{line.head} {line.priority.name}" if line.stands else line.priority.name


def span(line: Line, zone: tzinfo) -> str:
    """Write since when, or from when to when."""
    since = _local(line.onset_ms, zone)
    return (
        f"since {since}" if line.over_ms is None else f"{since} to {_local(line.over_ms, zone)}"
    )


def _local(time_ms: int, zone: tzinfo) -> str:
    local = datetime.fromtimestamp(time_ms / 1000, tz=UTC).astimezone(zone)
    return f"{local:%Y-%m-%d %H:%M} {local:%Z}"


def paged(bundle: Bundle, zone: tzinfo, url: Callable[[Line], str]) -> page.Bundle:
    """Lay the bundle out for a page; ``url`` gives what acknowledges an alarm, empty for nothing."""
    return page.Bundle(
        head="Alarms" if any(line.stands for line in bundle.lines) else "Over",
        title=bundle.lead,
        lead=moved(bundle) if bundle.moved_from else "",
        sections=tuple(_paged(section, zone, url) for section in bundle.sections),
        at_once=driver_cautions(bundle.driver),
        passages=shop_cautions(bundle.technician),
    )


def _paged(section: Section, zone: tzinfo, url: Callable[[Line], str]) -> page.Section:
    return page.Section(
        title=section.title,
        note=section.note,
        at_once=f"{section.do}." if section.do else "",
        names=section.by_cause or not section.stands,
        rows=tuple(_row(line, section, zone, url) for line in section.lines),
    )


def _row(line: Line, section: Section, zone: tzinfo, url: Callable[[Line], str]) -> page.Row:
    told = section.by_cause and section.title.startswith(line.title)
    remark = f"; {line.remark.removesuffix('.')}" if line.remark else ""
    return page.Row(
        priority=line.priority,
        head=line.head,
        who=line.who,
        title="" if told else line.title,
        at_once=f"{line.do}." if line.do and not section.do else "",
        since=f"{span(line, zone)}{remark}",
        url=url(line) if line.stands else "",
        urgent=line.stands,
    )
