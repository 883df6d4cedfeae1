"""Real mosquitto with exactly the settings that ship; only paths and ports are other ones."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from deploy.broker import RunningBroker, answers, free_port, start_broker
from deploy.waiting import until
from tests.brokers import PATIENCE_S, ChildBroker

SHIPPED = Path(__file__).resolve().parents[2] / "deploy" / "mosquitto"

OBSERVER = "\nuser observer\ntopic read #\n"
"""A reader of everything, added to the access list for tests: it sees what must not come through."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShippedBroker:
    """A broker with two listeners: one for trucks, one for the daemon."""

    running: RunningBroker
    house_port: int
    lines: tuple[str, ...]

    @property
    def trucks(self) -> ChildBroker:
        """The listener for trucks."""
        return ChildBroker(self.running)

    @property
    def house(self) -> ChildBroker:
        """The listener for the daemon."""
        found = ChildBroker(self.running)
        found.port = self.house_port
        return found


def profile(kind: str, places: dict[str, Path], *, house_port: int, acl: Path) -> list[str]:
    """Give the lines below the first listener line, with the paths of this machine.

    The launcher itself says the first listener and where the broker keeps its state: said twice,
    mosquitto does not start.
    """
    text = (SHIPPED / f"heatbook-{kind}.conf").read_text()
    text += (SHIPPED / "heatbook.conf").read_text()
    for name, here in (*places.items(), ("/etc/mosquitto/heatbook.acl", acl)):
        assert name in text, name
        text = text.replace(name, str(here))
    assert "/etc/" not in "".join(
        line for line in text.splitlines() if not line.startswith("#")
    )
    before, listener, after = text.partition("listener 8883\n")
    assert listener
    assert not [line for line in before.splitlines() if line and not line.startswith("#")]
    assert after.count("listener 8884 127.0.0.1\n") == 1
    return after.replace("listener 8884 ", f"listener {house_port} ").splitlines()


@contextmanager
def shipped_broker(
    folder: Path, kind: str, places: dict[str, Path], *, without: str = ""
) -> Iterator[ShippedBroker]:
    """Start it; ``without``: leave lines out that begin so, to see what they are for."""
    folder.mkdir(parents=True, exist_ok=True)
    acl = folder / "acl"
    acl.write_text((SHIPPED / "acl").read_text() + OBSERVER)
    house_port = free_port()
    lines = profile(kind, places, house_port=house_port, acl=acl)
    if without:
        kept = [line for line in lines if not line.startswith(without)]
        assert len(kept) < len(lines), without
        lines = kept
    running = start_broker("mosquitto", directory=folder, lines=lines)
    try:
        # The launcher has waited for the first listener alone.
        assert until(lambda: answers(running.host, house_port), PATIENCE_S)
        yield ShippedBroker(running=running, house_port=house_port, lines=tuple(lines))
    finally:
        running.kill()
