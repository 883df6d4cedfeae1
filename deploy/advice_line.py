"""The way of advice to the trucks: a short connection to the broker for each notice.

Not the daemon's own connection: that one keeps only the newest message of a topic and tells nobody when the
broker has it, while a notice counts as delivered only then. Advice is rare; a connection costs little.
"""

from __future__ import annotations

from collections.abc import Sequence

from alerts.channels.advice import Advice, Publish
from alerts.notice import Undelivered
from deploy.probe import Probe
from ingest.errors import BadBroker, BrokerLost
from ingest.mqtt_settings import MqttSettings

PATIENCE_S = 10.0
"""How long the broker may take to answer and to confirm [s]."""


def advice_line(settings: MqttSettings) -> Publish:
    """Give the function that publishes advice at the broker of these settings."""

    def publish(messages: Sequence[Advice]) -> str:
        try:
            with Probe(settings, suffix="advice", patience_s=PATIENCE_S, clean=True) as line:
                confirmed = sum(
                    line.publish(each.topic, [each.payload], retain=each.retain)
                    for each in messages
                )
        except (BadBroker, BrokerLost) as error:
            # The broker is the daemon's own: whatever ails it, a person will mend it.
            raise Undelivered(f"broker away: {error}", retry=True) from error
        if confirmed < len(messages):
            raise Undelivered("the broker did not take it; may we publish there?", retry=True)
        return "the broker has it"

    return publish
