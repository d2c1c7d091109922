"""The thread that listens to a box and turns what comes into messages.

It knows nothing of consumers: it posts, and posting never waits.  The box is
opened, lost and opened again here, and every change is told in the stream.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from steelyard.calibration import AnyCalibration
from steelyard.device import Box, BoxDescription, Poll, Reboot
from steelyard.device.discovery import opener_for
from steelyard.errors import (
    DeviceDisconnectedError,
    DeviceError,
    DeviceRejectedError,
    DeviceTimeoutError,
    ProtocolError,
    SteelyardError,
)
from steelyard.publish.arrivals import Arrivals
from steelyard.publish.bulletin import Bulletin, Kind, json_bulletin
from steelyard.publish.metadata import metadata_bulletin
from steelyard.publish.scales import BoxScales, check_channels
from steelyard.recording.mark_schedule import MarkSchedule
from steelyard.transport import Transport, WallClock, open_transport
from steelyard.transport.link_machine import LinkPhase
from steelyard.transport.read_ahead import ReadAheadTransport
from steelyard.transport.reconnecting import ReconnectingLink

GATHER_SECONDS: Final = 0.004
"""Samples that come within so long share a message.  Why: fifty consumers of 300
messages a second would be 15,000 system calls a second for nothing."""
POLL_SECONDS: Final = 0.05
SILENCE_SECONDS: Final = 1.0
"""Without a sample for so long, the stream says NOT LIVE."""
DEAD_LINK_SECONDS: Final = 5.0
"""Without a byte for so long, the link is opened anew."""
REUNION_SECONDS: Final = 3.0
STATUS_SECONDS: Final = 1.0


@dataclass(frozen=True)
class BoxSource:
    """Which box to publish, and as what."""

    port: str
    calibrations: tuple[AnyCalibration, ...] = ()
    site: str = "site"
    machine: str = ""
    box_id: bytes | None = None
    gather_seconds: float = GATHER_SECONDS
    read_ahead: bool = True


class Acquisition:
    """Listens to one box until told to stop.  ``post`` is called from its thread."""

    def __init__(self, source: BoxSource, post: Callable[[Bulletin], None]) -> None:
        """Open the box and shake hands, so that a wrong port is an error here and now.

        Raises:
            DeviceError: the port cannot be opened, or no box answers.
            ProtocolError: a box answers that this program must not talk with.
            WrongBoxError: a calibration belongs elsewhere.
        """
        self.box_id = source.box_id or b""
        self.failure: Exception | None = None
        self._source = source
        self._post = post
        self._link = ReconnectingLink(self._open_again, pause=self._pause)
        self._stop = threading.Event()
        self._box: Box | None = self._first_box()
        self.box_id = self._box.description.box_id
        self._streaming = False
        self._live: bool | None = None
        self._arrivals = Arrivals()
        self._marks = MarkSchedule(0)
        self._heard_seconds = self._sample_seconds = time.monotonic()
        self._status_due = time.monotonic()
        self._scales = self._describe(self._box.description)
        self._thread = threading.Thread(target=self._run, name=f"publish {source.port}")

    def start(self) -> None:
        """Begin to listen."""
        self._thread.start()

    def stop(self) -> None:
        """End the thread, quiet the box and give the port back."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()
        self._link.finish()

    # --- opening -----------------------------------------------------------------

    def _first_box(self) -> Box:
        try:
            self._link.advance(0.0)
            if self._link.transport is None:
                raise DeviceDisconnectedError(f"{self._source.port} did not open.")
            box = Box(self._link.transport)
            description = box.identify(box_id=self._source.box_id)
            check_channels(self._source.calibrations, description)
        except BaseException:
            self._link.finish()
            raise
        return box

    def _open_again(self) -> Transport:
        known = self.box_id
        port = self._source.port
        opened = opener_for(known, port)() if known else open_transport(port)
        if self._source.read_ahead and isinstance(opened.clock, WallClock):
            return ReadAheadTransport(opened)
        return opened

    def _pause(self, seconds: float) -> None:
        self._stop.wait(seconds)

    def _describe(self, description: BoxDescription) -> BoxScales:
        source = self._source
        scales = BoxScales(source.calibrations, description, datetime.now(UTC))
        self._post(metadata_bulletin(description, scales, source.site, source.machine))
        return scales

    # --- the thread --------------------------------------------------------------

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                self._step()
                self._tell_status()
        except Exception as error:  # the broker must end and say so, not go on without a source
            self.failure = error
        self._tell_link(False, "the broker ends")
        self._quiet()

    def _step(self) -> None:
        if self._box is None:
            self._look_for_box()
            return
        try:
            self._listen(self._box)
        except (DeviceError, ProtocolError) as error:
            self._lose(self._box, error)

    def _listen(self, box: Box) -> None:
        if not self._streaming:
            box.start_stream()
            self._streaming = True
            self._marks = MarkSchedule(self._now_ns())
        if self._marks.is_due(self._now_ns()):
            self._compare_clocks(box)
        self._take(box.poll(POLL_SECONDS))
        self._watch_silence()
        if self._source.gather_seconds:
            self._stop.wait(self._source.gather_seconds)

    def _compare_clocks(self, box: Box) -> None:
        try:
            self._arrivals.clock.add(box.read_clock().time_mark())
        except (DeviceTimeoutError, DeviceRejectedError):
            self._arrivals.clock_timeouts_total += 1
        finally:
            self._marks.made(self._now_ns())

    def _take(self, poll: Poll) -> None:
        if not poll.raw:
            return
        self._heard_seconds = time.monotonic()
        before = self._arrivals.samples_total
        bulletins = self._arrivals.bulletins(poll, self._scales)
        if self._arrivals.samples_total > before:
            self._sample_seconds = self._heard_seconds
            self._tell_link(True, "")
        for bulletin in bulletins:
            self._post(bulletin)
        if self._box is not None and any(isinstance(event, Reboot) for event in poll.events):
            self._tell_link(False, "the box has started anew")
            self._streaming = False
            description = self._box.identify(REUNION_SECONDS, box_id=self.box_id)
            self._scales = self._describe(description)

    def _watch_silence(self) -> None:
        now = time.monotonic()
        if now - self._sample_seconds > SILENCE_SECONDS:
            self._tell_link(False, "no samples come from the box")
        if now - self._heard_seconds > DEAD_LINK_SECONDS:
            raise DeviceTimeoutError(
                f"Not a byte came from the box for {now - self._heard_seconds:.1f} s.",
                "Check the cable.",
            )

    def _lose(self, box: Box, error: SteelyardError) -> None:
        self._box = None  # first, so that nothing below talks to it
        self._take(box.drain())
        self._link.lost(error)
        self._arrivals.link_lost()
        self._tell_link(False, error.what)

    def _look_for_box(self) -> None:
        if self._link.phase is LinkPhase.CLOSED:  # a recording played to its end
            self._stop.wait(POLL_SECONDS)
            return
        self._link.advance(POLL_SECONDS)
        if self._link.transport is None:
            return
        box = Box(self._link.transport)
        try:
            description = box.identify(REUNION_SECONDS, box_id=self.box_id)
        except (DeviceError, ProtocolError) as error:
            self._link.lost(error)
            self._tell_link(False, error.what)
            return
        self._heard_seconds = self._sample_seconds = time.monotonic()
        self._streaming = False
        self._scales = self._describe(description)
        self._box = box

    def _quiet(self) -> None:
        box, self._box = self._box, None
        if box is None or self.failure is not None:
            return
        try:
            box.stop_stream()
        except (DeviceError, ProtocolError):
            return  # it is gone; there is nobody left to quiet

    # --- what is told --------------------------------------------------------------

    def _tell_link(self, live: bool, reason: str) -> None:
        if live == self._live:
            return
        self._live = live
        self._post(
            json_bulletin(
                Kind.LINK,
                {"live": live, "reason": reason, "at_unix_us": time.time_ns() // 1000},
            )
        )

    def _tell_status(self) -> None:
        now = time.monotonic()
        if now < self._status_due:
            return
        self._status_due = now + STATUS_SECONDS
        self._post(
            json_bulletin(
                Kind.STATUS,
                {
                    "live": bool(self._live),
                    "at_unix_us": time.time_ns() // 1000,
                    **self._arrivals.state(),
                    "openings_total": self._link.openings_total,
                },
            )
        )

    def _now_ns(self) -> int:
        return self._link.clock.monotonic_ns()
