"""From a level to an event: on-delay, off-delay, rise in priority."""

from __future__ import annotations

from models.compiled import compiled
from models.layout import Layout


class Presence(Layout):
    """State: the priority that stands, and the one that is on its way."""

    standing: int
    onset_ms: int
    wanted: int
    wanted_ms: int
    gone_ms: int


@compiled
def settle(
    presence: Presence,
    priority: int,
    now_ms: int,
    continuous: bool,
    on_delay_s: float,
    off_delay_s: float,
) -> int:
    """Take the level of one sample; say whether something changes for a person.

    Parameters
    ----------
    presence
        Changed in place.
    priority
        What the detector says at this sample, 0 for nothing.
    now_ms
        Time of the sample [ms].
    continuous
        False when this sample ended a gap: an on-delay does not run through what was not seen.
    on_delay_s, off_delay_s
        Delays [s] (IEC 62682: on-delay and off-delay).

    Returns
    -------
    int
        Positive: active from now on with that priority. -1: back to normal. 0: no change.
    """
    if priority > presence.standing:
        presence.gone_ms = 0
        if presence.wanted == 0 or not continuous:
            presence.wanted_ms = now_ms
            presence.wanted = priority
        # The least priority held throughout the delay is the one that is sure.
        presence.wanted = min(presence.wanted, priority)
        if now_ms - presence.wanted_ms >= on_delay_s * 1000.0:
            if presence.standing == 0:
                presence.onset_ms = now_ms
            presence.standing = presence.wanted
            presence.wanted = 0
            return presence.standing
        return 0
    presence.wanted = 0
    if presence.standing == 0:
        return 0
    if priority > 0:
        presence.gone_ms = 0
        return 0
    if presence.gone_ms == 0:
        presence.gone_ms = now_ms
    # After a gap there is nothing left to wait for: the truck stood, and the condition is gone.
    if not continuous or now_ms - presence.gone_ms >= off_delay_s * 1000.0:
        presence.standing = 0
        presence.gone_ms = 0
        return -1
    return 0
