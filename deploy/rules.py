"""What the pipeline goes by, from the settings: for the daemon, and for commands that write beside it."""

from __future__ import annotations

from alerts import channels
from alerts.life_rules import LATCHING
from alerts.policy import Policy
from alerts.routing import Plan
from deploy.batch import Rules
from deploy.settings import Settings
from review.model_version import model_version


def rules_of(settings: Settings, plan: Plan | None) -> Rules:
    """Give what the pipeline goes by; ``plan`` says which people are told, None: nobody but the channels."""
    return Rules(
        wire=settings.wire.rules(),
        quarantine_rows=settings.quarantine.max_rows,
        quarantine_bytes=settings.quarantine.max_bytes,
        refuse_unregistered=settings.wire.unregistered == "refuse",
        policy=Policy(
            routes=channels.routes(settings.channels()),
            late_after_ms=round(settings.alerts.late_after_s * 1000),
            plan=plan,
            latching=LATCHING,
            chatter=settings.alerts.chatter.rules(),
            holds=settings.alerts.shelf.rules(),
        ),
        model_version=model_version(),
    )
