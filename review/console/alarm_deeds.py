"""What people do about alarms from the console: acknowledge, comment, say that they have looked."""

from __future__ import annotations

from collections.abc import Sequence

from starlette.responses import Response
from starlette.routing import BaseRoute

from alerts import lifecycle
from alerts.answer import Verdict
from alerts.ledger import Alarm
from review.access.audit import Deed
from review.access.visitor import Role
from review.alarm_acts import Changed, Seen, acknowledge_seen, looked_at, reset_by, seen_of
from review.console.alarm_fates import Fate, card_now, changed, fates_of
from review.console.done import back_to, with_done
from review.console.house import House
from review.console.visit import Handler, Visit, route
from review.web.answers import COMMENT_LENGTH, line

NO_SUCH = (
    "No such alarm",
    "The store knows no alarm of this name.",
    "Go to Alarms for the list.",
)


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the routes of what is done about alarms."""

    def post(path: str, handler: Handler) -> BaseRoute:
        return route(house, path, handler, least=Role.TECHNICIAN, methods=("POST",))

    return (
        post("/alarms/acknowledge", _acknowledge),
        post("/alarms/{id}/acknowledge", _acknowledge_one),
        post("/alarms/{id}/comment", _comment),
        post("/alarms/{id}/look", _look),
    )


def about(alarm: Alarm) -> str:
    """Say for the audit log which alarm it was."""
    return f"{alarm.vehicle} {alarm.kind} {alarm.id}"


def comment_of(visit: Visit) -> str:
    """Read what somebody wrote beside what they did."""
    return line(visit.form.get("comment", ""), COMMENT_LENGTH)


def _acknowledge(visit: Visit) -> Response:
    return _acknowledge_seen(visit, seen_of(visit.form.get("seen", "")))


def _acknowledge_one(visit: Visit) -> Response:
    turn, priority = visit.form.get("turn", ""), visit.form.get("priority", "")
    return _acknowledge_seen(
        visit, seen_of(f"{visit.request.path_params['id']}:{turn}:{priority}")
    )


def _acknowledge_seen(visit: Visit, seen: Sequence[Seen]) -> Response:
    house, by = visit.house, visit.visitor.name
    if not seen:
        return visit.problem(
            400,
            "Nothing was named",
            "The form named no alarm. Go back and load the page again.",
        )
    with house.store.write() as tx:
        found = acknowledge_seen(
            tx, seen, by=by, comment=comment_of(visit), now_ms=house.now_ms()
        )
        for each in found:
            if each.verdict is Verdict.DONE and each.alarm is not None:
                visit.audit(tx, Deed.ALARM_ACKNOWLEDGED, about(each.alarm))
    house.board.look()
    if all(each.verdict is Verdict.UNKNOWN for each in found):
        return visit.problem(404, *NO_SUCH)
    fates = fates_of(visit, seen, found)
    if all(fate.done for fate in fates):
        return visit.go(with_done(back_to(visit, "/alarms"), "acknowledged"))
    return changed(visit, fates)


def _comment(visit: Visit) -> Response:
    house, alarm_id, text = visit.house, visit.request.path_params["id"], comment_of(visit)
    if not text:
        return visit.problem(400, "Nothing was written", "Go back and write your comment.")
    with house.store.write() as tx:
        try:
            alarm = lifecycle.comment_on(
                tx, alarm_id, by=visit.visitor.name, now_ms=house.now_ms(), comment=text
            )
        except LookupError:
            return visit.problem(404, *NO_SUCH)
        visit.audit(tx, Deed.ALARM_COMMENTED, about(alarm))
    return visit.go(with_done(f"/alarms/{alarm_id}", "commented"))


def _look(visit: Visit) -> Response:
    house, seen = visit.house, seen_of(visit.form.get("seen", ""))
    if [each.alarm_id for each in seen] != [visit.request.path_params["id"]]:
        return visit.problem(
            400,
            "Nothing was named",
            "The form named no alarm. Go back and load the page again.",
        )
    comment = comment_of(visit)
    if not comment:
        return visit.problem(
            422,
            "What was found?",
            "Nothing was written down yet. Go back and say in a few words what you looked at and found: "
            "whoever has this truck next goes by it.",
        )
    with house.store.write() as tx:
        try:
            alarm = looked_at(
                tx, seen[0], by=visit.visitor.name, comment=comment, now_ms=house.now_ms()
            )
        except LookupError:
            return visit.problem(404, *NO_SUCH)
        except Changed as error:
            return _not_looked(visit, error.alarm)
        visit.audit(tx, Deed.ALARM_RESET, about(alarm))
    house.board.look()
    return visit.go(with_done(back_to(visit, f"/alarms/{alarm.id}"), "looked"))


def _not_looked(visit: Visit, alarm: Alarm) -> Response:
    with visit.house.store.read() as conn:
        closed_by = reset_by(conn, alarm)
    if closed_by == visit.visitor.name:  # the same form, sent twice
        return visit.go(with_done(back_to(visit, f"/alarms/{alarm.id}"), "looked"))
    fate = Fate(card=card_now(visit, alarm), said=_why_not(alarm, closed_by), done=False)
    return changed(visit, [fate])


def _why_not(alarm: Alarm, closed_by: str | None) -> str:
    if alarm.active:
        return "Not closed: its condition holds again. It waits for a look once that is over."
    if closed_by:
        return f"{closed_by} closed it before you. Nothing is left to do here."
    return "Not closed: it does not wait for a look as it stands now."
