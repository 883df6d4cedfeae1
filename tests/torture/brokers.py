"""The broker stopped in order, and killed, under load."""

from __future__ import annotations

from pathlib import Path
from random import Random

from deploy.waiting import until
from tests.torture.checker import Stored, compare, stored
from tests.torture.child import PATIENCE_S
from tests.torture.figures import LASTED, Figure, figure, yes
from tests.torture.ledger import Ledger, time_ms
from tests.torture.material import material
from tests.torture.rig import Rig, pause, rig

FROZEN_SHARE = 0.5
"""Share of restarts that meet a daemon which has fallen behind; every kill does."""


def broker_faults(
    folder: Path, seed: int, *, times: int, hours: float, trucks: int, rate: float
) -> Figure:
    """Stop and kill the broker; gateways that wait for the daemon's word lose nothing."""
    stock = material(seed, hours=hours, more_trucks=trucks)
    with rig(folder, stock) as parts:
        under_load = _trouble(parts, seed, times=times, rate=rate, waits=True)
        parts.settle()
        verdict = parts.verdict()
    return figure(
        "broker_faults",
        verdict,
        seed=seed,
        faults=f"{times} restarts and {times} kills of the broker",
        must={LASTED: under_load},
    )


def broker_gaps(
    folder: Path, seed: int, *, times: int, hours: float, trucks: int, rate: float
) -> Figure:
    """Do the same to gateways that do not wait: every sample lost is counted as missing."""
    stock = material(seed, hours=hours, more_trucks=trucks)
    with rig(folder, stock) as parts:
        under_load = _trouble(parts, seed, times=times, rate=rate, waits=False)
        parts.settle(all_stored=False)
        live = stored(parts.child.store)
        kept = {(name, time) for name, rows in live.rows.items() for time, _ in rows}
        verdict = compare(parts.ledger, live, parts.reference(kept), parts.notice_ids())
    wrong = [
        f"{name}: {lost} lost, {live.missing.get(name)} counted as missing"
        for name, lost in _lost(parts.ledger, live).items()
        if lost != live.missing.get(name)
    ]
    counted = sum(live.missing.values())
    line = (
        f"torture.broker_gaps: {times} restarts and {times} kills of the broker, "
        f"{verdict.samples} samples of gateways that do not wait, {verdict.lost} lost, "
        f"{counted} counted as missing, {len(wrong)} trucks miscounted, {verdict.doubled} "
        f"doubled, accounts equal to a run of what is stored: {yes(verdict.accounts_equal)}, "
        f"seed {seed}"
    )
    # Without a loss the experiment would have shown nothing.
    counted_all = verdict.lost > 0 and not wrong and not verdict.doubled
    fine = under_load and counted_all and verdict.accounts_equal
    return Figure(line=line, fine=fine, problems=(*wrong, *verdict.problems))


def _lost(ledger: Ledger, live: Stored) -> dict[str, int]:
    found = {}
    for name, truck in ledger.trucks.items():
        kept = {time for time, _ in live.rows.get(name, [])}
        found[name] = sum(time_ms(sample) not in kept for sample in truck.samples.values())
    return found


def _let_messages_come(parts: Rig, rng: Random) -> None:
    """Wait until the broker has acknowledged some more, while the daemon is frozen."""
    wanted = parts.ledger.acknowledged + rng.randrange(20, 200)
    until(lambda: parts.ledger.acknowledged >= wanted, PATIENCE_S)


def _trouble(parts: Rig, seed: int, *, times: int, rate: float, waits: bool) -> bool:
    """Stop and kill the broker in a random order; say whether samples came all the while."""
    rng = Random(f"{seed}/broker/{waits}")
    child, broker = parts.child, parts.broker
    parts.listen()
    gateways = parts.load(seed, rate=rate, waits=waits)
    known = "SELECT count(*) FROM vehicle"
    child.wait_for(
        lambda: child.count(known) == len(parts.material.vehicles), "every truck to be heard"
    )
    faults = [broker.stop] * times + [broker.kill] * times
    rng.shuffle(faults)
    for fault in faults:
        before = child.messages
        frozen = fault == broker.kill or rng.random() < FROZEN_SHARE
        if frozen:
            child.freeze()
            _let_messages_come(parts, rng)
        fault()
        pause(rng.uniform(0.0, 0.3), lambda: child.running)
        broker.start()
        if frozen:
            # After a kill the broker knows of no session and forgets what it acknowledges now.
            _let_messages_come(parts, rng)
            child.thaw()
        child.wait_for(lambda before=before: child.messages > before, "a commit")  # type: ignore[misc]
        pause(rng.uniform(0.0, 1.0), lambda: child.running)
    before = child.messages
    child.wait_for(lambda: child.messages > before, "a commit after the last fault")
    return gateways.at_work
