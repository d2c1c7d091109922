"""A port that may go away and come back.  `LinkMachine` decides, this does it."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final, Protocol, runtime_checkable

from steelyard_protocol.records import LinkChange, LinkState

from steelyard.errors import DeviceError, DeviceStreamEndedError, PortNameError, SteelyardError
from steelyard.transport.link_machine import Backoff, LinkMachine, LinkPhase
from steelyard.transport.opening import Opener, open_transport
from steelyard.transport.port import (
    ClosesItself,
    HostClock,
    Reopenable,
    Transport,
    WallClock,
)

_NS: Final = 1_000_000_000


@dataclass(frozen=True)
class LinkReport:
    """The link was opened, lost or closed."""

    state: LinkState
    host_monotonic_ns: int
    host_unix_ns: int
    openings_total: int
    reason: str = ""

    def record(self) -> LinkChange:
        """The report as a recording keeps it."""
        return LinkChange(
            self.host_monotonic_ns, self.host_unix_ns, int(self.state), self.openings_total
        )


@runtime_checkable
class _SleepingClock(Protocol):
    """A clock of a virtual world, in which waiting has to be done by the world."""

    def sleep(self, seconds: float) -> None: ...


@dataclass
class ReconnectingLink(ClosesItself):
    """Keeps a port open as well as may be.

    ``port`` is the text for `open_transport`, or a function that opens the port.
    Use it like this: call `advance` until `transport` is there, use that; when
    it (or the session on it) raises a DeviceError, call `lost` and go on with
    `advance`.

    Why the first attempt is not retried: a port that never worked is more
    likely a wrong name than a loose cable, so its error goes to the caller.
    """

    port: str | Opener
    backoff: Backoff = field(default_factory=Backoff)
    pause: Callable[[float], None] | None = None
    clock: HostClock = field(default_factory=WallClock)
    transport: Transport | None = field(default=None, init=False)

    def __post_init__(self) -> None:
        self._machine = LinkMachine(self.backoff)
        self._reports: list[LinkReport] = []
        self._former: Transport | None = None
        self._ended = False

    @property
    def phase(self) -> LinkPhase:
        """Where the link stands."""
        return self._machine.phase

    @property
    def openings_total(self) -> int:
        """How many times the link was opened."""
        return self._machine.openings_total

    @property
    def failures_total(self) -> int:
        """How many attempts failed."""
        return self._machine.failures_total

    @property
    def last_failure(self) -> str:
        """Why the link was lost, or the latest attempt failed; for showing to people."""
        return self._machine.last_failure

    def advance(self, timeout_seconds: float) -> list[LinkReport]:
        """Open the port if that is due; wait for the moment at most so long.

        Returns what happened since the last call.

        Raises:
            DeviceError: the very first attempt failed.
            PortNameError: the text names no port, so that trying again is useless.
        """
        if self.transport is None and not self._ended:
            self._machine.start(self.clock.monotonic_ns())
            self._wait(timeout_seconds)
            if self._machine.attempt_due(self.clock.monotonic_ns()):
                self._attempt()
        return self._take_reports()

    def lost(self, error: SteelyardError) -> list[LinkReport]:
        """The open port, or the session on it, failed: close it and plan to open it again.

        A recording played to its end is not opened again.
        """
        if self.transport is None:
            return self._take_reports()
        self._former = self.transport
        self.transport.close()
        self.transport = None
        if isinstance(error, DeviceStreamEndedError):
            return self._end(str(error))
        self._machine.lost(self.clock.monotonic_ns(), str(error))
        self._report(LinkState.LOST, str(error))
        return self._take_reports()

    def finish(self) -> list[LinkReport]:
        """Close the port for good and say so."""
        if self.transport is not None:
            self.transport.close()
            self.transport = None
        return self._take_reports() if self._ended else self._end("")

    def close(self) -> None:
        """Close the port for good."""
        self.finish()

    def _end(self, reason: str) -> list[LinkReport]:
        self._ended = True
        self._machine.close()
        self._report(LinkState.CLOSED, reason)
        return self._take_reports()

    def _wait(self, timeout_seconds: float) -> None:
        due_ns = self._machine.attempt_due_ns
        if due_ns is None:
            return
        wait = min(timeout_seconds, (due_ns - self.clock.monotonic_ns()) / _NS)
        if wait <= 0:
            return
        if self.pause is not None:
            self.pause(wait)
        elif isinstance(self.clock, _SleepingClock):
            self.clock.sleep(wait)
        else:
            time.sleep(wait)

    def _attempt(self) -> None:
        try:
            transport = self._open()
        except DeviceError as error:
            self._machine.failed(self.clock.monotonic_ns(), str(error))
            if self.openings_total == 0 or isinstance(error, PortNameError):
                self._machine.close()
                raise
            return
        self.transport = transport
        self.clock = transport.clock
        self._machine.opened(self.clock.monotonic_ns())
        self._report(LinkState.OPENED, "")

    def _open(self) -> Transport:
        former: object = self._former
        if isinstance(former, Reopenable):
            return former.reopen()
        return open_transport(self.port) if isinstance(self.port, str) else self.port()

    def _report(self, state: LinkState, reason: str) -> None:
        self._reports.append(
            LinkReport(
                state,
                self.clock.monotonic_ns(),
                self.clock.unix_ns(),
                self.openings_total,
                reason,
            )
        )

    def _take_reports(self) -> list[LinkReport]:
        reports, self._reports = self._reports, []
        return reports
