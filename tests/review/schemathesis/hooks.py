"""What schemathesis must know beyond the description: how our cursors look, and that a key is used once."""

from __future__ import annotations

import base64
import json
from itertools import count
from typing import Any

import schemathesis
from hypothesis import strategies as st
from schemathesis.generation import GenerationMode

KEY = "Idempotency-Key"
_numbers = count(1)


def cursor(place: tuple[int, str]) -> str:
    packed = json.dumps(list(place), separators=(",", ":")).encode()
    return base64.urlsafe_b64encode(packed).rstrip(b"=").decode()


schemathesis.openapi.format(
    "cursor",
    st.tuples(st.integers(0, 2**53), st.text("0123456789abcdef", max_size=20)).map(cursor),
)


@schemathesis.hook
def before_call(context: Any, case: Any, kwargs: Any) -> None:
    """Give each sound request a key of its own, as the description asks of clients."""
    asked = case.headers and KEY in case.headers and case.meta is not None
    if asked and case.meta.generation.mode is GenerationMode.POSITIVE:
        case.headers[KEY] = f"key-{next(_numbers)}"
