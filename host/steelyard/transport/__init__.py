"""Ways to a box: a serial port, a socket, the virtual box, a recording played back.

`open_transport` turns the text a person types into an open port.  Each kind of
port is imported only when it is asked for.
"""

from __future__ import annotations

from steelyard.transport.opening import open_transport
from steelyard.transport.port import HostClock, Reopenable, Transport, WallClock

__all__ = ["HostClock", "Reopenable", "Transport", "WallClock", "open_transport"]
