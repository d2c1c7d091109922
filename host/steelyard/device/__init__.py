"""Sessions with a box: who it is, what it measures, what it sends."""

from __future__ import annotations

from steelyard.device.box import Box
from steelyard.device.description import BoxDescription
from steelyard.device.stream import BoxEvent, Poll, Reboot, StreamCounters

__all__ = ["Box", "BoxDescription", "BoxEvent", "Poll", "Reboot", "StreamCounters"]
