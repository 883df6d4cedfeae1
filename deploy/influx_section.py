"""``[influx]``: an InfluxDB 2 server that samples are fed to, and that the archive may lie in."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Self
from urllib.parse import urlsplit

from pydantic import Field, SecretStr, field_validator, model_validator

from deploy.section import Seconds, Section

if TYPE_CHECKING:
    from deploy.settings import Settings
    from ingest.influx_session import Access

_DAY_S = 86_400

Name = Annotated[str, Field(min_length=1, max_length=200)]


class Influx(Section):
    """``[influx]``: where the server is, how to get in, what goes to which bucket."""

    url: str
    org: Name
    token: SecretStr
    bucket: Name = "heatbook"
    keep_days: Annotated[float, Field(ge=0.0, le=36_500.0)] = 90.0
    sums_bucket: Name = "heatbook-sums"
    archive_bucket: Name = "heatbook-archive"
    set_up: bool = True
    batch_points: Annotated[int, Field(ge=1, le=100_000)] = 5000
    every_s: Seconds = 5.0
    timeout_s: Seconds = 10.0
    gzip: bool = True
    ca_file: Path | None = None

    @field_validator("url")
    @classmethod
    def _address(cls, url: str) -> str:
        parts = urlsplit(url)
        if parts.scheme not in ("http", "https") or not parts.hostname:
            msg = "write it like https://influx.example:8086"
            raise ValueError(msg)
        if parts.username is not None or parts.password is not None or parts.query:
            msg = "no name, password or query belongs in the address; the token has a key of its own"
            raise ValueError(msg)
        return url.rstrip("/")

    @model_validator(mode="after")
    def _apart(self) -> Self:
        if len({self.bucket, self.sums_bucket, self.archive_bucket}) < 3:
            msg = "bucket, sums_bucket and archive_bucket must be three"
            raise ValueError(msg)
        if 0.0 < self.keep_days < 1.0:
            msg = "keep_days is 0, for ever, or at least 1"
            raise ValueError(msg)
        return self

    @property
    def keep_s(self) -> int:
        """How long the server keeps raw samples [s]; 0 for ever."""
        return round(self.keep_days * _DAY_S)

    @property
    def place(self) -> str:
        """Where samples are fed to, without any secret."""
        return f"{self.url} {self.org} {self.bucket}"

    @property
    def archive_place(self) -> str:
        """Where the archive is, without any secret."""
        return f"{self.url} {self.org} {self.archive_bucket}"

    def buckets(self, *, archive: bool) -> dict[str, int]:
        """Give the buckets that are needed, and how long each keeps points [s]; 0 for ever."""
        needed = {self.bucket: self.keep_s, self.sums_bucket: 0}
        return {**needed, self.archive_bucket: 0} if archive else needed

    def access(self) -> Access:
        """Give what a session goes by."""
        from ingest.influx_session import Access  # noqa: PLC0415 - slow, and rarely needed

        return Access(
            url=self.url,
            org=self.org,
            token=self.token.get_secret_value(),
            timeout_s=self.timeout_s,
            gzip=self.gzip,
            ca_file=self.ca_file,
        )


def needs_influx(settings: Settings) -> Settings:
    """Refuse an archive in a server that is not named."""
    if settings.archive.kind == "influx" and settings.influx is None:
        msg = 'archive.kind = "influx" needs a table [influx]; add it with url, org and token'
        raise ValueError(msg)
    return settings
