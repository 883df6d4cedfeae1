"""Putting the parts together: from settings and a fleet to a daemon."""

from __future__ import annotations

from functools import partial
from random import SystemRandom

from alerts import channels
from alerts.dispatcher import Compose
from alerts.policy import Policy
from alerts.routing import Plan
from alerts.watch import SilenceLimits
from alerts.wording import Extras, compose
from deploy.addresses import answer_urls
from deploy.advice_line import advice_line
from deploy.archive_look import ArchiveLook
from deploy.around import Around
from deploy.clock import clock_of, monotonic_ms
from deploy.companions import companions_of
from deploy.courses import courses_by
from deploy.daemon import Daemon, Pace, Parts
from deploy.database import Database
from deploy.history_keeper import HISTORY, ask
from deploy.influx_access import let_in
from deploy.notice_chart import Charts
from deploy.own_sources import own_look
from deploy.pipeline import Pipeline
from deploy.report_makers import report_times
from deploy.reporter import asking
from deploy.retention import EVERY, PRUNING, pruning_by
from deploy.rules import rules_of
from deploy.schedule import Schedule, wall_clock
from deploy.service_calendar import CALENDAR
from deploy.service_review import reviewing
from deploy.settings import Settings
from deploy.steady_clock import steady_clock
from ingest.source import MqttSource
from models.fleet import Fleet
from review.kinds import WORDS
from review.model_version import model_version
from review.titles import Titles

WATCH_EVERY_S = 5.0
"""How often silent gateways are looked for [s]."""


def composer(settings: Settings, fleet: Fleet, database: Database, policy: Policy) -> Compose:
    """Give the function that words notices."""
    answer = answer_urls(settings.web, database)
    charts = Charts(
        database=database,
        courses=courses_by(settings, fleet),
        model_version=model_version(),
    )
    return partial(
        compose,
        words=WORDS,
        units=settings.fleet.units.units(settings.fleet.zone),
        zone=settings.fleet.zone,
        names=Titles(fleet, database),
        recipient=policy.recipient,
        extras=Extras(
            shows_pages=channels.shows_pages,
            draw=charts.draw,
            answer_url=answer.one if answer else None,
            answer_all_url=answer.every if answer else None,
        ),
    )


def scheduled(
    settings: Settings, database: Database, pipeline: Pipeline, policy: Policy
) -> Schedule:
    """Give the schedule with its jobs: a line for each."""
    schedule = Schedule(database, settings.fleet.zone)
    at = settings.service.review_at
    review = reviewing(lambda: pipeline.trucks, rules=settings.service.rules(), policy=policy)
    schedule.add("service dates", wall_clock(hour=at.hour, minute=at.minute), review)
    for name, trigger, span_ms in report_times(settings.reports):
        schedule.add(name, trigger, asking(name, span_ms))
    schedule.add(PRUNING, EVERY, pruning_by(settings.retention))
    if settings.archive.move:
        move_at = settings.archive.move_at
        schedule.add(HISTORY, wall_clock(hour=move_at.hour, minute=move_at.minute), ask)
    if settings.web is not None:
        schedule.add(CALENDAR, wall_clock(hour=at.hour, minute=at.minute), asking(CALENDAR, 0))
    return schedule


def assemble(
    settings: Settings, fleet: Fleet, plan: Plan | None = None, around: Around | None = None
) -> Daemon:
    """Put a daemon together; it is not started.

    Raises
    ------
    deploy.database.StoreError
        The store cannot be used.
    """
    let_in(settings)
    rules = rules_of(settings, plan)
    database = Database(settings.store.path, synchronous=settings.store.synchronous)
    steady = steady_clock(settings, database)
    now_ms = steady or clock_of(settings)
    pipeline = Pipeline(
        database,
        registered=frozenset(fleet.vehicles),
        courses=courses_by(settings, fleet),
        rules=rules,
        now_ms=now_ms,
    )
    parts = Parts(
        database=database,
        source=MqttSource(
            settings.mqtt,
            clock=monotonic_ms,
            rng=SystemRandom(),
            linger_s=settings.store.commit_wait_ms / 1000.0,
        ),
        pipeline=pipeline,
        schedule=scheduled(settings, database, pipeline, rules.policy),
        rules=rules,
        channels=channels.build(
            settings.channels(), now_ms=now_ms, publish=advice_line(settings.mqtt)
        ),
        compose=composer(settings, fleet, database, rules.policy),
        limits=SilenceLimits(
            silent_after_ms=round(settings.models.silent_after_s * 1000),
            everybody_after_ms=round(settings.models.all_silent_after_s * 1000),
        ),
        now_ms=now_ms,
        steady=steady,
        rng=SystemRandom(),
        reader_pace=settings.alerts.pace.rules(),
        companions=(
            *companions_of(settings, fleet, database, rules.policy, now_ms, around),
            ArchiveLook(database, pipeline.postponing.readable),
        ),
        own=own_look(settings, rules.policy, now_ms),
    )
    # A demonstration's day must not pass between two looks.
    watch_every_s = max(0.25, WATCH_EVERY_S / settings.clock.rate)
    pace = Pace(commit_messages=settings.store.commit_messages, watch_every_s=watch_every_s)
    return Daemon(parts, pace)
