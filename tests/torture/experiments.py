"""The experiments by name, in a short form for every test run and in the full one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path

from tests.torture.archive_full import archive_full
from tests.torture.archive_week import archive_week
from tests.torture.bad import bad_messages
from tests.torture.big_fleet import big_fleet
from tests.torture.brokers import broker_faults, broker_gaps
from tests.torture.burst import burst, herd
from tests.torture.clocks import clock_jumps
from tests.torture.disk import disk_breaks, disk_full
from tests.torture.figures import Figure
from tests.torture.flood import duplicate_flood, shuffled
from tests.torture.impostor import impostor
from tests.torture.kills import daemon_kill
from tests.torture.locked import store_locked, store_read_long
from tests.torture.named_kills import kills_at_points
from tests.torture.network import broker_line
from tests.torture.notice_kills import notice_kill
from tests.torture.notices import notice_flapping, notice_outage, notice_storm
from tests.torture.power.backups import power_cut_backup
from tests.torture.power.errors import disk_errors
from tests.torture.power.experiment import power_cut, power_cut_normal
from tests.torture.simulation.every_call import every_call
from tests.torture.simulation.run import simulation
from tests.torture.soak import soak
from tests.torture.upkeep import backup_load, migration_kill

Run = Callable[[Path, int], Figure]

#: Samples enough for each, in simulated hours of the fleet, at rates that a slow machine bears too.
SHORT: Mapping[str, Run] = {
    "daemon_kill": partial(
        daemon_kill, protocol="5", kills=8, hours=10.0, trucks=0, rate=400.0
    ),
    "kills_at_points": partial(kills_at_points, times=1, hours=10.0, trucks=0, rate=400.0),
    "every_call": partial(every_call, step=500),
    "simulation": partial(simulation, seeds=6),
    "broker_faults": partial(broker_faults, times=2, hours=10.0, trucks=0, rate=800.0),
    "broker_gaps": partial(broker_gaps, times=2, hours=10.0, trucks=0, rate=800.0),
    "broker_line": partial(broker_line, times=1, hours=10.0, rate=500.0, keepalive_s=2),
    "archive_week": partial(archive_week, trucks=1, period_s=600),
    "clock_jumps": partial(clock_jumps, times=1, rate=60.0),
    # What a message costs depends on who else is at work: bounded only where it cannot be overlooked.
    "big_fleet": partial(big_fleet, trucks=1_000, rounds=2, idle_s=3.0, cores=1.0),
    "burst": partial(burst, usual=60.0, times=10, for_s=3.0),
    "herd": partial(herd, hours=4.0, rate=3000.0),
    # So soon after the start it is not warm: only a leak that nobody could overlook shows.
    "soak": partial(soak, hours=2.0, trucks=0, for_s=12.0, growth_per_h=0.1),
    "bad_messages": partial(bad_messages, hours=10.0, trucks=0, rate=500.0),
    "duplicate_flood": partial(duplicate_flood, times=10, hours=2.5, rate=3000.0),
    "flood_restarts": partial(
        duplicate_flood, times=100, hours=0.1, rate=3000.0, restarts=2, name="flood_restarts"
    ),
    "shuffled": partial(shuffled, times=3, hours=2.5),
    "disk_full": partial(disk_full, hours=10.0, trucks=0, rate=800.0),
    "disk_errors": partial(disk_errors, lives=2, hours=10.0, rate=100.0, every=300),
    "power_cut": partial(power_cut, samples=150, rate=200.0, lives=2, every=100),
    "store_locked": partial(store_locked, spans_s=(1.0, 6.0), hours=10.0, trucks=0, rate=200.0),
    "impostor": partial(impostor, publishes=30, at_least=90),
    "notice_outage": partial(notice_outage, trucks=30, step_s=120),
    "notice_kill": partial(notice_kill, kills=6),
    "notice_storm": partial(notice_storm, trucks=500, over_s=2),
    "notice_storm_slow": partial(notice_storm, trucks=200, over_s=45),
    "notice_flapping": partial(notice_flapping, minutes=6),
    "migration_kill": partial(migration_kill, kills=4),
    "backup_load": partial(backup_load, trucks=2, backups=2, days=2),
}

FULL: Mapping[str, Run] = {
    "daemon_kill": partial(
        daemon_kill,
        protocol="5",
        kills=500,
        hours=10.0,
        trucks=16,
        rate=60.0,
        forked=True,
    ),
    "daemon_kill_311": partial(
        daemon_kill,
        protocol="3.1.1",
        kills=50,
        hours=10.0,
        trucks=16,
        rate=60.0,
        forked=True,
    ),
    "kills_at_points": partial(kills_at_points, times=50, hours=10.0, trucks=16, rate=60.0),
    "every_call": partial(every_call, step=7),
    "simulation": partial(simulation, seeds=1000),
    "broker_faults": partial(broker_faults, times=10, hours=10.0, trucks=16, rate=800.0),
    "broker_gaps": partial(broker_gaps, times=10, hours=10.0, trucks=16, rate=800.0),
    "broker_line": partial(broker_line, times=5, hours=24.0, rate=500.0, keepalive_s=5),
    "archive_week": partial(archive_week, trucks=3, period_s=60),
    "clock_jumps": partial(clock_jumps, times=10, rate=100.0),
    "big_fleet": partial(big_fleet, trucks=100_000, rounds=2, idle_s=60.0, cores=1.5),
    "burst": partial(burst, usual=80.0, times=10, for_s=600.0),
    "herd": partial(herd, hours=8.0, rate=3000.0),
    "soak": partial(soak, hours=24.0, trucks=20, for_s=600.0, growth_per_h=0.01),
    "bad_messages": partial(bad_messages, hours=10.0, trucks=16, rate=800.0),
    "duplicate_flood": partial(duplicate_flood, times=10, hours=6.0, rate=3000.0),
    "flood_restarts": partial(
        duplicate_flood, times=100, hours=1.0, rate=3000.0, restarts=10, name="flood_restarts"
    ),
    "shuffled": partial(shuffled, times=10, hours=6.0),
    "disk_full": partial(disk_full, hours=10.0, trucks=16, rate=800.0),
    "disk_breaks": partial(disk_breaks, hours=10.0, trucks=16, rate=800.0),
    "disk_errors": partial(disk_errors, lives=15, hours=10.0, rate=60.0, every=5),
    "archive_full": partial(archive_full, samples=900, rate=400.0),
    "power_cut": partial(power_cut, samples=600, rate=400.0, lives=3, every=1),
    "power_cut_backup": partial(power_cut_backup, samples=600, rate=400.0, every=1),
    "power_cut_normal": partial(power_cut_normal, samples=600, rate=400.0, lives=2, every=10),
    "store_locked": partial(
        store_locked, spans_s=(1.0, 4.0, 10.0, 60.0, 300.0), hours=10.0, trucks=16, rate=100.0
    ),
    "store_read_long": partial(store_read_long, hours=10.0, trucks=16, rate=400.0),
    "impostor": partial(impostor, publishes=1000, at_least=330),
    "notice_outage": partial(notice_outage, trucks=200, step_s=30),
    "notice_kill": partial(notice_kill, kills=50),
    "notice_storm": partial(notice_storm, trucks=500, over_s=2),
    "notice_storm_slow": partial(notice_storm, trucks=500, over_s=45),
    "notice_flapping": partial(notice_flapping, minutes=60),
    "migration_kill": partial(migration_kill, kills=50),
    "backup_load": partial(backup_load, trucks=8, backups=10, days=4),
}
