"""The keys that a file may hold, found from the types it is read into."""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import BaseModel, SecretStr

ANY_NAME = "*"
"""Stands in a path for a name that people choose."""


def keys_at(model: Any, loc: Sequence[int | str]) -> list[str]:
    """Give the keys that ``model`` knows at a key path; [] where it holds no keys."""
    return sorted({key for kind in kinds_at(model, loc) for key in fields(kind)})


def kinds_at(model: Any, loc: Sequence[int | str]) -> list[Any]:
    """Give the types a value at a key path may have; [] where there is no such key."""
    kinds = [model]
    for part in loc:
        kinds = [child for kind in kinds for child in _children(kind, str(part))]
    return kinds


def leaves(model: Any, path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    """Give the path of every single value that ``model`` can hold."""
    inner = fields(model)
    if is_mapping(model):
        inner = {ANY_NAME: typing.get_args(model)[1]}
    if not inner:
        return [path]
    return [
        leaf
        for name, kind in inner.items()
        for leaf in dict.fromkeys(
            found for part in plain(kind) for found in leaves(part, (*path, name))
        )
    ]


def fields(kind: Any) -> dict[str, Any]:
    """Give the fields of a model or dataclass by the names they have in a file."""
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return {info.alias or name: info.annotation for name, info in kind.model_fields.items()}
    if isinstance(kind, type) and dataclasses.is_dataclass(kind):
        hints = typing.get_type_hints(kind)
        return {field.name: hints[field.name] for field in dataclasses.fields(kind)}
    return {}


def is_mapping(kind: Any) -> bool:
    """Tell whether a type maps names that people choose."""
    origin = typing.get_origin(kind)
    return isinstance(origin, type) and issubclass(origin, Mapping)


def is_sequence(kind: Any) -> bool:
    """Tell whether a type is a list of values."""
    return typing.get_origin(kind) in (list, tuple)


def is_secret(kind: Any) -> bool:
    """Tell whether a value of this type is a secret, or a list of secrets."""
    if is_sequence(kind):
        return any(map(is_secret, plain(typing.get_args(kind)[0])))
    return kind is SecretStr


def hides(kind: Any) -> bool:
    """Tell whether a value of this type is a secret, or holds one somewhere."""
    inner = list(fields(kind).values())
    if is_mapping(kind) or is_sequence(kind):
        inner = [each for each in typing.get_args(kind) if each is not ...]
    return is_secret(kind) or any(hides(part) for each in inner for part in plain(each))


def plain(kind: Any) -> list[Any]:
    """Give the types a value may have, unions taken apart, None left out."""
    if typing.get_origin(kind) is typing.Annotated:
        return plain(typing.get_args(kind)[0])
    if typing.get_origin(kind) in (types.UnionType, typing.Union):
        return [each for part in typing.get_args(kind) for each in plain(part)]
    return [] if kind is None or kind is type(None) else [kind]


def _children(kind: Any, part: str) -> list[Any]:
    if is_mapping(kind):
        return plain(typing.get_args(kind)[1])
    if is_sequence(kind):
        return plain(typing.get_args(kind)[0]) if part.isdigit() else []
    return plain(fields(kind).get(part))
