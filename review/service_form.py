"""A form about a service, read: what somebody wrote, in their units, as a draft, or what is wrong with it."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime

from ingest.entry_fields import WORDS
from ingest.record import Entry
from models.units import Units
from review.measures import NotUnderstood, moment_ms
from review.service_draft import Draft
from review.service_fields import FIELDS, Field, Shape

TIME, NOTE = "time", "note"
"""The names of the two fields that every form has."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A form as it stands: the texts in its fields, what is wrong by field, the draft where nothing is."""

    texts: Mapping[str, str]
    slips: Mapping[str, str] = field(default_factory=dict)
    draft: Draft | None = None


def blank_sheet(now_ms: int, units: Units) -> Mapping[str, str]:
    """Give the texts of a form that nobody has touched: today, now."""
    return {TIME: local_text(now_ms, units)}


def sheet_of(entry: Entry, units: Units) -> Mapping[str, str]:
    """Give the texts of a form that says what an entry says."""
    texts = {TIME: local_text(entry.time_ms, units), NOTE: entry.note}
    for each in FIELDS[entry.kind]:
        if each.is_number and each.name in entry.numbers:
            texts[each.name] = written(each, entry.numbers[each.name], units)
        elif not each.is_number and each.name in entry.words:
            texts[each.name] = entry.words[each.name]
    return texts


def written(each: Field, value: float, units: Units) -> str:
    """Write a number as a form has it."""
    if each.flag:
        return "1" if value == 1.0 else ""
    return each.shape.write(value, units) if each.shape else f"{value:g}"


def read_sheet(
    form: Mapping[str, str],
    *,
    truck: str,
    kind: str,
    units: Units,
    now_ms: int,
    fluids: Collection[str],
    corrected: Entry | None = None,
) -> Sheet:
    """Read a form about a service.

    Parameters
    ----------
    form
        What was written, by field.
    truck, kind
        Of what it tells.
    units, now_ms
        Of whoever wrote it: a bare number is in them, a time in their zone; now [Unix ms].
    fluids
        The kinds of fluid that there are.
    corrected
        The entry that it corrects; what was left as it stood is kept to the last digit.
    """
    names = (TIME, NOTE, *(each.name for each in FIELDS[kind]))
    texts = {name: form[name].strip() for name in names if form.get(name, "").strip()}
    stood = sheet_of(corrected, units) if corrected else {}
    reading = _Reading(texts=texts, units=units, stood=stood)
    at_ms = reading.time_ms(corrected, now_ms)
    for each in FIELDS[kind]:
        if each.name in texts:
            reading.take(each, corrected, fluids)
    if reading.slips or at_ms is None:
        return Sheet(texts=texts, slips=reading.slips)
    return Sheet(texts=texts, draft=reading.draft(truck, kind, at_ms, corrected))


@dataclass
class _Reading:
    """What has been read so far."""

    texts: Mapping[str, str]
    units: Units
    stood: Mapping[str, str]
    numbers: dict[str, float] = field(default_factory=dict)
    words: dict[str, str] = field(default_factory=dict)
    slips: dict[str, str] = field(default_factory=dict)

    def draft(self, truck: str, kind: str, at_ms: int, corrected: Entry | None) -> Draft:
        """Give what was read."""
        return Draft(
            truck=truck,
            kind=kind,
            at_ms=at_ms,
            numbers=self.numbers,
            words=self.words,
            note=self.texts.get(NOTE, ""),
            instead=corrected.id if corrected else None,
        )

    def time_ms(self, corrected: Entry | None, now_ms: int) -> int | None:
        """Read when it was; None: it cannot be read, or is missing."""
        text = self.texts.get(TIME, "")
        if corrected is not None and text == self.stood[TIME]:
            return corrected.time_ms
        if not text:
            self.slips[TIME] = "Say when it was done: a date, or a date and a time."
            return None
        try:
            return moment_ms(text, self.units.zone, now_ms)
        except (NotUnderstood, OverflowError) as error:
            self.slips[TIME] = _sentence(str(error))
            return None

    def take(self, each: Field, corrected: Entry | None, fluids: Collection[str]) -> None:
        """Read one field."""
        text = self.texts[each.name]
        if not each.is_number:
            self._word(each, text, fluids)
        elif corrected is not None and text == self.stood.get(each.name):
            self.numbers[each.name] = corrected.numbers[each.name]
        elif each.flag:
            self.numbers[each.name] = 1.0
        elif each.shape is not None:
            self._number(each, each.shape, text)

    def _word(self, each: Field, text: str, fluids: Collection[str]) -> None:
        known = fluids if each.name == "fluid" else WORDS[each.name]
        if known and text not in known:
            self.slips[each.name] = f"{text!r} is none of those to choose from."
        self.words[each.name] = text

    def _number(self, each: Field, shape: Shape, text: str) -> None:
        try:
            self.numbers[each.name] = shape.read(text, self.units)
        except NotUnderstood as error:
            self.slips[each.name] = _sentence(str(error))


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."


def local_text(time_ms: int, units: Units) -> str:
    """Write a time as a field for a time has it, to the minute."""
    return (
        f"{datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(units.zone):%Y-%m-%dT%H:%M}"
    )
