"""What ``heatbook check`` says of the machine, on real folders, ports and files."""

from __future__ import annotations

import socket
from collections.abc import Mapping
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import trustme

from deploy.broker_check import Finding
from deploy.clock import wall_ms
from deploy.database import Database
from deploy.health_server import HealthServer, Pages
from deploy.observe_sections import Health
from deploy.own_findings import own_findings
from deploy.settings import Loaded, Settings
from deploy.waiting import until
from tests.alerts.far_side import free_port

EVERYBODY = "0.0.0.0"  # noqa: S104 - what is warned of


def found(folder: Path, **tables: Mapping[str, Any]) -> list[Finding]:
    # By limits that any machine the tests run on meets.
    given = {
        "store": {"path": folder / "heatbook.db"},
        "watch": {"disk_short_mb": 1.0, "disk_urgent_mb": 1.0},
        **tables,
    }
    loaded = Loaded(settings=Settings.model_validate(given), file=None)
    return list(own_findings(loaded))


def bad(findings: list[Finding]) -> list[tuple[str, str]]:
    return [(each.level, each.what) for each in findings if each.level != "good"]


def test_of_a_sound_machine_nothing_is_wrong(tmp_path: Path) -> None:
    findings = found(tmp_path, health={"port": free_port()})
    assert bad(findings) == []
    said = " ".join(each.what for each in findings)
    for words in ("B left for the store", "clock: reads 20", "is free", "log: lines on"):
        assert words in said


def test_too_little_room_is_said_as_the_daemon_would(tmp_path: Path) -> None:
    short = {"disk_short_mb": 1e9, "disk_urgent_mb": 1.0}
    ((level, what),) = bad(found(tmp_path, watch=short))
    assert (level, what.split(":")[0]) == ("caution", "Little room on the disk of the store")
    urgent = {"disk_short_mb": 1e9, "disk_urgent_mb": 1e9}
    ((level, _),) = bad(found(tmp_path, watch=urgent))
    assert level == "fault"


def test_a_folder_that_is_none_is_a_fault(tmp_path: Path) -> None:
    (tmp_path / "archive").write_text("a file")
    (one,) = bad(found(tmp_path))
    assert one == (
        "fault",
        f"{tmp_path / 'archive'}, for the archive, cannot be written by this user",
    )


def test_a_clock_behind_the_store_is_a_fault(tmp_path: Path) -> None:
    database = Database(tmp_path / "heatbook.db")
    with database.write() as tx:
        ahead_ms = wall_ms() + 3 * 3_600_000
        tx.execute("INSERT INTO source_position VALUES ('mqtt', 1, ?)", (ahead_ms,))
    database.close()
    ((level, what),) = bad(found(tmp_path))
    assert level == "fault"
    assert "3 hours earlier than when samples were written last" in what


def test_a_certificate_that_ends_soon_is_said(tmp_path: Path) -> None:
    file = tmp_path / "ca.pem"
    authority = trustme.CA()
    ends = datetime.now(UTC) + timedelta(days=20)
    authority.issue_cert("broker.example", not_after=ends).cert_chain_pems[0].write_to_path(
        file
    )
    mqtt = {"host": "broker.example", "tls": {"ca_file": str(file)}}
    ((level, what),) = bad(found(tmp_path, mqtt=mqtt))
    assert level == "caution"
    assert "mqtt.tls.ca_file in 20 days" in what


def test_a_backup_that_is_missing_is_said_where_backups_are_made(tmp_path: Path) -> None:
    Database(tmp_path / "heatbook.db").close()
    assert bad(found(tmp_path)) == []
    ((level, what),) = bad(found(tmp_path, backup={"folder": str(tmp_path / "backups")}))
    assert (level, what.split(":")[0]) == ("caution", "There is no backup")


def test_a_port_that_another_has_is_a_fault_and_ours_is_not(tmp_path: Path) -> None:
    port = free_port()
    with closing(socket.create_server(("127.0.0.1", port))):
        ((level, what),) = bad(found(tmp_path, health={"port": port}))
        assert (level, what) == (
            "fault",
            f"health: 127.0.0.1 port {port}: Address already in use",
        )
    server = HealthServer(Health(port=port), Pages(checks={"/livez": tuple}, figures=bytes))
    server.start()

    def ours() -> bool:
        return any("the daemon answers there" in each.what for each in _of(tmp_path, port))

    assert until(ours, 15.0)
    server.stop()


def _of(folder: Path, port: int) -> list[Finding]:
    return found(folder, health={"port": port})


def test_console_and_health_cannot_share_a_port(tmp_path: Path) -> None:
    ((level, what),) = bad(found(tmp_path, health={"port": 8480}, web={}))
    assert (level, what) == ("fault", "health: 127.0.0.1 port 8480 is that of [web] too")


def test_figures_for_everybody_and_a_log_of_errors_alone_are_cautions(tmp_path: Path) -> None:
    findings = found(
        tmp_path, health={"bind": EVERYBODY, "port": free_port()}, log={"level": "error"}
    )
    assert [level for level, _ in bad(findings)] == ["caution", "caution"]


def test_a_bind_that_is_no_address_is_a_fault(tmp_path: Path) -> None:
    (level, what), *_ = bad(found(tmp_path, health={"bind": "nowhere here", "port": 9480}))
    assert (level, what) == ("fault", "health: nowhere here port 9480: no address of that name")
