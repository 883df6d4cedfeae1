"""The one way a model function is compiled.

No fast-math: live and replayed runs must agree bit for bit.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, ParamSpec, TypeVar, cast

from numba import njit

_P = ParamSpec("_P")
_R = TypeVar("_R")
_NOT_IN_ITS_STUBS: dict[str, Any] = {"no_cfunc_wrapper": True}


def compiled(function: Callable[_P, _R]) -> Callable[_P, _R]:
    """Compile a function of numbers and records; the result is cached on disk.

    No wrapper for callers from C: there are none, and some hundred of them cost seconds at the first start.
    """
    made = njit(cache=True, fastmath=False, error_model="numpy", **_NOT_IN_ITS_STUBS)
    return cast("Callable[_P, _R]", made(function))
