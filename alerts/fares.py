"""How the channels of a running daemon fare: a breaker each, and a line in the log per change."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from random import Random

import structlog

from alerts.breaker import CLOSED, Breaker, Phase, failed
from alerts.notice import Undelivered

log = structlog.get_logger()


class Fares:
    """The breakers by channel; each is moved by its channel's own thread alone."""

    def __init__(self, channels: Iterable[str], rng: Random) -> None:
        self._rng = rng
        self._breakers = dict.fromkeys(channels, CLOSED)
        self._disabled: set[str] = set()
        self._held_up: set[str] = set()
        self._outcomes: Counter[tuple[str, str]] = Counter()

    @property
    def breakers(self) -> Mapping[str, Breaker]:
        """Give the breaker of each channel."""
        return dict(self._breakers)

    @property
    def outcomes(self) -> Mapping[tuple[str, str], int]:
        """Give how often a try of each channel came to what, since the start."""
        return dict(self._outcomes)

    def came_to(self, channel: str, outcome: str) -> None:
        """Count what came of a try; each channel's own thread alone counts its own."""
        self._outcomes[channel, outcome] += 1

    @property
    def disabled(self) -> frozenset[str]:
        """Name the channels whose far side wants no more."""
        return frozenset(self._disabled)

    def phase(self, channel: str, now_ms: int) -> Phase:
        """Tell what may be done with a channel now."""
        if channel in self._disabled:
            return Phase.OPEN
        return self._breakers[channel].phase(now_ms)

    def rests(self, channel: str, refusal: Undelivered, now_ms: int) -> int:
        """Leave a channel alone for a while, give until when [Unix ms]."""
        before = self._breakers[channel]
        after = failed(before, now_ms, rng=self._rng, retry_after_s=refusal.retry_after_s)
        self._breakers[channel] = after
        if not before.failures:
            log.warning("channel.away", channel=channel, reason=refusal.reason)
        return after.retry_ms

    def lives(self, channel: str, now_ms: int) -> None:
        """Note that the far side answered, be it with a refusal."""
        before = self._breakers[channel]
        self._breakers[channel] = CLOSED
        if before.failures:
            away_s = (now_ms - before.since_ms) / 1000.0
            log.info("channel.back", channel=channel, tries=before.failures, away_s=away_s)

    def disable(self, channel: str, reason: str) -> None:
        """Send a channel nothing more until the next start."""
        self._disabled.add(channel)
        log.error("channel.disabled", channel=channel, reason=reason)

    def held_up(self, channel: str) -> bool:
        """Tell whether a fault of ours holds a channel up."""
        return channel in self._held_up

    def hold_up(self, channel: str, error: Exception) -> None:
        """Note that we cannot go on with a channel, and say it once."""
        if channel not in self._held_up:
            log.error("notices.held_up", channel=channel, exc_info=error)
        self._held_up.add(channel)

    def go_on(self, channel: str) -> None:
        """Note that we can go on."""
        if channel in self._held_up:
            log.info("notices.resumed", channel=channel)
        self._held_up.discard(channel)
