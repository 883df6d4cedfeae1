"""Which model code is running; its compiled form is kept apart for each version."""

from __future__ import annotations

import hashlib
import os
from functools import cache
from importlib.metadata import version
from pathlib import Path
from tempfile import NamedTemporaryFile, mkdtemp

import models
from review.compiled_files import keep_whole


@cache
def model_version() -> str:
    """Name the model code: a hash of the package's sources, as they are when this is first asked."""
    digest = hashlib.sha256()
    root = Path(models.__file__).parent
    for path in sorted(root.rglob("*.py")):
        digest.update(path.relative_to(root).as_posix().encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def keep_compiled(directory: Path | None = None) -> Path:
    """Choose where compiled code is kept; call before ``models.kernel`` is first imported.

    The compiler looks only at one file's own time stamp when it decides whether kept code is
    still good, not at the files that it calls into. A folder per version of all sources makes
    that safe.
    """
    from numba import config  # noqa: PLC0415 -- must be set before any model is compiled

    keep_whole()
    name = f"{model_version()}-{version('numba')}"
    try:
        place = (directory or _cache_folder()) / "heatbook" / name
        place.mkdir(parents=True, exist_ok=True)
        with NamedTemporaryFile(dir=place):  # it may be there, on a disk that is read-only
            pass
    except (OSError, RuntimeError):  # not writable; no home at all
        # A locked-down service without a cache folder compiles anew at each start.
        place = Path(mkdtemp(prefix="heatbook-")) / name
    setattr(config, "CACHE_DIR", str(place))  # noqa: B010 -- numba makes the name at run time
    return place


def _cache_folder() -> Path:
    """Give the folder for caches: systemd's, the desktop's, or the usual one in the home folder."""
    named = os.environ.get("CACHE_DIRECTORY") or os.environ.get("XDG_CACHE_HOME")
    return Path(named) if named else Path.home() / ".cache"
