"""An InfluxDB 2 server as this project uses it: what it did, or why it did not.

Writes are synchronous: the client's batching mode loses what it holds, without an error, when the process
dies or the server stays away. The client's errors are of many kinds; here they become ``Trouble`` of three.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import Any, Final, Literal, TypeVar

from influxdb_client.client.exceptions import InfluxDBError
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.domain.bucket_retention_rules import BucketRetentionRules
from influxdb_client.domain.dialect import Dialect
from influxdb_client.domain.write_precision import WritePrecision
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError, LocationParseError
from urllib3.exceptions import TimeoutError as NoAnswer

Kind = Literal["away", "settings", "refused"]

LONGEST_WAIT_S = 3600.0
"""A server that asks for a longer rest than this is asked again after it all the same [s]."""

LONGEST_REASON = 300

_Answer = TypeVar("_Answer")

_REFUSED = (400, 413, 422)
_BUSY = (408, 429)

_CONFLICT = "field type conflict"
"""What is wrong with a point, though InfluxDB 2.7.11 answers it with 500 (seen) where 422 is documented."""


class Trouble(Exception):
    """What a server did not do.

    ``away``: it may do it later (down, slow, busy). ``settings``: it will not before somebody mends address,
    token, organisation or bucket. ``refused``: it does not take what was sent.
    """

    def __init__(self, kind: Kind, reason: str, *, wait_s: float = 0.0) -> None:
        super().__init__(reason)
        self.kind: Final = kind
        self.reason: Final = reason
        self.wait_s: Final = wait_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Access:
    """Where a server is and how to get in."""

    url: str
    org: str
    token: str
    timeout_s: float = 10.0
    gzip: bool = True
    ca_file: Path | None = None


class Session:
    """Talks to one server; may be shared by threads."""

    def __init__(self, access: Access) -> None:
        self.access: Final = access
        # Answers are large and from nearby: packing them costs the server more than it spares.
        self._client = _client(access, gzip=False)
        self._writing = _client(access, gzip=access.gzip)
        self._writer: Any = self._writing.write_api(write_options=SYNCHRONOUS)

    def close(self) -> None:
        """Let go of its connections."""
        self._writer.close()
        self._writing.close()
        self._client.close()
        # The client ends what it has ended once more when it is collected: not when Python itself ends.
        self._writer = self._writing = self._client = None

    def write(self, bucket: str, body: bytes) -> None:
        """Write lines with times in ms; on return the server has them."""
        self._ask(
            lambda: self._writer.write(bucket, record=body, write_precision=WritePrecision.MS)
        )

    def query(self, flux: str) -> bytes:
        """Give the answer to a Flux query as CSV with a header."""
        dialect = Dialect(header=True, annotations=[], delimiter=",", comment_prefix="#")
        api = self._client.query_api()

        def asked() -> bytes:
            with closing(api.query_raw(flux, dialect=dialect)) as answer:
                return bytes(answer.data)

        found: bytes = self._ask(asked)
        if found.startswith(b"error,") or b",error,reference\r\n" in found:
            raise Trouble("away", f"the query broke off: {_short(found[-LONGEST_REASON:])}")
        return found

    def delete(
        self, bucket: str, predicate: str, *, first_ms: int = 0, end_ms: int = 2**42
    ) -> None:
        """Delete points by their tags and times."""
        api = self._client.delete_api()
        self._ask(
            lambda: api.delete(moment(first_ms), moment(end_ms), predicate, bucket=bucket)
        )

    def ready(self) -> bool:
        """Tell whether something answers there as an InfluxDB does."""
        return bool(self._client.ping())

    def keep_s(self, bucket: str) -> int | None:
        """Tell how long a bucket keeps points [s], 0 for ever; None where there is no such bucket."""
        found = self._ask(lambda: self._client.buckets_api().find_bucket_by_name(bucket))
        if found is None:
            return None
        return max((rule.every_seconds for rule in found.retention_rules or ()), default=0)

    def try_out(self, bucket: str) -> None:
        """Read and delete next to nothing: to see that the token may."""
        self.query(
            f"from(bucket: {quoted(bucket)})"
            f" |> range(start: {moment(0)}, stop: {moment(1)}) |> limit(n: 1)"
        )
        self.delete(bucket, '_measurement="nothing"', first_ms=0, end_ms=1)

    def make_bucket(self, bucket: str, keep_s: int) -> None:
        """Make a bucket that keeps points so long [s], 0 for ever."""
        self._ask(
            lambda: self._client.buckets_api().create_bucket(
                bucket_name=bucket, retention_rules=_rules(keep_s), org=self.access.org
            )
        )

    def keep_for(self, bucket: str, keep_s: int) -> None:
        """Let a bucket that is there keep points so long [s], 0 for ever."""
        api = self._client.buckets_api()
        found = self._ask(lambda: api.find_bucket_by_name(bucket))
        if found is None:
            raise Trouble("settings", f"there is no bucket {bucket!r}")
        found.retention_rules = [_rules(keep_s)]
        self._ask(lambda: api.update_bucket(found))

    def drop_bucket(self, bucket: str) -> None:
        """Delete a bucket with all that is in it."""
        api = self._client.buckets_api()
        found = self._ask(lambda: api.find_bucket_by_name(bucket))
        if found is not None:
            self._ask(lambda: api.delete_bucket(found))

    def _ask(self, question: Callable[[], _Answer]) -> _Answer:
        try:
            return question()
        except ApiException as error:
            raise self._trouble(error) from error
        except (
            InfluxDBError
        ) as error:  # the client itself: an organisation that the token does not see
            raise Trouble("settings", self._hidden(str(error))) from error
        except (LocationParseError, ValueError) as error:
            raise Trouble("settings", self._hidden(f"{self.access.url}: {error}")) from error
        except (HTTPError, OSError) as error:
            raise Trouble("away", self._hidden(_plain(error))) from error

    def _trouble(self, error: ApiException) -> Trouble:
        status = error.status or 0
        words = self._hidden(f"{status or ''} {error.reason}: {_message(error)}".strip(": "))
        if status in _REFUSED or _CONFLICT in words:
            return Trouble("refused", words)
        if status in _BUSY or status >= 500:
            return Trouble("away", words, wait_s=_wait_s(error))
        return Trouble("settings", words)

    def _hidden(self, words: str) -> str:
        token = self.access.token
        return _short((words.replace(token, "********") if token else words).encode())


def _client(access: Access, *, gzip: bool) -> Any:
    return InfluxDBClient(
        access.url,
        access.token,
        org=access.org,
        timeout=round(access.timeout_s * 1000.0),
        enable_gzip=gzip,
        ssl_ca_cert=None if access.ca_file is None else str(access.ca_file),
    )


def moment(time_ms: int) -> str:
    """Write a time [Unix ms] as RFC 3339, as Flux and the delete API take it."""
    whole, rest = divmod(time_ms, 1000)
    return f"{datetime.fromtimestamp(whole, UTC):%Y-%m-%dT%H:%M:%S}.{rest:03d}Z"


def quoted(value: str) -> str:
    """Write a text as a Flux literal, or in a predicate of the delete API."""
    escaped = value.replace("\\", "\\\\").replace('"', '\\"').replace("${", "\\${")
    return f'"{escaped}"'


def _rules(keep_s: int) -> BucketRetentionRules:
    return BucketRetentionRules(type="expire", every_seconds=keep_s)


def _message(error: ApiException) -> str:
    body: Any = error.body or b""
    told = body.decode(errors="replace") if isinstance(body, bytes) else str(body)
    try:
        return str(json.loads(told)["message"])
    except (ValueError, KeyError, TypeError):
        return "" if told.lstrip().startswith("<") else told  # a page for people


def _plain(error: Exception) -> str:
    """Say why nothing was answered, without the library's names where the system has words for it."""
    for each in (error.__cause__, *error.args, error):
        if isinstance(each, OSError) and each.strerror:
            return each.strerror
    if isinstance(error, NoAnswer):
        return "no answer in time"
    return f"{type(error).__name__}: {error}"


def _short(words: bytes) -> str:
    return " ".join(words.decode(errors="replace").split())[:LONGEST_REASON]


def _wait_s(error: ApiException) -> float:
    """Read Retry-After: seconds, or a date (RFC 9110, 10.2.3)."""
    headers: Any = error.headers
    told = headers.get("Retry-After") if headers else None
    if told is None:
        return 0.0
    try:
        wait_s = float(int(told))
    except ValueError:
        try:
            wait_s = (parsedate_to_datetime(told) - datetime.now(UTC)).total_seconds()
        except (ValueError, TypeError):
            return 0.0
    return min(max(wait_s, 0.0), LONGEST_WAIT_S)
