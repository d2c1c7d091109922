"""Live distribution: one box's stream for any number of other programs.

`Broker` listens to a box (`BoxSource`) and serves what comes as JSON lines over
TCP, by WebSocket, to an MQTT broker and to LSL.  ``schema/`` holds the JSON
Schema of the messages and an AsyncAPI document of the whole.

It is for watching and for other programs.  What has to be kept is recorded
from the box itself: a consumer may miss samples, and is told how many.
"""

from __future__ import annotations

from steelyard.errors import AddressError, MissingExtraError, PublishError
from steelyard.publish.acquisition import Acquisition, BoxSource
from steelyard.publish.broker import LINE_PORT, SOCKET_PORT, Broker, Servers

__all__ = [
    "LINE_PORT",
    "SOCKET_PORT",
    "Acquisition",
    "AddressError",
    "BoxSource",
    "Broker",
    "MissingExtraError",
    "PublishError",
    "Servers",
]
