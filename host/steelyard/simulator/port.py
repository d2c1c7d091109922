"""A virtual box reached like any port: ``sim:heron?task=session&speed=max``."""

from __future__ import annotations

import time
from typing import Final

from ..errors import DeviceDisconnectedError, DeviceNotFoundError
from ..transport.port import ClosesItself
from .box import VirtualBox
from .options import BoxOptions, parse_options
from .timekeeping import SimulatedClock
from .world import World

GATHER_US: Final = 20_000
PROMPT_US: Final = 100_000
CALL_US: Final = 100
WALL_POLL_SECONDS: Final = 0.001


class SimulatedPort(ClosesItself):
    """An open port with a virtual box at its other end.

    ``world`` is the truth behind it, ``box`` the box itself, ``clock`` the
    host's time.  Reading and writing from two threads is safe.

    At ``speed=max`` each read lets virtual time pass until bytes are there, and
    then for another 20 ms, as a system's buffer gathers them.  Why not while an
    answer is due (100 ms after a write): clock alignment needs answers at once.
    """

    def __init__(
        self, options: BoxOptions, description: str = "sim:", clock: SimulatedClock | None = None
    ) -> None:
        self.description = description
        self.options = options
        self.clock = clock or SimulatedClock(VirtualBox(options))
        self._closed = False
        self._connection = self.box.link.connections_total
        self._prompt_until_us = 0

    @property
    def box(self) -> VirtualBox:
        """The box at the other end."""
        return self.clock.box

    @property
    def world(self) -> World:
        """The world around the box: its truth, and weights to hang."""
        return self.box.world

    def read(self, timeout_seconds: float) -> bytes:
        """Return the bytes that are there, waiting for the first at most so long.

        The time is the host's (virtual at ``speed=max``).  Returns b"" when none
        came.  Raises DeviceDisconnectedError when the cable is out.
        """
        if self.clock.virtual_time:
            return self._read_virtual(timeout_seconds)
        deadline_ns = self.clock.monotonic_ns() + round(timeout_seconds * 1e9)
        while True:
            with self.clock.lock:
                self.clock.catch_up()
                data = self._take()
            left_ns = deadline_ns - self.clock.monotonic_ns()
            if data or left_ns <= 0:
                return data
            time.sleep(min(WALL_POLL_SECONDS, left_ns * 1e-9))

    def write(self, data: bytes) -> None:
        """Send bytes to the box.  Raises DeviceDisconnectedError when the cable is out."""
        with self.clock.lock:
            self.clock.catch_up()
            self._check_connected()
            self.box.link.send(data)
            self._prompt_until_us = self.box.now_us + PROMPT_US

    def close(self) -> None:
        """Give the port back; the box lives on and can be joined by ``reopen``."""
        self._closed = True

    def reopen(self) -> SimulatedPort:
        """Join the same box again.  Raises DeviceNotFoundError while its cable is out."""
        with self.clock.lock:
            self.clock.catch_up()
            link = self.box.link
            if not link.connected:
                # Looking takes time too: without this a loop in virtual time never ends.
                self.clock.sleep(0.001)
                raise DeviceNotFoundError(
                    f"The virtual box of {self.description} is unplugged.",
                    "Wait until its fault ends, or plug it in.",
                )
            link.discard()
            return SimulatedPort(self.options, self.description, self.clock)

    def _read_virtual(self, timeout_seconds: float) -> bytes:
        with self.clock.lock:
            box = self.box
            start_us = box.now_us
            deadline_us = start_us + max(CALL_US, round(timeout_seconds * 1e6))
            if self._connected():
                box.run_until(deadline_us, until_bytes=1)
                if box.link.waiting and box.now_us > self._prompt_until_us:
                    gathered_us = min(deadline_us, box.now_us + GATHER_US)
                    box.run_until(gathered_us, until_bytes=1 << 30)
            return self._take()

    def _take(self) -> bytes:
        """Take what has arrived; only when there is nothing left, a lost cable is an error."""
        if self._closed:
            self._check_connected()
        data = self.box.link.take()
        if not data:
            self._check_connected()
        return data

    def _connected(self) -> bool:
        link = self.box.link
        return not self._closed and link.connected and link.connections_total == self._connection

    def _check_connected(self) -> None:
        if self._connected():
            return
        what = "is closed" if self._closed else "lost its box: the cable is out"
        raise DeviceDisconnectedError(
            f"The virtual port {self.description} {what}.", "Open it again to go on."
        )


def open_simulated_port(text: str) -> SimulatedPort:
    """Open the virtual box that ``text`` (all after ``sim:``) describes.

    Raises SimulatorOptionError when the text means nothing, SimulatorError when
    the firmware is missing.
    """
    return SimulatedPort(parse_options(text), f"sim:{text}")
