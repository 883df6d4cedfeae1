"""What an archive of whole months must do, whatever it is made of.

It keeps months by a name that says truck, month and content: one name never stands for two contents, so
keeping a month again does no harm. Which name counts, the store says (``ingest/sealed.py``).
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from ingest.codec import join
from ingest.rollup import Rollup
from models.sample import SIGNAL_NAMES


class ArchiveError(Exception):
    """A sealed month cannot be read or kept: what is wrong, and how to mend it."""

    def __init__(self, what: str, mend: str) -> None:
        super().__init__(f"{what}; {mend}")
        self.what: Final = what
        self.mend: Final = mend


class ArchiveAway(ArchiveError):
    """It cannot be reached now; nothing is known to be wrong with what it keeps."""


@dataclass(frozen=True, slots=True, order=True)
class Month:
    """A calendar month in UTC."""

    year: int
    number: int

    @classmethod
    def of(cls, time_ms: int) -> Month:
        """Give the month of a time [Unix ms]."""
        moment = datetime.fromtimestamp(time_ms // 1000, UTC)
        return cls(moment.year, moment.month)

    @classmethod
    def parse(cls, text: str) -> Month:
        """Read a month as ``str`` writes it: 2026-05."""
        year, _, number = text.partition("-")
        return cls(int(year), int(number))

    @property
    def next(self) -> Month:
        """The month after."""
        return Month(self.year + self.number // 12, self.number % 12 + 1)

    @property
    def before(self) -> Month:
        """The month before."""
        return Month(self.year - (self.number == 1), (self.number - 2) % 12 + 1)

    @property
    def first_ms(self) -> int:
        """When it begins [Unix ms]."""
        return round(datetime(self.year, self.number, 1, tzinfo=UTC).timestamp()) * 1000

    @property
    def end_ms(self) -> int:
        """When the next one begins [Unix ms]."""
        return self.next.first_ms

    def __str__(self) -> str:
        """Write it as 2026-05."""
        return f"{self.year:04d}-{self.number:02d}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """A truck's month: records ``SAMPLE`` as ``canonical`` gives them, and what they come to."""

    vehicle: str
    month: Month
    samples: NDArray[Any]
    rollups: Sequence[Rollup]
    max_gap_ms: int

    @property
    def digest(self) -> str:
        """The data's own hash."""
        return digest(self.samples)

    @property
    def name(self) -> str:
        """What an archive keeps it by."""
        return name_of(self.vehicle, self.month, self.digest)


class Archive(Protocol):
    """Keeps months. What it gives is, to the last bit, what it was given."""

    def keep(self, contents: Contents) -> None:
        """Keep a month under ``contents.name``; on return it is safe, whatever happens next.

        Raises
        ------
        ArchiveError
            It cannot be kept; nothing that was kept before is touched.
        """
        ...

    def read(self, name: str, first_ms: int, last_ms: int) -> NDArray[Any]:
        """Give the samples of a month from ``first_ms`` to ``last_ms``, both included, in order.

        Raises
        ------
        ArchiveAway
            Nobody can tell now whether it is there.
        ArchiveError
            It is not there, or damaged.
        """
        ...

    def reread(self, name: str) -> NDArray[Any]:
        """Give all samples of a month from where they are kept, past anything that is remembered.

        Raises
        ------
        ArchiveError
            It is not there, or damaged.
        """
        ...

    def rollup(self, name: str, step_ms: int, signals: Sequence[str]) -> Rollup | None:
        """Give what was summed up of a month; None where that must be done anew."""
        ...

    def size(self, name: str) -> int:
        """Tell how much room a month takes, sums included [byte]; 0 where it is not there."""
        ...

    def discard(self, name: str) -> None:
        """Let go of a month that counts no longer; whoever is reading it may finish."""
        ...

    def names(self) -> Iterable[str]:
        """Name every month that is kept."""
        ...

    def sweep(self) -> None:
        """Remove what was discarded before, and what unfinished work has left."""
        ...


def name_of(vehicle: str, month: Month, data_hash: str) -> str:
    """Give the name of a truck's month; the truck is marked so that none of its names is a path."""
    return f"vehicle={vehicle}/{month}-{data_hash[:12]}"


def canonical(samples: NDArray[Any]) -> NDArray[Any]:
    """Give a copy of records ``SAMPLE`` in which what is absent is always the same NaN."""
    copy = join([samples])
    numbers = copy.view(np.float64).reshape(len(copy), 1 + len(SIGNAL_NAMES))[:, 1:]
    numbers[np.isnan(numbers)] = np.nan
    return copy


def digest(samples: NDArray[Any]) -> str:
    """Give the SHA-256 of samples: of each in turn ``time_ms`` (int64), then every signal (float64).

    Little-endian, in the order of the message contract; absent is the NaN 0x7ff8000000000000.
    """
    return hashlib.sha256(canonical(samples).tobytes()).hexdigest()
