"""``heatbook reports``: looking at a digest or a week's summary, sending one, private addresses."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from secrets import token_bytes
from typing import Annotated

import typer

from alerts.links import KEY_BYTES, Purpose, change_key, load_keys
from alerts.notice import Picture
from alerts.page import Report, report_page
from alerts.report import post_report
from alerts.report_form import text
from alerts.watch import EVERYBODY
from deploy import addresses, digest, week
from deploy.database import Beside, beside_daemon, read_only
from deploy.desk import Desk, desk_of
from deploy.options import Config
from deploy.printing import say, warn
from deploy.report_makers import DIGEST, WEEK, Makers, draw
from deploy.reporter import Asked
from deploy.rules import rules_of
from deploy.web.section import Web
from review.entry_rules import UnknownTruck, known_trucks
from review.plain_text import harmless
from review.problems import Mistake

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="The digest, the week's summary, the calendar's and the figures' private addresses.",
)

Since = Annotated[
    str | None, typer.Option(help="Tell of the time since then, a date or a time.")
]
Page = Annotated[Path | None, typer.Option(help="Also write it as a page (HTML).")]
Send = Annotated[bool, typer.Option("--send", help="Send it to its readers, now.")]

_DAY_MS = 86_400_000


@app.command("digest")
def digest_command(
    since: Since = None, page: Page = None, send: Send = False, config: Config = None
) -> None:
    """Print the digest as it would be now."""
    own = _Own.of(config, DIGEST, since, days=1)
    found = digest.report(own.makers.morning(own.asked), own.makers.teller())
    own.show(found, (), page, send=send)


@app.command("week")
def week_command(
    since: Since = None, page: Page = None, send: Send = False, config: Config = None
) -> None:
    """Print the summary of the last seven days."""
    own = _Own.of(config, WEEK, since, days=7)
    teller = own.makers.teller()
    span = own.makers.span(own.asked)
    drawn = draw(span, teller)
    own.show(week.report(span, teller, drawn), drawn, page, send=send)


@app.command("addresses")
def addresses_command(
    truck: Annotated[str | None, typer.Option(help="Only this truck's calendar.")] = None,
    change: Annotated[
        bool, typer.Option("--change", help="Make them anew: those of before are void.")
    ] = False,
    config: Config = None,
) -> None:
    """Print the private addresses of the service calendar and of the alarms' own figures."""
    desk = desk_of(config)
    web = _public(desk)
    wanted = _wanted(desk, truck)
    if change:
        with beside_daemon(desk.store) as tx:
            for purpose, scope in wanted:
                addresses.change(tx, purpose, scope)
    with read_only(desk.store) as conn:
        if not load_keys(conn):
            raise Mistake("there is no key yet to sign addresses with: start the daemon once")
        for purpose, scope in wanted:
            whose = "all trucks" if scope == EVERYBODY else scope
            typer.echo(f"{purpose.value} of {whose}")
            typer.echo(f"  {addresses.url(conn, web, purpose, scope)}")
    warn("Whoever has an address can read what stands there: pass it on with care.")


@app.command("new-key")
def new_key_command(
    forget: Annotated[
        bool, typer.Option("--forget", help="Also make every link and address of before void.")
    ] = False,
    config: Config = None,
) -> None:
    """Sign links with another key from now on; those of before go on until they are too old."""
    desk = desk_of(config)
    with beside_daemon(desk.store) as tx:
        change_key(tx, token_bytes(KEY_BYTES), desk.now_ms(), forget=forget)
    say("Every link and address of before is void." if forget else "Links are signed anew.")


def _public(desk: Desk) -> Web:
    web = desk.settings.web
    if web is None or not web.public_url:
        raise Mistake(
            "nobody could follow an address: set public_url in [web] to where the server is reached"
        )
    return web


def _wanted(desk: Desk, truck: str | None) -> list[tuple[Purpose, str]]:
    with read_only(desk.store) as conn:
        known = known_trucks(conn, desk.fleet)
    if truck is not None:
        if truck not in known:
            raise UnknownTruck(truck, known)
        return [(Purpose.CALENDAR, truck)]
    all_trucks = [(Purpose.CALENDAR, EVERYBODY), (Purpose.FIGURES, EVERYBODY)]
    return [*all_trucks, *((Purpose.CALENDAR, name) for name in sorted(known))]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Own:
    """A report asked for at a terminal."""

    desk: Desk
    makers: Makers
    asked: Asked

    @classmethod
    def of(cls, config: Path | None, name: str, since: str | None, *, days: int) -> _Own:
        desk = desk_of(config)
        now_ms = desk.now_ms()
        since_ms = desk.edge(since)
        if since_ms is not None and since_ms >= now_ms:
            raise Mistake("--since must lie in the past")
        makers = Makers(
            settings=desk.settings,
            fleet=desk.fleet,
            database=Beside(desk.store),
            policy=rules_of(desk.settings, desk.plan).policy,
            now_ms=desk.reader.now_ms,
        )
        begin_ms = now_ms - days * _DAY_MS if since_ms is None else since_ms
        return cls(
            desk=desk,
            makers=makers,
            asked=Asked(name=name, since_ms=begin_ms, until_ms=now_ms),
        )

    def show(
        self, found: Report, drawn: Sequence[Picture], page: Path | None, *, send: bool
    ) -> None:
        """Print it, and do what else was asked."""
        typer.echo(harmless(text(found)))
        if page is not None:
            page.write_text(_whole(report_page(found), drawn), encoding="utf-8")
        if send:
            self._send()

    def _send(self) -> None:
        posts = self.makers.by_name()[self.asked.name](self.asked)
        if not posts:
            raise Mistake(
                "nobody reads it: people say so in the people file (digest, week), or name recipients in "
                "[alerts.smtp]"
            )
        with beside_daemon(self.desk.store) as tx:
            for destination, made in posts:
                post_report(tx, made, destination=destination, now_ms=self.asked.until_ms)
        say(f"The daemon sends it to {', '.join(destination for destination, _ in posts)}.")


def _whole(page: str, drawn: Sequence[Picture]) -> str:
    """Put the pictures into a page, which has them beside it in a mail."""
    for each in drawn:
        data = b64encode(each.png).decode()
        page = page.replace(f'src="cid:{each.name}"', f'src="data:image/png;base64,{data}"')
    return page
