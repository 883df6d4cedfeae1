"""The clock the daemon goes by: the system's, until that jumps. Then the trucks are asked.

A system's clock can be set wrong, by hand or by a start without a battery. Trucks take their time from
satellites or from the mobile network, and many say the same. So when the system's clock jumps, ours goes on
evenly; it follows when the trucks' samples agree with the jump, or when for a while nobody contradicts.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping

import structlog

from deploy import clock
from deploy.database import Database
from deploy.settings import Settings
from review.store import Clock

log = structlog.get_logger()

STEP_MS = 60_000
"""What is followed without a question [ms]: above what time services correct in one step on a running
machine (own choice); below what any rule of ours minds."""

AGREES_MS = 300_000
"""How near a sample's time must lie to a clock to speak for it [ms]: as far as one may be ahead."""

DOUBT_MS = 600_000
"""How long a jump is not followed when nobody speaks for or against it [ms]; own choice: a fleet at work
is heard within seconds, one at rest has nothing to lose."""

LISTEN_MS = 60_000
"""How long trucks are listened to before a clock that was set back is followed [ms]; own choice. One that
sends what it had stored, as old as the jump is wide, must not decide; meanwhile nothing is refused."""

AWAY_MS = 30 * 86_400_000
"""How long the daemon may have been away and still be told the time by the trucks [ms]; own choice."""

MADE_MS = 1_735_689_600_000  # 2025-01-01T00:00:00Z
"""Before this program was made: no right clock reads so."""


class SteadyClock:
    """Gives the time [Unix ms], from any thread.

    Parameters
    ----------
    wall
        The system's clock.
    uptime
        A clock that never jumps [ms].
    last_ms
        When the store was last written to: a system's clock that reads earlier is in doubt from the start.
    """

    def __init__(self, wall: Clock, uptime: Clock, *, last_ms: int = 0) -> None:
        self._wall = wall
        self._uptime = uptime
        self._gate = threading.Lock()
        self._votes: dict[str, bool] = {}  # by truck: whether it speaks for the system's clock
        self._doubt_since_ms: int | None = None
        least_ms = max(last_ms, MADE_MS)
        self._behind = wall() < least_ms - STEP_MS
        self._offset_ms = (least_ms if self._behind else wall()) - uptime()
        self._jumped = False

    def __call__(self) -> int:
        """Give the time."""
        with self._gate:
            return self._now()

    @property
    def doubt_ms(self) -> int:
        """How far the system's clock is from ours while it is not followed [ms], else 0."""
        with self._gate:
            now_ms = self._now()
            return 0 if self._doubt_since_ms is None else self._wall() - now_ms

    @property
    def in_doubt(self) -> bool:
        """Whether the system's clock is not followed now."""
        with self._gate:
            self._now()
            return self._doubt_since_ms is not None

    @property
    def jumped(self) -> bool:
        """Say, once, whether another time was taken over: spans from before until now are wrong."""
        with self._gate:
            self._now()
            said, self._jumped = self._jumped, False
            return said

    def hear(self, newest_ms: Mapping[str, int]) -> None:
        """Take in what the trucks say: the newest sample time of each, as it comes [Unix ms]."""
        with self._gate:
            own_ms = self._now()
            if self._doubt_since_ms is None:
                return
            wall_ms = self._wall()
            latest_ms = own_ms + (AWAY_MS if self._behind else AGREES_MS)
            for name, time_ms in newest_ms.items():
                if abs(time_ms - wall_ms) <= AGREES_MS:
                    self._votes[name] = True
                elif own_ms - AGREES_MS <= time_ms <= latest_ms:
                    self._votes[name] = False
            self._now()

    def must_wait(self, newest_ms: Mapping[str, int]) -> bool:
        """Say whether samples cannot be judged yet: the clock reads less than it did, and they are ahead.

        Trucks that are farther ahead than we can have been away hold up nobody when more others are not.
        """
        self.hear(newest_ms)
        with self._gate:
            own_ms = self._now()
            ahead_ms = [
                each - own_ms for each in newest_ms.values() if each >= own_ms - AGREES_MS
            ]
            near_ms = [each for each in ahead_ms if each <= AWAY_MS]
            far = len(ahead_ms) - len(near_ms)
            ahead = any(each > AGREES_MS for each in near_ms) or 0 < far >= len(near_ms)
            return self._behind and ahead

    def _now(self) -> int:
        wall_ms, uptime_ms = self._wall(), self._uptime()
        own_ms = uptime_ms + self._offset_ms
        jump_ms = wall_ms - own_ms
        if abs(jump_ms) <= STEP_MS or (self._behind and jump_ms > 0):
            return self._follow(wall_ms, uptime_ms, jump_ms)
        if self._doubt_since_ms is None:
            self._doubt_since_ms = uptime_ms
            log.warning("clock.in_doubt", jump_s=jump_ms // 1000)
        if self._believed(wall_ms, uptime_ms):
            return self._follow(wall_ms, uptime_ms, jump_ms)
        return own_ms

    def _believed(self, wall_ms: int, uptime_ms: int) -> bool:
        """Say whether the system's clock is right after all: by more trucks than speak for ours."""
        if wall_ms < MADE_MS:
            return False
        for_it = sum(self._votes.values())
        against = len(self._votes) - for_it
        since_ms = uptime_ms if self._doubt_since_ms is None else self._doubt_since_ms
        doubted_ms = uptime_ms - since_ms
        set_back = wall_ms < uptime_ms + self._offset_ms
        outvoted = for_it > against and doubted_ms >= (LISTEN_MS if set_back else 0)
        return outvoted or (doubted_ms >= DOUBT_MS and not against)

    def _follow(self, wall_ms: int, uptime_ms: int, jump_ms: int) -> int:
        if self._doubt_since_ms is not None:
            log.warning("clock.followed", jump_s=jump_ms // 1000)
        self._jumped = self._jumped or abs(jump_ms) > STEP_MS
        self._offset_ms = wall_ms - uptime_ms
        self._doubt_since_ms = None
        self._behind = False
        self._votes.clear()
        return wall_ms


def steady_clock(settings: Settings, database: Database) -> SteadyClock | None:
    """Give the daemon's clock, None where a demonstration asks for another than the system's."""
    if settings.clock.start is not None:
        return None
    with database.read() as conn:
        (last_ms,) = conn.execute("SELECT max(committed_ms) FROM source_position").fetchone()
    return SteadyClock(clock.wall_ms, clock.uptime_ms, last_ms=last_ms or 0)
