"""The one way a model function is compiled.

No fast-math: live and replayed runs must agree bit for bit.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import ParamSpec, TypeVar, cast

from numba import njit

_P = ParamSpec("_P")
_R = TypeVar("_R")


def compiled(function: Callable[_P, _R]) -> Callable[_P, _R]:
    """Compile a function of numbers and records; the result is cached on disk."""
    return cast(
        "Callable[_P, _R]", njit(cache=True, fastmath=False, error_model="numpy")(function)
    )
