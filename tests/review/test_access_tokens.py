"""Keys of programs: RFC 6750 (Bearer), section 2.1; only a hash is kept; scopes are what was said."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from itertools import chain, combinations
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from deploy.database import Database
from models.units import METRIC
from review.access import secret, tokens
from review.access.tokens import PREFIX, TOUCH_MS, Bearer, Scope, bearer
from review.access.visitor import Role
from review.problems import Mistake
from tests.alerts.store import NOON

DAY_MS = 86_400_000


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    database = Database(tmp_path / "heatbook.db", synchronous="off")
    yield database
    database.close()


def make(database: Database, *scopes: Scope, name: str = "screen", days: float = 30) -> str:
    with database.write() as tx:
        return tokens.make(
            tx, name, scopes, by="Ines", now_ms=NOON, ends_ms=NOON + round(days * DAY_MS)
        )


def ask(database: Database, header: str | None, now_ms: int = NOON) -> Bearer | None:
    with database.read() as conn:
        return bearer(conn, header, now_ms, METRIC)


def test_only_a_hash_is_kept(database: Database) -> None:
    made = make(database)
    assert made.startswith(PREFIX)
    assert len(made) - len(PREFIX) >= 43  # 256 bits in base64
    with database.read() as conn:
        ((kept, row),) = conn.execute(
            "SELECT hash, quote(hash) || name || scopes FROM api_token"
        )
    assert kept == hashlib.sha256(made.encode()).digest()
    assert made not in row


@pytest.mark.parametrize(
    "scopes", list(chain.from_iterable(combinations(Scope, many) for many in range(4)))
)
def test_a_token_may_what_it_was_made_for_and_read(
    database: Database, scopes: tuple[Scope, ...]
) -> None:
    found = ask(database, f"Bearer {make(database, *scopes)}")
    assert found is not None
    assert found.scopes == {*scopes, Scope.READ}
    acts = bool({Scope.RECORD, Scope.ACKNOWLEDGE} & set(scopes))
    assert found.visitor.role is (Role.TECHNICIAN if acts else Role.VIEWER)
    assert found.visitor.name == "screen (token)"
    assert not found.visitor.may(Role.MANAGER)
    assert found.visitor.csrf == ""
    assert not secret.same("", found.visitor.csrf)


@pytest.mark.parametrize("scheme", ["Bearer", "bearer", "BEARER", " Bearer"])
def test_the_scheme_is_read_as_the_standard_has_it(database: Database, scheme: str) -> None:
    """RFC 9110, section 11.1: the name of a scheme in any case."""
    assert ask(database, f"{scheme} {make(database)}") is not None


def test_what_is_no_token_opens_nothing(database: Database) -> None:
    made = make(database)
    for header in (
        None,
        "",
        made,
        "Bearer",
        "Bearer ",
        f"Basic {made}",
        f"Bearer {made[:-1]}",
        f"Bearer {made}x",
        f"Bearer {made.upper()}",
        f"Bearer {PREFIX}",
        f"Bearer {made.removeprefix(PREFIX)}",
    ):
        assert ask(database, header) is None, header


@given(text=st.text())
def test_whatever_is_sent_is_no_token(
    tmp_path_factory: pytest.TempPathFactory, text: str
) -> None:
    folder = tmp_path_factory.getbasetemp() / "tokens"
    folder.mkdir(exist_ok=True)
    database = Database(folder / "heatbook.db", synchronous="off")
    assert ask(database, f"Bearer {PREFIX}{text}") is None
    database.close()


def test_a_token_ends_with_its_time_and_when_it_is_revoked(database: Database) -> None:
    short, long = make(database, days=1), make(database, name="other")
    assert ask(database, f"Bearer {short}", NOON + DAY_MS - 1) is not None
    assert ask(database, f"Bearer {short}", NOON + DAY_MS) is None
    with database.write() as tx:
        gone = tokens.revoke(tx, 2, by="Omar", now_ms=NOON)
        assert gone is not None
        assert gone.revoked_by == "Omar"
        assert tokens.revoke(tx, 2, by="Kim", now_ms=NOON) is None
        assert tokens.revoke(tx, 99, by="Kim", now_ms=NOON) is None
    assert ask(database, f"Bearer {long}") is None


def test_a_name_is_free_again_when_its_token_is_gone(database: Database) -> None:
    make(database)
    with pytest.raises(Mistake, match="there is a token named 'screen'"):
        make(database)
    with database.write() as tx:
        tokens.revoke(tx, 1, by="Ines", now_ms=NOON)
    make(database)
    for name in ("", " ", "x" * 61, "a\nb\x07"):
        with pytest.raises(Mistake, match="name the token"):
            make(database, name=name)


def test_when_it_was_used_is_written_now_and_then(database: Database) -> None:
    header = f"Bearer {make(database)}"
    times = []
    for now_ms in (NOON, NOON + 1, NOON + TOUCH_MS - 1, NOON + TOUCH_MS, NOON - DAY_MS):
        found = ask(database, header, now_ms)
        assert found is not None
        tokens.used(database, found, now_ms)
        with database.read() as conn:
            times.append(tokens.listed(conn)[0].used_ms)
    assert times == [NOON, NOON, NOON, NOON + TOUCH_MS, NOON - DAY_MS]
