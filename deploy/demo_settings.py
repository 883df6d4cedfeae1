"""What the demo's daemon is told, as the files that any daemon reads."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from deploy.broker import RunningBroker
from deploy.clock import ScaledClock
from deploy.demo_console import LOOPBACK, Door
from deploy.demo_people import PEOPLE
from simulator.northfold import DAY_S

STORE = "heatbook.db"
FLEET = "northfold.toml"
_PEOPLE = "people.toml"
MAX_GAP_S = 300.0
SILENT_AFTER_S = 1800.0  # a machine that stops for breath must not look like a silent gateway


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What the settings depend on; ``texts`` is the port of the stand-in for a text-message service."""

    broker: RunningBroker
    clock: ScaledClock
    door: Door
    texts: int


def write_settings(folder: Path, told: Told) -> Path:
    """Write the settings and the people file; give the settings' path. The fleet file is there."""
    (folder / _PEOPLE).write_text(PEOPLE, encoding="utf-8")
    path = folder / "heatbook.toml"
    path.write_text(_settings(folder, told), encoding="utf-8")
    return path


def _settings(folder: Path, told: Told) -> str:
    broker, clock = told.broker, told.clock
    protocol = "5" if broker.kind == "mosquitto" else "3.1.1"
    anchor = datetime.fromtimestamp(clock.anchor_ms / 1000, UTC).isoformat()
    start = datetime.fromtimestamp(clock.start_ms / 1000, UTC).isoformat()
    # A slow disk must not hold up a day that runs hundreds of times too fast; nothing here needs to last.
    return f"""
[mqtt]
host = "{broker.host}"
port = {broker.port}
protocol = "{protocol}"
[store]
path = "{folder / STORE}"
synchronous = "normal"
[models]
max_gap_s = {MAX_GAP_S}
silent_after_s = {SILENT_AFTER_S}
all_silent_after_s = {DAY_S}
[fleet]
file = "{folder / FLEET}"
[web]
bind = "{LOOPBACK}"
port = {told.door.port}
[alerts]
people = "{folder / _PEOPLE}"
[alerts.relays.text]
url = "json://{LOOPBACK}:{told.texts}/{{to}}"
form = "short"
allow_private = true
[clock]
rate = {clock.rate}
start = {start}
anchor = {anchor}
"""
