"""From the text that names a port to the open port."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from steelyard.errors import PortNameError
from steelyard.transport.port import Transport

Opener = Callable[[], Transport]
"""Opens one and the same port, each time it is called."""


def open_transport(port: str) -> Transport:
    """Open the port that ``port`` names.

    - ``socket://host:port``: a TCP connection;
    - ``sim:...``: the virtual box;
    - ``replay:FILE[?speed=max|1|10]``: a recording played back;
    - anything else without a scheme: a serial port of this machine
      (``/dev/ttyACM0``, ``/dev/cu.usbmodem101``, ``COM3``).

    Raises:
        PortNameError: the text names no port.
        DeviceNotFoundError: there is no such port, host or file.
        PortBusyError: another program holds it.
        PortAccessError: this user may not open it.
    """
    text = port.strip()
    for prefix, opener in _OPENERS.items():
        if text.startswith(prefix):
            return opener(text[len(prefix) :])
    if not text or "://" in text:
        raise PortNameError(
            f"{port!r} names no port.",
            "Give a serial port (/dev/ttyACM0, COM3), socket://HOST:PORT, sim:PROFILE"
            " or replay:FILE.",
        )
    return _open_serial(text)


def _open_serial(device: str) -> Transport:
    from steelyard.transport.serial_port import SerialTransport

    return SerialTransport(device)


def _open_socket(address: str) -> Transport:
    from steelyard.transport.tcp import TcpTransport, split_address

    return TcpTransport(*split_address(address))


def _open_simulation(options: str) -> Transport:
    from steelyard.simulator.port import open_simulated_port

    return open_simulated_port(options)


def _open_replay(options: str) -> Transport:
    from steelyard.transport.replay import open_replay

    return open_replay(options)


_OPENERS: Final[dict[str, Callable[[str], Transport]]] = {
    "socket://": _open_socket,
    "sim:": _open_simulation,
    "replay:": _open_replay,
}
