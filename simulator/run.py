"""Simulate a fleet against a broker, at a chosen speed, or straight into a capture."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path

from simulator.capture import Out, labels, line, open_capture, write_capture
from simulator.gateway import Outgoing
from simulator.northfold import DAY_S, START_MS, northfold
from simulator.plan import Fleet, fleet_toml
from simulator.publish import Broker, Connected, Network
from simulator.random_fleet import random_fleet
from simulator.rig import Rig

TICK_S = 0.5
"""Wall time between sends [s]: two messages a second and truck at most, but for a backlog."""

GOODBYE_S = 5.0
"""Longest wait for the broker to take the last messages [s]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulateOptions:
    """What to simulate and where to send it.

    ``trucks`` of nought is the Northfold fleet, else that many random ones. Without a broker
    the capture is written as fast as it goes. ``duration_s`` is simulated time, ``for_seconds``
    wall time.
    """

    broker: Broker | None = field(default_factory=Broker)
    speed: float = 1.0
    start_ms: int = START_MS
    trucks: int = 0
    seed: int = 1
    for_seconds: float | None = None
    duration_s: float | None = None
    capture: Path | None = None
    labels: Path | None = None
    fleet_file: Path | None = None
    wait_for_received: bool = True
    shared_connection: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Simulated:
    """What a run did."""

    messages: int
    samples: int
    simulated_s: float
    kept: int  # samples never confirmed as received


def chosen_fleet(options: SimulateOptions) -> Fleet:
    """Return the fleet that the options ask for."""
    fleet = northfold() if options.trucks <= 0 else random_fleet(options.seed, options.trucks)
    if options.wait_for_received:
        return fleet
    plans = tuple(
        replace(plan, gateway=replace(plan.gateway, waits=False)) for plan in fleet.plans
    )
    return replace(fleet, plans=plans)


def run(
    options: SimulateOptions,
    *,
    clock: Callable[[], float],
    sleep: Callable[[float], None],
    stop: threading.Event | None = None,
    fleet: Fleet | None = None,
    began: float | None = None,
) -> Simulated:
    """Simulate until told to stop or the time is up.

    ``clock`` is monotonic seconds; ``began`` is its reading at which ``start_ms`` holds (now,
    unless given), so that others may share the simulated time.
    """
    fleet = fleet or chosen_fleet(options)
    if options.fleet_file is not None:
        options.fleet_file.write_text(fleet_toml(fleet), encoding="utf-8")
    if options.labels is not None:
        options.labels.write_bytes(b"".join(labels(fleet, start_ms=options.start_ms)))
    if options.broker is None:
        return _straight(options, fleet)
    with ExitStack() as stack:
        out = stack.enter_context(open_capture(options.capture)) if options.capture else None
        live = Live(options, fleet, options.broker, out)
        stack.callback(live.network.close)
        start = clock() if began is None else began
        return live.follow(clock, sleep, stop or threading.Event(), start)


def _straight(options: SimulateOptions, fleet: Fleet) -> Simulated:
    if options.capture is None:
        raise ValueError("nothing to do: neither a broker nor a capture is given")
    duration_s = options.duration_s
    if duration_s is None:
        wall = options.for_seconds
        duration_s = float(DAY_S) if wall is None else wall * options.speed
    written = write_capture(
        fleet,
        options.capture,
        start_ms=options.start_ms,
        duration_s=duration_s,
        seed=options.seed,
    )
    return Simulated(
        messages=written.messages, samples=written.samples, simulated_s=duration_s, kept=0
    )


class Live:
    """A fleet on a broker."""

    def __init__(
        self, options: SimulateOptions, fleet: Fleet, broker: Broker, out: Out | None
    ) -> None:
        self._options = options
        self._out = out
        self._messages = 0
        self._rigs = {
            plan.vehicle: Rig(plan, start_ms=options.start_ms, seed=options.seed)
            for plan in fleet.plans
        }
        self.network = Network(
            broker,
            [(name, rig.gateway.will(options.start_ms)) for name, rig in self._rigs.items()],
            shared=options.shared_connection,
        )

    def follow(
        self,
        clock: Callable[[], float],
        sleep: Callable[[float], None],
        stop: threading.Event,
        began: float,
    ) -> Simulated:
        """Keep up: each tick goes to where the clock is, so lateness never adds up."""
        options = self._options
        first = clock()
        elapsed_s = 0.0
        done = False
        while not done and not stop.is_set():
            sleep(TICK_S - (clock() - first) % TICK_S)
            now = clock()
            elapsed_s = max((now - began) * options.speed, 0.0)
            if options.duration_s is not None and elapsed_s >= options.duration_s:
                elapsed_s, done = options.duration_s, True
            if options.for_seconds is not None and now - first >= options.for_seconds:
                done = True
            self._tick(options.start_ms + round(1000.0 * elapsed_s), now)
        self._say_goodbye(options.start_ms + round(1000.0 * elapsed_s), clock, sleep)
        return Simulated(
            messages=self._messages,
            samples=sum(rig.samples for rig in self._rigs.values()),
            simulated_s=elapsed_s,
            kept=sum(len(rig.gateway.backlog) for rig in self._rigs.values()),
        )

    def _tick(self, now_ms: int, clock_s: float) -> None:
        self._listen(clock_s)
        for vehicle, rig in self._rigs.items():
            rig.advance(now_ms)
            if self.network.up(vehicle):
                for message in rig.messages(now_ms, clock_s):
                    self._publish(vehicle, message)

    def _listen(self, clock_s: float) -> None:
        for event in self.network.events():
            if isinstance(event, Connected):
                for vehicle in event.vehicles:
                    for message in self._rigs[vehicle].gateway.reconnected():
                        self._publish(vehicle, message)
            elif event.vehicle in self._rigs:
                self._rigs[event.vehicle].gateway.received(event.seq, clock_s, event.time_ms)

    def _publish(self, vehicle: str, message: Outgoing) -> None:
        self.network.publish(vehicle, message)
        self._messages += 1
        if self._out is not None:
            self._out.write(line(message))

    def _say_goodbye(
        self, now_ms: int, clock: Callable[[], float], sleep: Callable[[float], None]
    ) -> None:
        for vehicle, rig in self._rigs.items():
            if self.network.up(vehicle):
                for message in rig.gateway.switch_off(now_ms, clock()):
                    self._publish(vehicle, message)
        until = clock() + GOODBYE_S
        while self.network.pending and clock() < until:
            sleep(0.02)
        self._listen(clock())
