"""The words of a notice: what was seen, how sure, what else it may be, what to do.

Pure. Names of trucks come from outside: they are cut down to letters, digits and a few signs,
so that they can carry neither headers nor markup nor links.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, tzinfo

from alerts import date_words
from alerts.alarm import Matter
from alerts.identity import notice_id
from alerts.ledger import Alarm
from alerts.notice import Notice
from alerts.outbox import Entry
from alerts.watch import EVERYBODY, SILENT
from models.units import Units
from models.words import Words, WriteWords

SHORT_LENGTH = 160
"""Characters of a short notice: one text message (GSM 03.38, from memory)."""

MANUAL_FIRST = (
    "This is a computed warning and can be wrong. "
    "The maker's manual and local rules come before it."
)

ESTIMATED = frozenset({"service_due"})
"""Kinds that rest on the account, which is an estimate, whatever their probability."""

_PLAIN = frozenset(" ._-'()/#+")
_NAME_LENGTH = 64
_HEADS = {
    Matter.ACTIVE: "ALARM",
    Matter.RISE: "NOW",
    Matter.NORMAL: "BACK TO NORMAL, was",
    Matter.WITHDRAWN: "WITHDRAWN, was",
    Matter.MOVED: "NEW DATE",
    Matter.QUIET: "DATE NOT FOLLOWED",
}


def compose(
    entry: Entry,
    alarm: Alarm,
    *,
    words: Mapping[str, WriteWords],
    units: Units,
    zone: tzinfo,
    names: Mapping[str, str],
) -> Notice:
    """Word one notice; the same entry always gives the same words."""
    said = explain(alarm.kind, alarm.vehicle, entry.evidence, words=words, units=units)
    who = _who(alarm.vehicle, names)
    subject = f"{_HEADS[entry.matter]} {entry.priority.name} {who}: {said.title}"
    return Notice(
        id=entry.id,
        thread=notice_id(alarm.id, Matter.ACTIVE, 0, 0, entry.channel),
        channel=entry.channel,
        alarm_id=alarm.id,
        matter=entry.matter,
        vehicle=alarm.vehicle,
        kind=alarm.kind,
        priority=entry.priority,
        probability=entry.probability,
        evidence=entry.evidence,
        onset_ms=alarm.onset_ms,
        time_ms=entry.time_ms,
        created_ms=entry.created_ms,
        subject=subject,
        short=_cut(f"{subject}. {_gist(entry, said, units)}"),
        body=_body(entry, alarm, said, who, zone, units),
    )


def explain(
    kind: str,
    vehicle: str,
    evidence: Mapping[str, float],
    *,
    words: Mapping[str, WriteWords],
    units: Units,
) -> Words:
    """Give the words of a condition; a kind or a number that is not known gets plain ones."""
    if vehicle == EVERYBODY and kind == SILENT:
        return everybody_words(evidence, units)
    write = words.get(kind, None)
    try:
        return write(evidence, units) if write else _bare(kind, evidence)
    except (KeyError, ValueError):
        # Evidence kept by an earlier version may lack a number that today's words ask for.
        return _bare(kind, evidence)


def everybody_words(evidence: Mapping[str, float], units: Units) -> Words:
    """Give the words of a general silence."""
    del units
    return Words(
        title="No data from any truck",
        observed=(
            f"Nothing from any of {evidence.get('trucks', 0):.0f} trucks for "
            f"{evidence.get('quiet_minutes', 0):.0f} min, though some were moving."
        ),
        expected="Samples as long as any truck moves.",
        doubts=(
            "The message broker or the network before it is down, or this machine is cut off. "
            "That all gateways failed at once is unlikely."
        ),
        action=(
            "Check that the broker runs and that this machine reaches it (heatbook check). "
            "Nothing else is watched until data comes again."
        ),
        cautions=("Until then no truck is guarded against overheating: tell the drivers.",),
    )


def moment(time_ms: int, zone: tzinfo) -> str:
    """Write a time for a person: local, with abbreviation and offset (two nights need it)."""
    local = datetime.fromtimestamp(time_ms / 1000, tz=UTC).astimezone(zone)
    offset = local.strftime("%z")
    return f"{local:%Y-%m-%d %H:%M:%S} {local:%Z} (UTC{offset[:3]}:{offset[3:5]})"


def sureness(kind: str, probability: float) -> str:
    """Write how sure something is in a word; what is inferred is never certain."""
    if kind in ESTIMATED:
        return "by account"
    return "measured" if probability >= 1.0 else f"{min(probability, 0.999):.1%}"


def plain(name: str) -> str:
    """Reduce a name to letters, digits, blanks and a few harmless signs."""
    kept = "".join(sign if sign.isalnum() or sign in _PLAIN else " " for sign in name)
    return " ".join(kept.split())[:_NAME_LENGTH].strip()


def _who(vehicle: str, names: Mapping[str, str]) -> str:
    if vehicle == EVERYBODY:
        return "all trucks"
    code, name = plain(vehicle), plain(names.get(vehicle, ""))
    return f"{code} ({name})" if name and name != code else code


def _cut(text: str) -> str:
    one_line = " ".join(text.split())
    if len(one_line) <= SHORT_LENGTH:
        return one_line
    return one_line[: SHORT_LENGTH - 1].rstrip() + "…"


def _bare(kind: str, evidence: Mapping[str, float]) -> Words:
    numbers = ", ".join(f"{name} {value:.6g}" for name, value in sorted(evidence.items()))
    return Words(
        title=plain(kind.replace("_", " ")).capitalize(),
        observed=f"Numbers: {numbers}." if numbers else "No numbers were kept.",
        expected="Not known for this kind of alarm.",
        doubts="Not known for this kind of alarm.",
        action="Look at the truck's record and ask your technician.",
        cautions=(),
    )


def _gist(entry: Entry, said: Words, units: Units) -> str:
    if entry.matter is Matter.MOVED:
        return f"{date_words.moved_line(entry.evidence, units)}."
    if entry.matter is Matter.QUIET:
        return date_words.no_data_words(entry.evidence, units)
    return said.observed


def _body(entry: Entry, alarm: Alarm, said: Words, who: str, zone: tzinfo, units: Units) -> str:
    if entry.matter is Matter.WITHDRAWN:
        parts = [_withdrawn(alarm)]
    elif entry.matter is Matter.NORMAL:
        parts = _normal(entry, alarm, said, zone)
    elif entry.matter is Matter.MOVED:
        parts = _moved(entry, said, units)
    elif entry.matter is Matter.QUIET:
        parts = _quiet(entry, units)
    else:
        parts = _active(entry, alarm, said, zone)
        if quiet := date_words.no_data_words(entry.evidence, units):
            parts.insert(1, f"HOW OLD THIS IS\n{quiet}")
    foot = f"Alarm {alarm.id}, known here since {moment(alarm.first_seen_ms, zone)}."
    return "\n\n".join([f"{who}\n{said.title}", *parts, foot]) + "\n"


def _active(entry: Entry, alarm: Alarm, said: Words, zone: tzinfo) -> list[str]:
    since = moment(alarm.onset_ms, zone)
    if entry.matter is Matter.RISE:
        since += f"; {entry.priority.name.lower()} since {moment(entry.time_ms, zone)}"
    return [
        f"WHAT WAS SEEN\n{said.observed}",
        f"WHAT A HEALTHY TRUCK WOULD HAVE SHOWN\n{said.expected}",
        f"SINCE\n{since}",
        f"HOW SURE\n{said.sure or _sure(entry.probability)}",
        f"WHAT ELSE COULD EXPLAIN IT\n{said.doubts}",
        f"WHAT TO DO NOW\n{said.action}",
        _cautions(said),
    ]


def _cautions(said: Words) -> str:
    return "\n".join(["CAUTIONS", *(f"- {one}" for one in (*said.cautions, MANUAL_FIRST))])


def _normal(entry: Entry, alarm: Alarm, said: Words, zone: tzinfo) -> list[str]:
    span = f"From {moment(alarm.onset_ms, zone)}\nto {moment(entry.time_ms, zone)}"
    remark = [f"REMARK\n{alarm.remark.capitalize()}."] if alarm.remark else []
    return [
        "The condition is over. It may come back until its cause is found.",
        f"IT LASTED\n{span}",
        f"WHAT WAS SEEN\n{said.observed}",
        *remark,
        f"CAUTIONS\n- {MANUAL_FIRST}",
    ]


def _moved(entry: Entry, said: Words, units: Units) -> list[str]:
    return [
        f"THE DATE\n{date_words.moved_words(entry.evidence, units)}",
        f"WHAT WAS SEEN\n{said.observed}",
        f"WHAT ELSE COULD EXPLAIN IT\n{said.doubts}",
        "WHAT TO DO NOW\nIf the service is booked already, see whether the booking still fits.",
        _cautions(said),
    ]


def _quiet(entry: Entry, units: Units) -> list[str]:
    return [
        f"THE DATE\n{date_words.quiet_words(entry.evidence, units)}",
        (
            "WHAT TO DO NOW\nA truck at rest needs nothing now. If it is in use, go by its odometer "
            "and have the gateway looked at."
        ),
        f"CAUTIONS\n- {MANUAL_FIRST}",
    ]


def _withdrawn(alarm: Alarm) -> str:
    return (
        "An earlier notice of this alarm no longer holds: samples that came later "
        f"show otherwise ({alarm.remark or 'no remark'}). Before work begun because of it is "
        "broken off, have the truck's record looked at."
    )


def _sure(probability: float) -> str:
    if probability >= 1.0:
        return "As sure as the sensors: this was measured, not inferred."
    return f"{min(100 * probability, 99.99):.4g} % by the evidence so far."
