"""The sheets of a whole export: what each holds, and what each column means.

A column ``NAME_ms`` of a query is written as ``NAME``, a time in UTC as RFC 3339 says.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A CSV file: its query, and its columns in order with what they mean."""

    name: str
    about: str
    sql: str
    columns: tuple[tuple[str, str], ...]


_TRUCK = ("truck", "name of the truck")

SHEETS = (
    Sheet(
        name="trucks",
        about="every truck that was ever heard",
        sql="SELECT name, first_heard_ms, last_heard_ms, online, status_ms FROM vehicle ORDER BY name",
        columns=(
            _TRUCK,
            ("first_heard", "when its first message was taken in"),
            ("last_heard", "when its last message was taken in"),
            ("online", "1 connected, 0 not, as its gateway last said; empty: never said"),
            ("status", "when its gateway said that"),
        ),
    ),
    Sheet(
        name="service-record",
        about="every entry, those that count no longer too",
        sql="SELECT vehicle, id, kind, time_ms, numbers, words, note, who, entered_ms, supersedes "
        "FROM service_entry ORDER BY id",
        columns=(
            _TRUCK,
            ("entry", "number of the entry"),
            ("kind", "what was done, see ingest/README.md"),
            ("time", "when it was done; empty: not known"),
            ("numbers", "its numbers, JSON, each name with its unit"),
            ("words", "its words, JSON"),
            ("note", "what somebody wrote beside it"),
            ("who", "who entered it"),
            ("entered", "when it was entered"),
            ("supersedes", "number of the entry that it stands in place of"),
        ),
    ),
    Sheet(
        name="alarms",
        about="every alarm that was ever raised",
        sql="SELECT id, vehicle, kind, onset_ms, raised_ms, cleared_ms, active, state, priority, "
        "probability, evidence, acknowledged_ms, acknowledged_by, comment, late, withdrawn "
        "FROM alarm ORDER BY onset_ms, id",
        columns=(
            ("alarm", "number of the alarm"),
            _TRUCK,
            ("kind", "what was found"),
            ("onset", "since when it stood"),
            ("raised", "when it was raised"),
            ("cleared", "when it was over; empty: it is not"),
            ("active", "1 while its condition holds"),
            ("state", "its state by IEC 62682"),
            ("priority", "1 low to 4 critical"),
            ("probability", "how likely [-]"),
            ("evidence", "the numbers behind it, JSON, each name with its unit"),
            ("acknowledged", "when somebody acknowledged it"),
            ("acknowledged_by", "who did"),
            ("comment", "what was said then"),
            ("late", "1: found long after it began"),
            ("withdrawn", "1: later samples showed that it was none"),
        ),
    ),
    Sheet(
        name="alarm-events",
        about="every step in the life of an alarm",
        sql="SELECT alarm_id, time_ms, event, before, after, priority, by, comment "
        "FROM alarm_event ORDER BY seq",
        columns=(
            ("alarm", "number of the alarm"),
            ("time", "when"),
            ("event", "what happened"),
            ("before", "its state before"),
            ("after", "its state after"),
            ("priority", "1 low to 4 critical, then"),
            ("by", "who did it; empty: nobody"),
            ("comment", "what was said"),
        ),
    ),
    Sheet(
        name="transitions",
        about="what the samples say, whenever it was known: conditions that came, rose, went",
        sql="SELECT vehicle, time_ms, kind, onset_ms, active, priority, probability, evidence "
        "FROM transition ORDER BY vehicle, time_ms",
        columns=(
            _TRUCK,
            ("time", "the sample at which it changed"),
            ("kind", "which condition"),
            ("onset", "since when it stood"),
            ("active", "1 it came or rose, 0 it went"),
            ("priority", "1 low to 4 critical"),
            ("probability", "how likely [-]"),
            ("evidence", "the numbers behind it, JSON"),
        ),
    ),
    Sheet(
        name="tellings",
        about="who was to be told of what, one matter of one alarm for one destination",
        sql="SELECT id, alarm_id, destination, matter, turn, time_ms, priority, created_ms, state, "
        "settled_ms, sending_id FROM outbox ORDER BY seq",
        columns=(
            ("telling", "its own number, which never changes"),
            ("alarm", "number of the alarm"),
            ("destination", "channel, or channel and person"),
            ("matter", "what is told: active, rise, normal, reminder ..."),
            ("turn", "how often the alarm was told anew"),
            ("time", "of when it tells"),
            ("priority", "1 low to 4 critical"),
            ("created", "when it was put out"),
            ("state", "pending, delivered, abandoned or cancelled"),
            ("settled", "when that was settled"),
            ("notice", "number of the notice it left in"),
        ),
    ),
    Sheet(
        name="notices",
        about="what left as one message",
        sql="SELECT id, destination, what, priority, created_ms, attempts, first_ms, tried_ms, state, "
        "settled_ms, last_error FROM sending ORDER BY seq",
        columns=(
            ("notice", "its own number, which never changes"),
            ("destination", "channel, or channel and person"),
            ("what", "alarms, or a report"),
            ("priority", "1 low to 4 critical"),
            ("created", "when it was made"),
            ("attempts", "how often it was tried"),
            ("first", "when first"),
            ("tried", "when last"),
            ("state", "pending, delivered, abandoned or cancelled"),
            ("settled", "when that was settled"),
            ("last_error", "why it was not delivered"),
        ),
    ),
    Sheet(
        name="attempts",
        about="every try to deliver a notice",
        sql="SELECT notice_id, destination, time_ms, outcome, detail FROM attempt ORDER BY seq",
        columns=(
            ("notice", "number of the notice"),
            ("destination", "channel, or channel and person"),
            ("time", "when"),
            ("outcome", "delivered, deferred or abandoned"),
            ("detail", "what the far side said"),
        ),
    ),
    Sheet(
        name="holds",
        about="alarms held back",
        sql="SELECT id, state, vehicle, kind, from_ms, until_ms, by, reason, ended_ms, ended_by "
        "FROM hold ORDER BY id",
        columns=(
            ("hold", "its number"),
            ("state", "shelved, suppressed_by_design or out_of_service"),
            _TRUCK,
            ("kind", "of which alarms; empty: of all"),
            ("from", "since when"),
            ("until", "until when; empty: not said"),
            ("by", "who"),
            ("reason", "why"),
            ("ended", "when it ended"),
            ("ended_by", "who ended it; empty: its time ran out"),
        ),
    ),
    Sheet(
        name="refused",
        about="the quarantine: what was refused, as it came",
        sql="SELECT id, topic, vehicle, reason, field, detail, hex(raw), times, first_received_ms, "
        "last_received_ms FROM quarantine ORDER BY id",
        columns=(
            ("refused", "its number"),
            ("topic", "where it was published"),
            _TRUCK,
            ("reason", "why it was refused"),
            ("field", "which field"),
            ("detail", "what is wrong, and how to mend it"),
            ("raw_hex", "its bytes, hexadecimal"),
            ("times", "how often it came"),
            ("first_received", "when first"),
            ("last_received", "when last"),
        ),
    ),
    Sheet(
        name="console-accounts",
        about="who may sign in to the console; passwords are not exported",
        sql="SELECT name, role, made_ms, changed_ms, disabled_ms FROM account ORDER BY name",
        columns=(
            ("name", "the name"),
            ("role", "1 viewer, 2 technician, 3 manager"),
            ("made", "when it was added"),
            ("changed", "when it was last changed"),
            ("disabled", "when it was disabled; empty: it is not"),
        ),
    ),
    Sheet(
        name="audit",
        about="who did what",
        sql="SELECT id, time_ms, who, what, about, address FROM audit ORDER BY id",
        columns=(
            ("line", "its number"),
            ("time", "when"),
            ("who", "who"),
            ("what", "what was done"),
            ("about", "about what"),
            ("address", "from which address"),
        ),
    ),
)
