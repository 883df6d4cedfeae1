"""Who is told: takes notices, or not, or takes them and dies before it says so."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from alerts.notice import Notice, Undelivered
from tests.torture.notice_checker import Arrived
from tests.torture.simulation.fuse import Fuse

PEOPLE = "smtp"
WEB = "webhook:control"


class FarSide:
    """A channel to somebody in one of many moods; ``meanwhile`` is what others do while it takes."""

    def __init__(
        self,
        fuse: Fuse,
        rng: Random,
        *,
        bundles: bool,
        arrived: list[Arrived],
        meanwhile: Callable[[], None],
    ) -> None:
        self._fuse = fuse
        self._rng = rng
        self.bundles = bundles
        self._arrived = arrived
        self._meanwhile = meanwhile
        self.unwell = 0.0
        """How likely a try fails [-]."""

    def deliver(self, notice: Notice) -> str:
        """Take a notice, as the mood is."""
        rng = self._rng
        self._pass_by()
        if rng.random() < self.unwell:
            raise Undelivered("not now", retry=True, away=rng.random() < 0.5)
        self._meanwhile()
        self._arrived.append(
            Arrived(
                destination=notice.destination,
                id=notice.id,
                text=f"{notice.subject}\n{notice.body}",
            )
        )
        self._pass_by()
        if rng.random() < self.unwell:
            raise Undelivered("the line was cut", retry=True)
        return "taken"

    def _pass_by(self) -> None:
        """Let the line fail as a line does: the channel says so in its own way."""
        try:
            self._fuse.pass_by("send")
        except OSError as error:
            raise Undelivered(f"far side away: {error!r}", retry=True) from error
