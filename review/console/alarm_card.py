"""An alarm as a card of a list: what, which truck, how it stands, what to do, and what may be done here."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from alerts.alarm import HELD, LATCHED
from alerts.hold import Hold
from alerts.holds import HELD_WORDS
from alerts.ledger import Alarm
from alerts.own.facts import OURSELVES
from alerts.teller import Teller
from alerts.watch import EVERYBODY
from review.access.visitor import Role, Visitor
from review.alarm_acts import OPEN, as_seen
from review.alarm_list import Row
from review.alarm_words import MEANING, STANDARD
from review.attention_words import of_alarm
from review.console.say import Say


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """One alarm; ``seen`` goes along with a form about it, ``others`` are those of its truck beside it.

    ``open``: nobody has acknowledged it; ``waits``: it is over and waits until somebody has looked.
    """

    alarm: Alarm
    who: str
    title: str
    do: str
    state: str
    known: str
    cover: Hold | None
    seen: str
    open: bool
    waits: bool
    others: tuple[Alarm, ...] = ()

    @property
    def of_a_truck(self) -> bool:
        """Say whether it is about one truck, and not about all or about Heatbook itself."""
        return self.alarm.vehicle not in (EVERYBODY, OURSELVES)

    @property
    def seen_all(self) -> str:
        """Give what goes along with a form about all that are open of this truck."""
        return " ".join(str(as_seen(each)) for each in (self.alarm, *self.others))


def cards_of(rows: Iterable[Row], teller: Teller, say: Say) -> tuple[Card, ...]:
    """Write the alarms of a list; the first open one of a truck with several names the others."""
    rows = tuple(rows)
    by_truck: dict[str, list[Alarm]] = {}
    for row in rows:
        if row.alarm.state in OPEN:
            by_truck.setdefault(row.alarm.vehicle, []).append(row.alarm)
    firsts = {found[0].id: tuple(found[1:]) for found in by_truck.values()}
    return tuple(card_of(row, teller, say, others=firsts.get(row.alarm.id, ())) for row in rows)


def card_of(row: Row, teller: Teller, say: Say, *, others: tuple[Alarm, ...] = ()) -> Card:
    """Write one alarm."""
    alarm = row.alarm
    told = of_alarm(alarm, teller)
    return Card(
        alarm=alarm,
        who=teller.who(alarm.vehicle),
        title=told.title,
        do=told.do,
        state=state_of(alarm),
        known=known_of(row, say),
        cover=row.cover,
        seen=str(as_seen(alarm)),
        open=alarm.state in OPEN,
        waits=alarm.state in LATCHED,
        others=others,
    )


def state_of(alarm: Alarm) -> str:
    """Name the state in the words of the standards."""
    if alarm.withdrawn and alarm.state not in HELD:
        return "withdrawn"
    said = STANDARD[alarm.state]
    return f"{said}, comes and goes" if alarm.chattering else said


def known_of(row: Row, say: Say) -> str:
    """Say what the state comes to, and who knows or holds it."""
    alarm = row.alarm
    if alarm.withdrawn and alarm.state not in HELD:
        return "Data that came later show that it was not so."
    if row.cover is not None:
        return held_by(row.cover, say)
    if alarm.acknowledged_by and alarm.state not in OPEN:
        when = say.moment(alarm.acknowledged_ms)
        note = f": “{alarm.comment.rstrip('.')}”" if alarm.comment else ""
        stays = f" {MEANING[alarm.state]}" if alarm.state in LATCHED else ""
        return f"{alarm.acknowledged_by} acknowledged it, {when}{note}.{stays}"
    return MEANING[alarm.state]


def held_by(hold: Hold, say: Say) -> str:
    """Say by whom something is held back, until when and why."""
    until = (
        "until it is let go" if hold.until_ms is None else f"until {say.moment(hold.until_ms)}"
    )
    return f"{HELD_WORDS[hold.state].capitalize()} {until} by {hold.by}: “{hold.reason.rstrip('.')}”."


def may_release(visitor: Visitor, hold: Hold) -> bool:
    """Say whether somebody may let go of a hold: of what they may place."""
    return visitor.may(LEAST[hold.state])


LEAST: Mapping[str, Role] = {
    state: Role.TECHNICIAN if state == "shelved" else Role.MANAGER for state in HELD
}
"""Who may place and release a hold of each kind, at least."""
