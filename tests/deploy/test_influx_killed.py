"""A real InfluxDB 2 is killed while it is fed and while a month is kept in it: nothing is lost or doubled."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from deploy.waiting import until
from ingest.archive import ArchiveError
from ingest.influx_archive import InfluxArchive
from ingest.influx_session import Session
from ingest.influx_tables import flux, found
from models.sample import SIGNAL_NAMES
from tests.deploy.fed import Fed, by_access
from tests.influxd import PATIENCE_S, Influxd
from tests.ingest.archives import contents
from tests.recorded import NOON_MS, climb, records, same_bytes

KILLS = 3


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Influxd]:
    made = Influxd(tmp_path)
    yield made
    made.kill()


def test_a_server_killed_while_it_is_fed_has_all_of_it_in_the_end(
    server: Influxd, tmp_path: Path
) -> None:
    fed = Fed(tmp_path, by_access(server.access, "fed", every_s=0.05, batch_points=100))
    samples = climb(6000)
    fed.feeder.start()
    waiting = [samples[start : start + 20] for start in range(0, len(samples), 20)]
    for kill in range(1, KILLS + 1):
        while len(waiting) > 300 * (KILLS - kill) // KILLS + 1:
            fed.store("NF-01", waiting.pop(0))
        assert until(lambda: fed.state.points > 0, PATIENCE_S)
        server.kill()
        fed.store("NF-01", waiting.pop(0))
        assert until(lambda: fed.state.trouble == "away", PATIENCE_S)
        server.start()
    assert until(lambda: fed.state.rows_waiting == 0, PATIENCE_S)
    assert fed.feeder.stop()
    session = Session(server.access)
    tags = {"_measurement": "samples", "vehicle": "NF-01"}
    points = found(session.query(flux("fed", first_ms=0, end_ms=2**42, tags=tags)))
    session.close()
    expected = records(samples)
    np.testing.assert_array_equal(points.times_ms, expected["time_ms"])
    for name in SIGNAL_NAMES:
        np.testing.assert_array_equal(points.column(name), expected[name])
    fed.database.close()


@pytest.mark.parametrize("after_s", [0.05, 0.3, 0.8])
def test_a_month_that_was_not_finished_does_not_count_and_is_kept_again(
    server: Influxd, after_s: float
) -> None:
    session = Session(server.access)
    session.make_bucket("archive", 0)
    archive = InfluxArchive(session, "archive")
    month = contents(records(climb(20_000, start_ms=NOON_MS)))
    killer = threading.Timer(after_s, server.kill)
    killer.start()
    told = ""
    try:
        archive.keep(month)
    except ArchiveError as error:
        told = error.mend
    finished = not told
    assert finished or "see that InfluxDB runs" in told
    killer.join()
    server.start()
    assert (list(archive.names()) == [month.name]) is finished
    archive.sweep()
    assert (list(archive.names()) == [month.name]) is finished
    archive.keep(month)
    assert same_bytes(archive.reread(month.name), month.samples)
    session.close()
