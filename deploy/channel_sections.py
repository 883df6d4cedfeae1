"""The sections of the settings that belong to the channels of notices, and their defaults."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, SecretStr, model_validator

from alerts.channels import (
    AdviceSettings,
    LogSettings,
    RelaySettings,
    SmtpSettings,
    WebhookSettings,
)
from deploy.section import PriorityName, Seconds, Section
from models.transition import Priority


class LogSection(Section):
    """``[alerts.log]``: which notices the log takes."""

    min_priority: PriorityName = "low"

    def channel(self) -> LogSettings:
        """Give the channel's own settings."""
        return LogSettings(min_priority=Priority[self.min_priority.upper()])


class Smtp(Section):
    """``[alerts.smtp]``: notices by mail."""

    host: str
    port: Annotated[int, Field(ge=1, le=65_535)] = 587
    security: Literal["none", "starttls", "tls"] = "starttls"
    username: str = ""
    password: SecretStr = SecretStr("")
    sender: str
    recipients: tuple[str, ...] = ()
    min_priority: PriorityName = "low"
    timeout_s: Seconds = 20.0
    helo: str = ""

    @model_validator(mode="after")
    def _fits(self) -> Self:
        self.channel()
        return self

    def channel(self) -> SmtpSettings:
        """Give the channel's own settings; ValueError where they do not go together."""
        fields = self.model_dump(exclude={"password", "min_priority"})
        return SmtpSettings(
            password=self.password.get_secret_value(),
            min_priority=Priority[self.min_priority.upper()],
            **fields,
        )


class Webhook(Section):
    """``[alerts.webhooks.NAME]``: notices to a web address; the address itself is a secret."""

    url: SecretStr
    secrets: tuple[SecretStr, ...]
    allow_private: bool = False
    source: str = "/heatbook"
    min_priority: PriorityName = "low"
    timeout_s: Seconds = 20.0

    @model_validator(mode="after")
    def _fits(self) -> Self:
        self.channel()
        return self

    def channel(self) -> WebhookSettings:
        """Give the channel's own settings; ValueError where they do not go together."""
        return WebhookSettings(
            url=self.url.get_secret_value(),
            secrets=tuple(secret.get_secret_value() for secret in self.secrets),
            allow_private=self.allow_private,
            source=self.source,
            min_priority=Priority[self.min_priority.upper()],
            timeout_s=self.timeout_s,
        )


class Relay(Section):
    """``[alerts.relays.NAME]``: notices through chat, push and text-message services; ``url`` is a secret."""

    url: SecretStr
    form: Literal["short", "full"] = "full"
    allow_private: bool = False
    min_priority: PriorityName = "low"

    @model_validator(mode="after")
    def _fits(self) -> Self:
        self.channel()
        return self

    def channel(self) -> RelaySettings:
        """Give the channel's own settings; ValueError where the address is of no known service."""
        return RelaySettings(
            url=self.url.get_secret_value(),
            form=self.form,
            allow_private=self.allow_private,
            min_priority=Priority[self.min_priority.upper()],
        )


class AdviceSection(Section):
    """``[alerts.advice]``: a few words to the driver over the broker; this table alone turns it on."""

    root: str = "fleet"
    min_priority: PriorityName = "high"

    @model_validator(mode="after")
    def _fits(self) -> Self:
        self.channel()
        return self

    def channel(self) -> AdviceSettings:
        """Give the channel's own settings; ValueError where the root cannot begin a topic."""
        return AdviceSettings(root=self.root, min_priority=Priority[self.min_priority.upper()])
