"""A real InfluxDB 2 for tests, where there is one.

A server named by ``HEATBOOK_TEST_INFLUX_URL``, ``_TOKEN`` and ``_ORG``; else the official image where a
Docker engine answers. Debian and the package registries carry no InfluxDB 2, so that elsewhere these tests
skip; ``tests/ingest/test_influx_lines.py`` has what other servers can say.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from itertools import count
from secrets import token_hex

import pytest
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.domain.permission import Permission
from influxdb_client.domain.permission_resource import PermissionResource

from deploy.waiting import until
from ingest.influx_session import Access, Session, Trouble
from tests.brokers import docker_answers

URL, TOKEN, ORG = (f"HEATBOOK_TEST_INFLUX_{each}" for each in ("URL", "TOKEN", "ORG"))

IMAGE = "influxdb:2.7.12"

PATIENCE_S = 90.0

_NUMBERS = count(1)

_RUNNING: list[object] = []
"""The container, which ends with the tests and not when nobody names it any more."""


@cache
def influx_access() -> Access | None:
    """Give a real server, or None; a container lives as long as the tests."""
    if os.environ.get(URL):
        return Access(
            url=os.environ[URL],
            org=os.environ.get(ORG, "heatbook"),
            token=os.environ.get(TOKEN, ""),
            timeout_s=60.0,
        )
    return _container()


def need_influx() -> Access:
    """Give a real server; skip where there is none."""
    access = influx_access()
    if access is None:
        pytest.skip(f"needs an InfluxDB 2: name one by {URL}, {TOKEN}, {ORG}, or run Docker")
    return access


@contextmanager
def bucket(keep_s: int = 0) -> Iterator[tuple[Session, str]]:
    """Give a session, and a bucket that is there as long as the context."""
    session = Session(need_influx())
    name = f"test-{os.getpid()}-{next(_NUMBERS)}-{token_hex(4)}"
    session.make_bucket(name, keep_s)
    try:
        yield session, name
    finally:
        session.drop_bucket(name)
        session.close()


def narrow_token(access: Access, name: str) -> str:
    """Make a token that may read and write one bucket, and nothing else."""
    client = InfluxDBClient(access.url, access.token, org=access.org)
    with client:
        (org,) = client.organizations_api().find_organizations(org=access.org)
        found = client.buckets_api().find_bucket_by_name(name)
        permissions = [
            Permission(
                action=action,
                resource=PermissionResource(type="buckets", id=found.id, org_id=org.id),
            )
            for action in ("read", "write")
        ]
        made = client.authorizations_api().create_authorization(org.id, permissions)
        return str(made.token)


def _container() -> Access | None:
    if not docker_answers():
        return None
    from testcontainers.core.container import DockerContainer  # noqa: PLC0415 - warns on import

    token = token_hex(16)
    told = {"MODE": "setup", "USERNAME": "northfold", "PASSWORD": token_hex(8)}
    told |= {"ORG": "northfold", "BUCKET": "first", "ADMIN_TOKEN": token}
    container = DockerContainer(IMAGE).with_exposed_ports(8086)
    for key, value in told.items():
        container = container.with_env(f"DOCKER_INFLUXDB_INIT_{key}", value)
    container.start()
    _RUNNING.append(container)
    host, port = container.get_container_host_ip(), container.get_exposed_port(8086)
    access = Access(url=f"http://{host}:{port}", org="northfold", token=token, timeout_s=60.0)
    assert until(lambda: _set_up(access), PATIENCE_S)
    return access


def _set_up(access: Access) -> bool:
    """Say whether the server has its first bucket: the image starts it twice until it has."""
    session = Session(access)
    try:
        return session.keep_s("first") is not None
    except Trouble:
        return False
    finally:
        session.close()
