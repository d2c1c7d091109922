"""A virtual box on a pseudo-terminal, for programs that want a serial port.

POSIX only.  The box runs in a thread of its own; its path is a symbolic link,
so that it stays the same when the box is unplugged and plugged in again.
"""

from __future__ import annotations

import contextlib
import os
import select
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Final, Self

from ..errors import SimulatorError
from .box import VirtualBox
from .options import BoxOptions, parse_options
from .parts.machine import WDT_RESET
from .timekeeping import SimulatedClock

POLL_SECONDS: Final = 0.001
READ_BYTES: Final = 4096


class PtyBox:
    """A virtual box served on ``path`` until closed.

    ``options`` as text (what follows ``sim:``) or parsed.  ``unplug``, ``plug``
    and ``reboot`` act at once; faults of the options act at their times.
    Raises SimulatorError where there are no pseudo-terminals, and
    SimulatorOptionError for options that mean nothing or ``speed=max``.
    """

    def __init__(self, options: str | BoxOptions = "heron", path: Path | None = None) -> None:
        if sys.platform == "win32":
            raise SimulatorError(
                "Windows has no pseudo-terminals.", "Use --port sim: inside Steelyard instead."
            )
        parsed = parse_options(options) if isinstance(options, str) else options
        if parsed.virtual_time:
            raise SimulatorError(
                "A pseudo-terminal cannot be served at speed=max.",
                "Leave speed out, or give a factor such as speed=10.",
            )
        self._folder = None if path else tempfile.TemporaryDirectory(prefix="steelyard-")
        self.path = path or Path(self._folder.name if self._folder else "") / "box"
        self.clock = SimulatedClock(VirtualBox(parsed))
        self._master = self._slave = -1
        self._connection = 0
        self._unsent = bytearray()
        self._stop = threading.Event()
        self._follow_cable()
        self._thread = threading.Thread(target=self._serve, name="pty box", daemon=True)
        self._thread.start()

    @property
    def box(self) -> VirtualBox:
        """The box; take ``clock.lock`` before touching it."""
        return self.clock.box

    def unplug(self) -> None:
        """Take the cable out: the program's port hangs up, the box loses its power."""
        with self.clock.lock:
            self.box.link.connect(False)
            self.box.power_off()
            self._follow_cable()

    def plug(self) -> None:
        """Put the cable back: the same path, the box starts anew."""
        with self.clock.lock:
            self.clock.catch_up()
            self.box.link.discard()
            self.box.link.connect(True)
            self.box.power_on()
            self._follow_cable()

    def reboot(self) -> None:
        """Restart the box's processor; the port stays."""
        with self.clock.lock:
            self.box.reboot(WDT_RESET)

    def close(self) -> None:
        """Stop the box and take the path away."""
        self._stop.set()
        self._thread.join()
        self._close_master()
        if self._folder is not None:
            self._folder.cleanup()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exception: object) -> None:
        self.close()

    # --- the thread --------------------------------------------------------------------

    def _serve(self) -> None:
        while not self._stop.is_set():
            with self.clock.lock:
                self.clock.catch_up()
                self._follow_cable()
                if self._master >= 0:
                    self._exchange()
            time.sleep(POLL_SECONDS)

    def _follow_cable(self) -> None:
        link = self.box.link
        if not link.connected:
            self._close_master()
        elif self._master < 0 or self._connection != link.connections_total:
            self._close_master()
            self._open_master()
        self._connection = link.connections_total

    def _open_master(self) -> None:
        import termios
        import tty

        master, slave = os.openpty()
        # Raw from the start: what arrives before a program sets its own modes
        # must not be echoed back to the box.
        tty.setraw(slave, termios.TCSANOW)
        target = os.ttyname(slave)
        os.set_blocking(master, False)
        # Our own end of the terminal stays open, or it would hang up and forget
        # its modes whenever the program closes it.
        self._master, self._slave = master, slave
        self._unsent.clear()
        waiting = self.path.with_name(self.path.name + ".new")
        waiting.unlink(missing_ok=True)
        waiting.symlink_to(target)
        waiting.replace(self.path)

    def _close_master(self) -> None:
        if self._master < 0:
            return
        self.path.unlink(missing_ok=True)
        os.close(self._slave)
        os.close(self._master)  # whoever has the port open sees it hang up
        self._master = self._slave = -1

    def _exchange(self) -> None:
        """Move bytes both ways, never waiting."""
        readable, writable, _ = select.select([self._master], [self._master], [], 0)
        if readable:
            self.box.link.send(os.read(self._master, READ_BYTES))
        if not self._unsent:
            self._unsent += self.box.link.take()
        if writable and self._unsent:
            with contextlib.suppress(BlockingIOError):
                del self._unsent[: os.write(self._master, self._unsent)]
