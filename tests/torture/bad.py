"""A thousand bad messages among good ones: each is set aside, none harms its neighbours."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Sequence
from pathlib import Path

from deploy.database import read_only
from ingest import quarantine
from tests.bad_payloads import BadPayload, bad_payloads
from tests.brokers import ChildBroker, peer
from tests.torture.checker import Stored, stored
from tests.torture.child import COMMAND, PATIENCE_S
from tests.torture.figures import Figure, yes
from tests.torture.material import material, only
from tests.torture.rig import NOW_MS, USUAL_FILTERS, Rig, rig

BAD_TRUCK = "NF-01"
LAST_TOPIC, LAST = "fleet/NF-01/telemetry", b"the last of the bad ones"
LAST_KEPT = (
    "SELECT count(*) FROM quarantine WHERE raw = CAST('the last of the bad ones' AS BLOB)"
)
ARRIVED = (
    "SELECT count(*) FROM journal JOIN vehicle ON vehicle.id = vehicle_id WHERE name = 'NF-01'"
)


def bad_messages(folder: Path, seed: int, *, hours: float, trucks: int, rate: float) -> Figure:
    """Send all bad messages that MQTT can carry while the other trucks drive."""
    cases = [bad for bad in bad_payloads(NOW_MS, BAD_TRUCK) if _carried(bad.topic)]
    stock = material(seed, hours=hours, more_trucks=trucks)
    stock = only(stock, [name for name in stock.vehicles if name != BAD_TRUCK])
    more = f"[quarantine]\nmax_rows = {10 * len(cases)}\nmax_mb = 256\n"
    # The clock all but stands still, so that what is in the future stays there.
    with rig(folder, stock, rate=0.001, more=more, filters=_filters(cases)) as parts:
        parts.listen()
        gateways = parts.load(seed, rate=rate, waits=True)
        child = parts.child
        child.wait_for(lambda: child.messages > 0, "a first commit")
        with peer(ChildBroker(parts.broker)) as sender:
            infos = [sender.post(bad.topic, bad.payload) for bad in cases]
            child.wait_for(lambda: all(info.is_published() for info in infos), "the acks")
            # One message can be refused in many places, so a count does not tell that all were
            # taken; what one sender publishes keeps its order, so the last one does.
            sender.publish(LAST_TOPIC, LAST)
        child.wait_for(lambda: child.count(LAST_KEPT) == 1, "the last refusal")
        under_load = gateways.at_work
        wrong = _not_kept(child.store, cases)
        handled = _handle_by_hand(parts)
        parts.settle(all_stored=False)
        live, reference = stored(child.store), parts.reference()
    equal = _others(live) == _others(reference)
    line = (
        f"torture.bad_messages: {len(cases)} bad messages among {parts.ledger.recorded} good "
        f"samples, {len(wrong)} not in quarantine under their reason and field, "
        f"{live.refused} refusals in all, other trucks' accounts equal: {yes(equal)}, "
        f"list, show, reingest, drop beside the daemon: {yes(not handled)}, seed {seed}"
    )
    fine = under_load and equal and not wrong and not handled
    return Figure(line=line, fine=fine, problems=(*wrong[:10], *handled))


def _carried(topic: str) -> bool:
    """Say whether a message can be published to this topic at all (MQTT 3.1.1, section 4.7)."""
    return bool(topic) and topic.isprintable() and not set("+#") & set(topic)


def _filters(cases: Sequence[BadPayload]) -> tuple[str, ...]:
    """Subscribe to the odd topics one by one, beside what a daemon usually hears."""
    odd = dict.fromkeys(bad.topic for bad in cases if not _usual(bad.topic))
    return (*USUAL_FILTERS, *odd)


def _usual(topic: str) -> bool:
    levels = topic.split("/")
    return len(levels) == 3 and levels[0] == "fleet" and levels[2] in ("telemetry", "status")


def _not_kept(store: Path, cases: Sequence[BadPayload]) -> list[str]:
    """List the bad messages that the quarantine does not hold under their reason and field."""
    held: dict[tuple[str, str, str], list[bytes]] = {}
    with read_only(store) as conn:
        for topic, reason, field, raw in conn.execute(
            "SELECT topic, reason, field, raw FROM quarantine"
        ):
            held.setdefault((topic, reason, field), []).append(raw)
    return [
        f"{bad.topic[:60]} {bad.payload[:80]!r}: {bad.reason} ({bad.field})"
        for bad in cases
        if not any(
            raw in bad.payload for raw in held.get((bad.topic, bad.reason, bad.field), ())
        )
    ]


def _others(found: Stored) -> dict[str, tuple[int, bytes]]:
    return {name: state for name, state in found.states.items() if name != BAD_TRUCK}


def _handle_by_hand(parts: Rig) -> list[str]:
    """List, show, put in again mended, and drop, through the command line; say what went wrong."""
    child, wrong = parts.child, []
    with read_only(child.store) as conn:
        hot, other = conn.execute(
            "SELECT id FROM quarantine WHERE reason = 'out_of_range' ORDER BY id LIMIT 2"
        ).fetchall()
    listed = _run(parts, "list", "--reason", "out_of_range", "--limit", "500")
    if str(hot[0]) not in listed or "out_of_range" not in listed:
        wrong.append(f"list does not name entry {hot[0]}: {listed[-500:]}")
    if "out_of_range" not in _run(parts, "show", str(hot[0])):
        wrong.append("show does not say why")
    mended = json.dumps({"time": NOW_MS // 1000, "fluid_temp_c": 91.25}).encode()
    _run(parts, "reingest", str(hot[0]), "--payload", "-", given=mended)
    child.wait_for(lambda: child.count(ARRIVED) == 1, "the mended sample in its account")
    if "1 of 1 dropped" not in _run(parts, "drop", str(other[0])):
        wrong.append("drop does not drop")
    with read_only(child.store) as conn:
        left = [one for one in (hot[0], other[0]) if quarantine.show(conn, one) is not None]
    if left:
        wrong.append(f"still in quarantine: {left}")
    return wrong


def _run(parts: Rig, *words: str, given: bytes = b"") -> str:
    done = subprocess.run(  # noqa: S603 - our own command
        [*COMMAND, "quarantine", words[0], "--config", str(parts.child.config), *words[1:]],
        input=given,
        capture_output=True,
        check=False,
        timeout=PATIENCE_S,
    )
    assert done.returncode == 0, done.stderr.decode()
    return done.stdout.decode()
