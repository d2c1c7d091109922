"""What a port is: bytes in, bytes out, and a clock to stamp them with.

Everything above (box sessions, recorder, tools) knows a port only through the
two protocols of this file, so a serial port, a socket, the virtual box and a
recording played back are all the same to it.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from types import TracebackType
from typing import Protocol, Self, runtime_checkable


class HostClock(Protocol):
    """The host's time as one port sees it.

    Why a part of the port: a virtual box at full speed has a time of its own,
    and clock alignment must compare the box with that, not with the wall.
    """

    def monotonic_ns(self) -> int:
        """Nanoseconds on a clock that never steps; its zero means nothing."""

    def unix_ns(self) -> int:
        """Nanoseconds since 1970-01-01 UTC by the wall clock; it may step."""


class WallClock:
    """The clock of this machine."""

    def monotonic_ns(self) -> int:
        """Nanoseconds on the system's monotonic clock."""
        return time.monotonic_ns()

    def unix_ns(self) -> int:
        """Nanoseconds since 1970-01-01 UTC by the system's wall clock."""
        return time.time_ns()


@dataclass(frozen=True)
class StoppedClock:
    """One moment, kept: a clock that stands still."""

    stands_at_monotonic_ns: int
    stands_at_unix_ns: int

    @classmethod
    def of(cls, clock: HostClock) -> StoppedClock:
        """The present moment of ``clock``."""
        return cls(clock.monotonic_ns(), clock.unix_ns())

    def monotonic_ns(self) -> int:
        """Nanoseconds on the monotonic clock at that moment."""
        return self.stands_at_monotonic_ns

    def unix_ns(self) -> int:
        """Nanoseconds since 1970-01-01 UTC at that moment."""
        return self.stands_at_unix_ns


@runtime_checkable
class Transport(Protocol):
    """An open port."""

    @property
    def description(self) -> str:
        """Name of the port for people and messages."""

    @property
    def clock(self) -> HostClock:
        """The time that goes with this port."""

    def read(self, timeout_seconds: float) -> bytes:
        """Return the bytes that are there, waiting for the first at most so long.

        Returns ``b""`` when none came.  Raises DeviceDisconnectedError when the
        link is gone (and its kind DeviceStreamEndedError when there is nothing
        more to come, ever).
        """

    def write(self, data: bytes) -> None:
        """Send all of ``data``.

        Raises DeviceDisconnectedError when the link is gone, DeviceTimeoutError
        when the other end does not take the bytes.
        """

    def close(self) -> None:
        """Give the port back.  Closing twice is fine; closing never raises."""

    def __enter__(self) -> Self:
        """Use the port in a ``with`` block."""

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close the port at the end of a ``with`` block."""


@runtime_checkable
class Reopenable(Protocol):
    """A port whose other end lives on in this process and can be joined again.

    Why: opening ``sim:`` a second time would make a second world.  A
    reconnection joins the old one instead.
    """

    def reopen(self) -> Transport:
        """Join the same other end again.

        Raises DeviceNotFoundError while it is unplugged.
        """


class ClosesItself:
    """Gives a port its ``with`` block."""

    def close(self) -> None:
        """Give the port back."""
        raise NotImplementedError

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
