"""The courses of a fleet's trucks, by the settings; and what reads trucks by them."""

from __future__ import annotations

from deploy.clock import clock_of
from deploy.settings import Settings
from models.fleet import Fleet
from review.model_version import model_version
from review.reading import Reader
from review.trucks import CourseOf, courses_of


def courses_by(settings: Settings, fleet: Fleet) -> CourseOf:
    """Give the look-up for a fleet, as the settings have it."""
    return courses_of(
        fleet,
        max_gap_s=settings.models.max_gap_s,
        silent_after_s=settings.models.silent_after_s,
        false_alarms_per_h=settings.diagnosis.false_alarms_per_driving_hour,
    )


def reader_of(settings: Settings, fleet: Fleet) -> Reader:
    """Give the reader that goes by the settings."""
    return Reader(
        fleet=fleet,
        courses=courses_by(settings, fleet),
        now_ms=clock_of(settings),
        version=model_version(),
    )
