"""``[retention]``: how long what was noted is kept."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from deploy.section import Section

Days = Annotated[float, Field(ge=90.0, le=36_500.0)]


class Retention(Section):
    """``[retention]``: how long ledgers are kept [days]; None keeps them for ever."""

    notices_days: Days | None = 1095.0
    refused_days: Days | None = None
    audit_days: Days | None = None
