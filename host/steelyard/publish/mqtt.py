"""The stream on an MQTT 5 broker, where many sites meet (OASIS MQTT 5.0).

Topics are ``steelyard/v1/SITE/BOX-ID/KIND``, one for each type of message.
``metadata`` and ``link`` are retained and sent again at every connection; the
last will says on ``link`` that the stream is not live when this program dies.
Samples go with quality of service 0: a late sample is of no use, and losses
are told in the stream.
"""

from __future__ import annotations

import json
import threading
import time
from dataclasses import dataclass
from typing import Any, Final

from paho.mqtt.client import Client, ConnectFlags, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from steelyard.errors import PublishError
from steelyard.publish.addresses import MqttAddress
from steelyard.publish.bulletin import Bulletin, Kind
from steelyard.publish.mailbox import Mailbox
from steelyard.publish.metadata import SCHEMA, SCHEMA_VERSION

TOPIC_ROOT: Final = "steelyard/v1"
KEEP_ALIVE_SECONDS: Final = 10
EXPIRY_SECONDS: Final = 5
"""After so long nobody wants a sample any more; the broker may throw it away."""
FAREWELL_SECONDS: Final = 2.0
RETAINED: Final = (Kind.METADATA, Kind.LINK)
"""What the broker keeps for newcomers; the last will sets right what would be stale."""
_TAKE_BYTES: Final = 64 * 1024
_BUSY_SECONDS: Final = 0.002
_IDLE_SECONDS: Final = 0.1


@dataclass(frozen=True)
class MqttAccount:
    """Who we are at the broker; both empty: nobody."""

    user: str = ""
    password: str = ""


def topic(site: str, box_id: str, kind: Kind) -> str:
    """Where messages of one kind of one box go."""
    return f"{TOPIC_ROOT}/{site}/{box_id}/{kind.value}"


class MqttPublisher:
    """A consumer that passes everything on; a thread of its own does the sending.

    While the broker is away or slow, messages wait in a bounded mailbox, and at
    most one handful of them in the library.
    """

    def __init__(
        self, address: MqttAddress, site: str, box_id: str, account: MqttAccount | None = None
    ) -> None:
        self.mailbox = Mailbox()
        self.connections_total = 0
        self.last_failure = ""
        self._site, self._box_id = site, box_id
        self._latest: dict[Kind, Bulletin] = {}
        self._birth_due = False
        self._stop = threading.Event()
        self._wake = threading.Event()
        self._client = self._made(address, account or MqttAccount())
        self._thread = threading.Thread(target=self._run, name="publish mqtt")
        self._thread.start()

    def deliver(self, bulletin: Bulletin) -> None:
        """Queue a message."""
        if bulletin.kind is Kind.WIRE:
            return
        if bulletin.kind in RETAINED:
            self._latest[bulletin.kind] = bulletin
        self.mailbox.offer(bulletin)
        self._wake.set()

    def close(self) -> None:
        """Send what still can be sent, within two seconds, and end."""
        end = time.monotonic() + FAREWELL_SECONDS
        while self._client.is_connected() and time.monotonic() < end:
            if not len(self.mailbox) and not self._client.want_write():
                break
            time.sleep(_BUSY_SECONDS)
        self._stop.set()
        self._wake.set()
        self._thread.join()
        self._client.disconnect()
        self._client.loop_stop()

    def _made(self, address: MqttAddress, account: MqttAccount) -> Client:
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"steelyard-{self._site}-{self._box_id}",
            protocol=MQTTv5,
        )
        if account.user:
            client.username_pw_set(account.user, account.password or None)
        if address.encrypted:
            client.tls_set()
        gone = {"type": "link", "live": False, "reason": "the broker is gone", "at_unix_us": None}
        client.will_set(
            topic(self._site, self._box_id, Kind.LINK),
            json.dumps(gone, separators=(",", ":")),
            qos=1,
            retain=True,
            properties=_properties(PacketTypes.WILLMESSAGE),
        )
        client.reconnect_delay_set(1, 15)
        client.max_queued_messages_set(64)
        client.on_connect = self._connected
        client.on_connect_fail = self._not_connected
        try:
            client.connect_async(address.host, address.number, keepalive=KEEP_ALIVE_SECONDS)
            client.loop_start()
        except (OSError, ValueError) as error:
            raise PublishError(
                f"{address.host}:{address.number} cannot be used as an MQTT broker ({error}).",
                "Check the address.",
            ) from error
        return client

    def _connected(
        self,
        client: Client,
        _: Any,
        flags: ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            self.last_failure = str(reason)
            return
        self.connections_total += 1
        self._birth_due = True
        self._wake.set()

    def _not_connected(self, client: Client, _: Any) -> None:
        self.last_failure = "nobody answers there"

    def _run(self) -> None:
        while not self._stop.is_set():
            if not self._client.is_connected():
                self._stop.wait(_IDLE_SECONDS)
            elif self._client.want_write():
                self._stop.wait(_BUSY_SECONDS)
            elif not self._send():
                self._wake.wait(_IDLE_SECONDS)
                self._wake.clear()

    def _send(self) -> bool:
        bulletins = self.mailbox.take(_TAKE_BYTES)
        if self._birth_due:
            # The birth: what is retained is made true before anything else is said.
            self._birth_due = False
            births = [self._latest[kind] for kind in RETAINED if kind in self._latest]
            bulletins = births + [item for item in bulletins if item.kind not in RETAINED]
        for bulletin in bulletins:
            lasting = bulletin.kind in RETAINED
            self._client.publish(
                topic(self._site, self._box_id, bulletin.kind),
                bulletin.body,
                qos=int(lasting),
                retain=lasting,
                properties=_properties(PacketTypes.PUBLISH, 0 if lasting else EXPIRY_SECONDS),
            )
        return bool(bulletins)


def _properties(packet: int, expiry_seconds: int = 0) -> Properties:
    properties = Properties(packet)  # type: ignore[no-untyped-call]
    properties.PayloadFormatIndicator = 1
    properties.ContentType = "application/json"
    properties.UserProperty = ("schema", f"{SCHEMA} {SCHEMA_VERSION}")
    if expiry_seconds:
        properties.MessageExpiryInterval = expiry_seconds
    return properties
