"""Whom the embedded broker lets in: anybody, since it listens on loopback only."""

from __future__ import annotations

from amqtt.plugins.base import BaseAuthPlugin
from amqtt.session import Session


class AnyUser(BaseAuthPlugin):  # type: ignore[misc] # the library ships no types
    """Lets everybody in without calling them anonymous, which would cost them their session."""

    async def authenticate(self, *, session: Session) -> bool:  # noqa: ARG002 - the library's
        """Agree."""
        return True
