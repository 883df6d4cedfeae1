"""The line to the broker slow, cut, reset, damaged or half-open; the broker frozen."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from random import Random

from deploy.waiting import until
from tests.brokers import ChildBroker
from tests.torture.child import PATIENCE_S
from tests.torture.figures import LASTED, Figure, figure
from tests.torture.material import material
from tests.torture.proxy import Manners, Proxy, bad_line
from tests.torture.rig import Rig, pause, rig

NOTICED = 2.0
"""A dead line is noticed within so many keep-alive spans: one until the question is due, one for its
answer (MQTT 5.0, section 3.1.2.10, lets the client choose; this is what paho does)."""

GENEROUS = 2.0
"""How much longer than that it may take on a machine that does other things too."""

SLOW = Manners(delay_s=0.3)
THROTTLED = Manners(bytes_per_s=20_000.0)


@dataclass(slots=True)
class Times:
    """How long each silent death took to be noticed, and until it was mended [s]."""

    noticed_s: list[float]
    back_s: list[float]


def broker_line(
    folder: Path, seed: int, *, times: int, hours: float, rate: float, keepalive_s: int
) -> Figure:
    """Put each fault on the line so many times, in a random order, under load."""
    rng = Random(f"{seed}/line")
    stock = material(seed, hours=hours)
    found = Times([], [])
    with rig(folder, stock, line=lambda broker: bad_line(broker.host, broker.port, rng),
             keepalive_s=keepalive_s) as parts:  # fmt: skip
        parts.listen()
        gateways = parts.load(seed, rate=rate, waits=True)
        parts.child.wait_for(lambda: parts.child.messages > 0, "a first commit")
        faults = [_slow, _throttled, _cut, _reset, _flip, _half_open, _frozen] * times
        rng.shuffle(faults)
        for fault in faults:
            fault(parts, found, rng)
            _goes_on(parts)
        under_load = gateways.at_work
        flipped = _proxy(parts).flipped
        parts.settle()
        verdict = parts.verdict()
        crashes = parts.child.log.count("network.crashed")
    limit_s = NOTICED * GENEROUS * keepalive_s
    return figure(
        "broker_line",
        verdict,
        seed=seed,
        faults=(
            f"{times} times each: slow, throttled, cut, reset, damaged, half-open, frozen; "
            f"keep-alive {keepalive_s} s, dead lines noticed after at most "
            f"{max(found.noticed_s):.1f} s, back after at most {max(found.back_s):.1f} s"
        ),
        also=f"{flipped} bytes damaged, {crashes} deaths of the network thread, each replaced",
        must={
            LASTED: under_load,
            "some bytes were damaged": flipped > 0,
            f"a dead line noticed within {limit_s:.0f} s": max(found.noticed_s) <= limit_s,
        },
    )


def _proxy(parts: Rig) -> Proxy:
    assert parts.line is not None
    return parts.line


def _goes_on(parts: Rig) -> None:
    before = parts.child.messages
    parts.child.wait_for(lambda: parts.child.messages > before, "a commit after the fault")


def _slow(parts: Rig, _found: Times, rng: Random) -> None:
    _for_a_while(parts, SLOW, rng)


def _throttled(parts: Rig, _found: Times, rng: Random) -> None:
    _for_a_while(parts, THROTTLED, rng)


def _for_a_while(parts: Rig, manners: Manners, rng: Random) -> None:
    proxy = _proxy(parts)
    proxy.manners = manners
    _goes_on(parts)
    pause(rng.uniform(0.2, 0.8), lambda: parts.child.running)
    proxy.manners = Manners()


def _cut(parts: Rig, _found: Times, _rng: Random) -> None:
    _ended(parts, _proxy(parts).cut)


def _reset(parts: Rig, _found: Times, _rng: Random) -> None:
    _ended(parts, _proxy(parts).reset)


def _ended(parts: Rig, act: Callable[[], None]) -> None:
    before = _proxy(parts).accepted
    act()
    parts.child.wait_for(lambda: _proxy(parts).accepted > before, "another connection")


def _flip(parts: Rig, _found: Times, _rng: Random) -> None:
    proxy = _proxy(parts)
    before = proxy.flipped
    proxy.flip()
    parts.child.wait_for(lambda: proxy.flipped > before, "a damaged byte")


def _half_open(parts: Rig, found: Times, _rng: Random) -> None:
    proxy = _proxy(parts)
    before, began = proxy.accepted, time.monotonic()
    proxy.deaden()
    _note(parts, found, before, began)


def _frozen(parts: Rig, found: Times, _rng: Random) -> None:
    proxy, broker = _proxy(parts), ChildBroker(parts.broker)
    before, began = proxy.accepted, time.monotonic()
    broker.freeze()
    try:
        until(lambda: proxy.accepted > before, PATIENCE_S)
    finally:
        broker.thaw()
    _note(parts, found, before, began)


def _note(parts: Rig, found: Times, before: int, began: float) -> None:
    """Note when the daemon gave the line up, which shows in its next connection, and came back."""
    proxy, child = _proxy(parts), parts.child
    child.wait_for(lambda: proxy.accepted > before, "the dead line to be noticed")
    # The first of them: a frozen broker lets some more go by in vain.
    found.noticed_s.append(proxy.times[before] - began)
    messages = child.messages
    child.wait_for(lambda: child.messages > messages, "a commit after the dead line")
    found.back_s.append(time.monotonic() - began)
