"""A store in which a simulated bypass valve sticks on a climb, and who is told of it by mail."""

from __future__ import annotations

from alerts.policy import Policy, Route
from deploy.database import Database
from models.fleet import Fleet
from review.trucks import courses_of
from tests.contract.roads import STUCK, recorded
from tests.deploy.store import pipeline
from tests.recorded import message

FLEET = Fleet(vehicles={"NF-01": STUCK.vehicle})
COURSES = courses_of(FLEET, max_gap_s=300.0, silent_after_s=900.0)
POLICY = Policy(routes=(Route(channel="smtp"),), late_after_ms=10**15)
"""However old it is: the road was driven long before."""


def take_in(database: Database, *, model_version: str = "tests") -> None:
    """Take in the truck's samples as they came."""
    taker = pipeline(database, courses=COURSES, policy=POLICY, model_version=model_version)
    rows = recorded(STUCK)
    names = rows.dtype.names or ()
    samples = [dict(zip(names, map(float, row), strict=True)) for row in rows.tolist()]
    for first in range(0, len(samples), 60):
        taker.commit([message("NF-01", samples[first : first + 60])])
    taker.flush()
