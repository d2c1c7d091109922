"""Addresses and names that people give."""

from __future__ import annotations

import pytest
from steelyard.publish import AddressError
from steelyard.publish.addresses import (
    MqttAddress,
    checked_site,
    exposure_warning,
    is_loopback,
    parse_mqtt,
)


@pytest.mark.parametrize(
    ("text", "address"),
    [
        ("mqtt://localhost", MqttAddress("localhost", 1883)),
        ("mqtt://10.0.0.2:1999", MqttAddress("10.0.0.2", 1999)),
        ("mqtts://collect.saltmarsh.example", MqttAddress("collect.saltmarsh.example", 8883, True)),
        ("mqtt://[::1]:7", MqttAddress("::1", 7)),
    ],
)
def test_addresses(text: str, address: MqttAddress) -> None:
    assert parse_mqtt(text) == address


@pytest.mark.parametrize(
    "text", ["", "localhost", "http://localhost", "mqtt://", "mqtt://a:b:c", "mqtt://me:x@host"]
)
def test_no_addresses(text: str) -> None:
    with pytest.raises(AddressError) as refused:
        parse_mqtt(text)
    assert "me:x" not in str(refused.value)


@pytest.mark.parametrize("name", ["", "a/b", "a+b", "#", "A", "-a", "ä", "a" * 41, "a\n"])
def test_names_that_would_break_topics(name: str) -> None:
    with pytest.raises(AddressError):
        checked_site(name)


@pytest.mark.parametrize(
    ("host", "own"),
    [
        ("127.0.0.1", True),
        ("127.8.9.1", True),
        ("::1", True),
        ("localhost", True),
        ("0.0.0.0", False),
        ("::", False),
        ("", False),
        ("192.168.1.4", False),
        ("localhost.elsewhere.example", False),
    ],
)
def test_what_is_this_computer_alone(host: str, own: bool) -> None:
    assert is_loopback(host) is own
    assert (exposure_warning(host) == "") is own
