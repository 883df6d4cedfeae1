"""What is wrong with a file people wrote, from the errors of whoever read it."""

from __future__ import annotations

from pathlib import Path

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from deploy.keys import hides, keys_at, kinds_at
from review.problems import Problem, nearest

#: Ends of keys whose value is never repeated in a message, beside those that are secret by their type.
HIDDEN = ("password", "secret", "secrets", "token", "url", "key")


def unreadable(path: Path, error: Exception) -> Problem:
    """Say why a file could not be read as TOML."""
    if isinstance(error, FileNotFoundError):
        mend = "name a file that exists"
        return Problem(path=str(path), what="the file does not exist", mend=mend)
    if isinstance(error, OSError):
        what = f"the file cannot be read ({error.strerror})"
        return Problem(path=str(path), what=what, mend="let the daemon's user read it")
    if isinstance(error, UnicodeDecodeError):
        what = f"the file is not UTF-8 text (byte {error.start})"
        return Problem(path=str(path), what=what, mend="save it as UTF-8")
    return Problem(path=str(path), what=f"not TOML: {error}", mend="mend that line")


def problems_of(error: ValidationError, model: type[BaseModel], prefix: str) -> list[Problem]:
    """Turn the errors of a model into problems, each with its key path."""
    return [_problem(details, model, prefix) for details in error.errors()]


def _problem(details: ErrorDetails, model: type[BaseModel], prefix: str) -> Problem:
    loc = tuple(part for part in details["loc"] if part != "[key]")
    path = prefix + ".".join(map(str, loc))
    kind, given = details["type"], _given(model, loc, details["input"])
    if kind in ("extra_forbidden", "unexpected_keyword_argument", "no_such_attribute"):
        mend = nearest(str(loc[-1]), keys_at(model, loc[:-1]))
        return Problem(path=path, what="unknown key", mend=mend)
    if kind == "missing":
        return Problem(path=path, what="is missing", mend="add it")
    if kind == "too_short" and details["ctx"]["actual_length"] == 0:
        return Problem(
            path=path, what="is empty", mend="name at least one, or take the key out"
        )
    if kind == "literal_error":
        expected = details["ctx"]["expected"]
        return Problem(path=path, what=f"is {given}", mend=f"use one of {expected}")
    if kind in ("value_error", "assertion_error"):
        what, _, mend = str(details["ctx"]["error"]).partition("; ")
        return Problem(path=path, what=what, mend=mend or "mend the value")
    if kind == "string_too_short":
        return Problem(
            path=path, what="is empty or too short", mend="write it out, or take the key out"
        )
    words = details["msg"].removeprefix("Input ").partition(", unable")[0]
    return Problem(path=path, what=f"is {given}", mend=f"it {words}")


def _given(model: type[BaseModel], loc: tuple[int | str, ...], value: object) -> str:
    named = any(str(part).endswith(HIDDEN) for part in loc)
    # A whole table may have been written as one text: what it would hold counts too.
    hidden = named or any(map(hides, kinds_at(model, loc)))
    if hidden or not isinstance(value, str | int | float | bool):
        return "of the wrong kind"
    return repr(value) if len(str(value)) <= 60 else repr(str(value)[:60] + "…")
