"""More of the invented fleet's day: the real pipeline over its store, for samples that come meanwhile."""

from __future__ import annotations

from deploy.database import Database
from deploy.pipeline import Pipeline
from review.model_version import model_version
from tests.deploy.store import rules
from tests.recorded import Sample, message
from tests.review.northfold_day import END_MS, POLICY, courses, fleet


class Trucks:
    """The trucks of a day's store, which go on sending."""

    def __init__(self, database: Database) -> None:
        self._pipeline = Pipeline(
            database,
            registered=frozenset(fleet().vehicles),
            courses=courses(),
            rules=rules(policy=POLICY, model_version=model_version()),
            now_ms=lambda: END_MS + 60_000,
        )
        self._pipeline.load()

    def send(self, vehicle: str, *, after_s: int = 10, **signals: float) -> None:
        """Commit one sample of a truck, so long after the day."""
        sample: Sample = {"time_ms": END_MS + 1000 * after_s, **signals}
        self._pipeline.commit([message(vehicle, [sample])])
