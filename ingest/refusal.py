"""Plain words for the ways a broker turns us away."""

from __future__ import annotations

import ssl

from paho.mqtt.reasoncodes import ReasonCode

from ingest.errors import BadBroker, BrokerLost
from ingest.mqtt_settings import MqttSettings

SESSION_TAKEN_OVER = 0x8E
"""MQTT 5 reason code of a connection closed because its client id connected again."""

KEEPALIVE_TIMEOUT = 0x8D
"""MQTT 5 reason code; the library's too for a broker that did not answer in time."""

_CONNECT_REFUSED: dict[int, tuple[str, str]] = {
    0x84: ("The broker does not speak this MQTT version.", "Set protocol to the other one."),
    0x85: ("The broker refused the client id.", "Choose another client_id."),
    0x86: ("The broker refused the user name or password.", "Mend username and password."),
    0x87: (
        "The broker does not let this user connect.",
        "Mend username and password, or the broker's list of users.",
    ),
    0x8A: ("The broker has banned this client.", "Lift the ban on the broker."),
}
# MQTT 5.0, table 3-1 (Connect Reason Codes); the library gives 3.1.1 codes the same numbers.


def refused_connect(reason: ReasonCode) -> BadBroker | BrokerLost:
    """Sort a CONNACK with a failure code."""
    known = _CONNECT_REFUSED.get(reason.value)
    if known is None:
        return BrokerLost(reason=f"the broker answered: {reason}")
    return BadBroker(what=known[0], mend=known[1])


def failed_connect(
    error: OSError | UnicodeError, settings: MqttSettings
) -> BadBroker | BrokerLost:
    """Sort what was raised while the connection was made."""
    where = f"{settings.host}:{settings.port}"
    if isinstance(error, ssl.SSLCertVerificationError):
        return BadBroker(
            what=f"The certificate of {where} is not trusted: {error.verify_message}.",
            mend="Point tls.ca_file at the authority that signed it, and host at its name.",
        )
    if isinstance(error, ssl.SSLError):
        return failed_tls(str(error))
    return BrokerLost(reason=f"no connection to {where}: {error}")


def failed_tls(words: str) -> BadBroker:
    """Say that the broker ended the TLS handshake."""
    asked = "CERTIFICATE_REQUIRED" in words or "HANDSHAKE_FAILURE" in words
    mend = (
        "It asks for a certificate of ours: set tls.cert_file and tls.key_file."
        if asked
        else "Check that this port speaks TLS and that our certificate is one it trusts."
    )
    return BadBroker(what=f"TLS with the broker failed ({words}).", mend=mend)


def bad_tls_files(error: OSError) -> BadBroker:
    """Say that the certificate files cannot be used."""
    return BadBroker(
        what=f"The TLS files cannot be used: {error}.",
        mend="Check tls.ca_file, tls.cert_file and tls.key_file.",
    )


def refused_filter(name: str, reason: ReasonCode) -> BadBroker:
    """Say that a subscription was refused."""
    return BadBroker(
        what=f"The broker refused the subscription to {name}: {reason}.",
        mend="Let this user read it in the broker's access list, or take it out of filters.",
    )


def no_answer(settings: MqttSettings) -> BadBroker:
    """Say that the port is open but nobody answers in MQTT."""
    return BadBroker(
        what=f"{settings.host}:{settings.port} accepts connections but does not answer.",
        mend=f"Check that a broker is there, awake, and speaks MQTT {settings.protocol}"
        f" {'with' if settings.tls else 'without'} TLS.",
    )
