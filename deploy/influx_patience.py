"""An archive in a server that hangs is not asked again at once: who commits samples would wait each time.

A late sample of a sealed month needs what the archive has of it, in the midst of a commit. A server that is
down costs nothing; one that takes the question and never answers costs its time limit, once a message.
"""

from __future__ import annotations

from typing import Any

from numpy.typing import NDArray

from deploy.clock import monotonic_ms
from ingest.archive import ArchiveError
from ingest.influx_archive import InfluxArchive
from ingest.influx_session import Session, Trouble
from review.store import Clock

LONG_MS = 1_000
"""A failure that took so long is one that others are spared [ms]; own choice."""

TIMES = 10
"""How many times as long as it took nothing is asked for after it: a tenth of the time at most is lost."""


class Patience:
    """Until when a server is not asked, and why; shared by all that read from it."""

    def __init__(self, uptime_ms: Clock = monotonic_ms) -> None:
        self.uptime_ms = uptime_ms
        self.until_ms = 0
        self.error: ArchiveError | None = None
        self.asking = False


class PatientArchive(InfluxArchive):
    """Months in a bucket of a server that may hang."""

    def __init__(self, session: Session, bucket: str, patience: Patience) -> None:
        super().__init__(session, bucket)
        self._patience = patience

    def read(self, name: str, first_ms: int, last_ms: int) -> NDArray[Any]:
        """Give samples of a month, see ``Archive``."""
        known = self._patience
        began_ms = known.uptime_ms()
        if known.error is not None and (known.asking or began_ms < known.until_ms):
            raise _again(known.error)
        known.asking = True  # one finds out, and nobody waits with it
        try:
            samples = super().read(name, first_ms, last_ms)
        except ArchiveError as error:
            took_ms = known.uptime_ms() - began_ms
            trouble = error.__cause__
            if isinstance(trouble, Trouble) and trouble.kind == "away" and took_ms >= LONG_MS:
                known.error, known.until_ms = _again(error), known.uptime_ms() + TIMES * took_ms
            raise
        finally:
            known.asking = False
        known.error = None
        return samples


def _again(error: ArchiveError) -> ArchiveError:
    """Give the same error anew: one that was raised holds on to all that was going on."""
    made, trouble = type(error)(error.what, error.mend), error.__cause__
    if isinstance(trouble, Trouble):
        made.__cause__ = Trouble(trouble.kind, trouble.reason, wait_s=trouble.wait_s)
    return made
