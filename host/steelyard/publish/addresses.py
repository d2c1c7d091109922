"""Where consumers can reach the stream, and who can."""

from __future__ import annotations

import ipaddress
import re
from dataclasses import dataclass
from typing import Final
from urllib.parse import urlsplit

from steelyard.errors import AddressError

LOOPBACK: Final = "127.0.0.1"
_SITE: Final = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")
MQTT_PORT: Final = 1883
MQTT_TLS_PORT: Final = 8883


def is_loopback(host: str) -> bool:
    """Whether only programs on this computer can reach ``host``."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def exposure_warning(host: str) -> str:
    """What a person must know before serving on ``host``; nothing for the loopback."""
    if is_loopback(host):
        return ""
    return (
        f"Serving on {host}: everybody who reaches this computer over the network can read the"
        " measurements, without a password and unencrypted. Use it only on a network of your"
        " own, or leave the address out and let consumers come through a tunnel."
    )


def checked_site(name: str) -> str:
    """A site's name as it may stand in topics.

    Raises:
        AddressError: it is something else.
    """
    if not _SITE.fullmatch(name):
        raise AddressError(
            f"{name!r} cannot name a site.",
            "Use up to 40 small letters, digits and hyphens, for instance saltmarsh-1.",
        )
    return name


@dataclass(frozen=True)
class MqttAddress:
    """An MQTT broker."""

    host: str
    number: int
    encrypted: bool = False


def parse_mqtt(text: str) -> MqttAddress:
    """``mqtt://host[:port]``, or ``mqtts://`` for an encrypted connection.

    Raises:
        AddressError: it is something else.  User and password do not belong in it.
    """
    try:
        parts = urlsplit(text)
        host, number = parts.hostname, parts.port
    except ValueError:
        parts, host, number = None, None, None
    usual = {"mqtt": MQTT_PORT, "mqtts": MQTT_TLS_PORT}
    if parts is None or parts.scheme not in usual or not host or parts.username:
        raise AddressError(
            f"{re.sub('//.*@', '//...@', text)!r} names no MQTT broker.",
            "Write mqtt://HOST:PORT or mqtts://HOST:PORT; user and password are given apart.",
        )
    return MqttAddress(host, number or usual[parts.scheme], parts.scheme == "mqtts")
