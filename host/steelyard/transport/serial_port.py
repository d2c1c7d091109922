"""Serial ports (USB included), by pyserial.

Every way in which pyserial and the operating systems report one and the same
trouble is turned into one error of ours here.
"""

from __future__ import annotations

import errno
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Final

import serial

from steelyard.errors import (
    DeviceDisconnectedError,
    DeviceError,
    DeviceNotFoundError,
    DeviceTimeoutError,
    PortAccessError,
    PortBusyError,
)
from steelyard.transport.port import ClosesItself, WallClock

try:
    from termios import error as _termios_error
except ImportError:  # not a POSIX system

    class _termios_error(Exception):  # type: ignore[no-redef]  # noqa: N801, N818
        pass


BAUD_RATE: Final = 115_200
"""USB ports ignore it; it matters for an adapter cable only."""

WRITE_TIMEOUT_SECONDS: Final = 1.0

_LINK_ERRORS: Final = (serial.SerialException, OSError, _termios_error, TypeError, AttributeError)
"""What an unplugged cable looks like.

Why so many: select and read say SerialException, in_waiting says OSError, a
change of timeout says termios.error, and a port closed by another thread has
no file descriptor left, which shows as TypeError or AttributeError.
"""

_BUSY: Final = {errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK}
_ABSENT: Final = {errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.EIO, errno.ENOTDIR}
_REFUSED: Final = {errno.EACCES, errno.EPERM}


class SerialTransport(ClosesItself):
    """A serial port, held by this program alone.

    Raises on opening: DeviceNotFoundError, PortBusyError, PortAccessError.
    """

    def __init__(self, device: str, baud_rate: int = BAUD_RATE) -> None:
        self.description = device
        self.clock = WallClock()
        try:
            self._port = serial.Serial(
                device,
                baud_rate,
                timeout=0,
                write_timeout=WRITE_TIMEOUT_SECONDS,
                exclusive=None if sys.platform == "win32" else True,
            )
        except (serial.SerialException, OSError, ValueError, _termios_error) as error:
            raise opening_error(device, error) from error

    def read(self, timeout_seconds: float) -> bytes:
        """Wait for one byte, then take all that have come with it."""
        with self._link_errors():
            # Setting it costs several system calls, so only when it changes.
            if self._port.timeout != timeout_seconds:
                self._port.timeout = timeout_seconds
            data = self._port.read(1)
            waiting = self._port.in_waiting if data else 0
            if waiting:
                data += self._port.read(waiting)
            return bytes(data)

    def write(self, data: bytes) -> None:
        """Send all of ``data``; the other end has a second to take it."""
        with self._link_errors():
            try:
                self._port.write(data)
            except serial.SerialTimeoutException as error:
                raise DeviceTimeoutError(
                    f"{self.description} took none or only a part of {len(data)} bytes"
                    f" within {WRITE_TIMEOUT_SECONDS:g} s.",
                    "The box does not read. Unplug it, wait two seconds and plug it in again.",
                ) from error

    def close(self) -> None:
        """Give the port back."""
        with suppress(*_LINK_ERRORS):
            self._port.close()

    @contextmanager
    def _link_errors(self) -> Iterator[None]:
        try:
            yield
        except _LINK_ERRORS as error:
            raise DeviceDisconnectedError(
                f"The link through {self.description} is gone ({error}).",
                "Check the cable and the box's power, then connect again.",
            ) from error


def opening_error(device: str, error: Exception) -> DeviceError:
    """Say in our own words why ``device`` could not be opened.

    Windows reports a port in use as a refused access, so there it means busy.
    """
    code = _errno_of(error)
    text = str(error)
    denied = code in _REFUSED or "PermissionError" in text or "Access is denied" in text
    if code in _BUSY or "exclusively lock" in text or (denied and sys.platform == "win32"):
        return PortBusyError(
            f"{device} is in use by another program.",
            "Close the other program (a recorder, a serial terminal) and try again."
            " Within 20 s of plugging in it may be ModemManager, which the udev rule"
            " in hardware/ keeps away.",
        )
    if denied:
        return PortAccessError(
            f"This user may not open {device}.",
            "On Debian and Ubuntu: sudo usermod -aG dialout $USER, then log out and in;"
            " or install the udev rule in hardware/.",
        )
    if code in _ABSENT or "FileNotFoundError" in text:
        return DeviceNotFoundError(
            f"There is no serial port {device}.",
            "Plug the box in and ask for the list of boxes to see where it is.",
        )
    return DeviceNotFoundError(
        f"{device} cannot be used as a serial port ({text}).", "Is this the right name?"
    )


def _errno_of(error: BaseException | None) -> int | None:
    while error is not None:
        code = getattr(error, "errno", None)
        if isinstance(code, int):
            return code
        error = error.__cause__ or error.__context__
    return None
