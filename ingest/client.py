"""An MQTT client library object set up the way this project needs it."""

from __future__ import annotations

import ssl

from paho.mqtt.client import Client, MQTTv5, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from ingest.mqtt_settings import MqttSettings, MqttTls
from ingest.refusal import bad_tls_files

OFFLINE = b'{"online":false}'
ONLINE = b'{"online":true}'


def build(settings: MqttSettings, *, clean: bool = False) -> Client:
    """Make a client: manual acknowledgement, our last will, user and TLS.

    A `clean` client is a passing one: no session, no last will.


    `clean_session` must stay unset for MQTT 5, where `connect` says it per connection. The
    library's own fallbacks (3.1, an invented client id) are off: both would end the session.
    """
    modern = settings.protocol == "5"
    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=settings.client_id,
        clean_session=None if modern else clean,
        protocol=MQTTv5 if modern else MQTTv311,
        reconnect_on_failure=False,
        manual_ack=True,
    )
    client.connect_timeout = settings.connect_timeout_s
    if not clean:
        client.will_set(settings.status_topic, OFFLINE, qos=1, retain=True)
    if settings.username is not None:
        password = settings.password
        client.username_pw_set(
            settings.username, None if password is None else password.get_secret_value()
        )
    if settings.tls is not None:
        client.tls_set_context(tls_context(settings.tls))
    return client


def tls_context(tls: MqttTls) -> ssl.SSLContext:
    """Read the certificate files; anew for each connection, so renewed ones are taken up."""
    try:
        context = ssl.create_default_context(
            cafile=None if tls.ca_file is None else str(tls.ca_file)
        )
        if tls.cert_file is not None and tls.key_file is not None:
            context.load_cert_chain(str(tls.cert_file), str(tls.key_file))
    except OSError as error:
        raise bad_tls_files(error) from error
    context.sslsocket_class = _TidySocket
    return context


class _TidySocket(ssl.SSLSocket):
    """Closes when the handshake fails; the library leaves that to the garbage collector."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except (OSError, ValueError):
            self.close()
            raise


def connect(client: Client, settings: MqttSettings, *, clean: bool = False) -> None:
    """Open the connection and ask for our session (a new one if `clean`).

    The answer comes by callback.

    With MQTT 5 the library would start clean at the first connect of each process, and a
    session without an expiry interval ends with its connection: either loses the queue.
    """
    if settings.protocol == "3.1.1":
        client.connect(settings.host, settings.port, settings.keepalive_s)
        return
    wishes = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call] # its types stop here
    if not clean:
        wishes.SessionExpiryInterval = settings.session_expiry_s
    wishes.ReceiveMaximum = settings.receive_maximum
    client.connect(
        settings.host,
        settings.port,
        settings.keepalive_s,
        clean_start=clean,
        properties=wishes,
    )


def subscribe(client: Client, settings: MqttSettings) -> int | None:
    """Ask for every filter at QoS 1; return the packet id.

    Never QoS 2: it hands the message over before it is safe here. Retain handling 1 lets an
    MQTT 5 broker send retained messages for a new subscription only.
    """
    if settings.protocol == "5":
        wish = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
        return client.subscribe([(name, wish) for name in settings.filters])[1]
    return client.subscribe([(name, 1) for name in settings.filters])[1]
