"""What every connection to a broker has in common: login, encryption, patience, and few words."""

import ssl
from pathlib import Path

import paho.mqtt.client as mqtt
import structlog
from paho.mqtt.enums import CallbackAPIVersion

from daemon.errors import Finding, SettingsError
from daemon.settings.rack import BrokerSettings

log = structlog.get_logger()

LONGEST_RECONNECT_S = 30
KEEP_ALIVE_S = 30


def broker_client(broker: BrokerSettings, client_id: str = "", *, manual_ack: bool = False) -> mqtt.Client:
    """Return an MQTT 5 client with the broker's login and encryption, not yet connected.

    SettingsError where the password or the authority cannot be read.
    """
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2, client_id=client_id, protocol=mqtt.MQTTv5, manual_ack=manual_ack
    )
    if broker.username is not None:
        password = broker.password()
        client.username_pw_set(broker.username, password.get_secret_value() if password else None)
    if broker.tls:
        client.tls_set_context(_tls_context(broker.ca_file))
    client.reconnect_delay_set(1, LONGEST_RECONNECT_S)
    return client


class LinkWords:
    """Says each change of a connection once, however often it is tried again."""

    def __init__(self, broker: BrokerSettings) -> None:
        self._where = f"{broker.host}:{broker.port}"
        self._said = ""

    def change(self, what: str, why: str = "") -> None:
        """Log what has become of the connection, unless that was the last word on it."""
        if what != self._said:
            self._said = what
            log.warning(what, broker=self._where, why=why or None)

    def lost(self, why: str) -> None:
        """Log that the connection is gone, unless there was none: then the reason has been told."""
        if self._said == "broker_connected":
            self.change("broker_disconnected", why)


def _tls_context(ca_file: Path | None) -> ssl.SSLContext:
    """Return how to encrypt the connection: with the system's authorities, or with the one in a file."""
    try:
        return ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))
    except OSError as error:  # also what ssl says of a file that holds no certificate
        why = (error.strerror or str(error)).lower()
        found = f'"{ca_file}", which cannot be used ({why})'
        raise SettingsError([Finding("ca_file", found, "the broker's CA certificate, in PEM")]) from error
