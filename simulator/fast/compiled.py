"""The one way a function of the fast physics is compiled."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import ParamSpec, TypeVar, cast

from numba import njit

_P = ParamSpec("_P")
_R = TypeVar("_R")


def compiled(function: Callable[_P, _R]) -> Callable[_P, _R]:
    """Compile a function of numbers and records."""
    made = njit(fastmath=False, error_model="numpy", nogil=True)(function)
    return cast("Callable[_P, _R]", made)


def compiled_and_kept(function: Callable[_P, _R]) -> Callable[_P, _R]:
    """Compile a function with all that it calls and keep the result on disk.

    Kept code is found by the function's name; the compiler does not notice that a function which
    it calls has changed. So the name tells the version of all the physics.
    """
    function.__qualname__ = f"{function.__qualname__}_{_version()}"
    made = njit(cache=True, fastmath=False, error_model="numpy", nogil=True)(function)
    return cast("Callable[_P, _R]", made)


def _version() -> str:
    digest = hashlib.sha256()
    for folder in (Path(__file__).parent, Path(__file__).parent.parent / "physics"):
        for path in sorted(folder.glob("*.py")):
            digest.update(path.read_bytes())
    return digest.hexdigest()[:12]
