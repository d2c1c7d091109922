"""A box at one end, a recording at the other, and a link between that may break."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from steelyard_protocol.records import AnnotationSource

from steelyard.device import Box, Poll, Reboot
from steelyard.errors import (
    DeviceDisconnectedError,
    DeviceError,
    DeviceRejectedError,
    DeviceTimeoutError,
    ProtocolError,
)
from steelyard.recording.mark_schedule import MarkSchedule
from steelyard.recording.recording_progress import ArrivalCount
from steelyard.recording.writer import ANNOTATION_BYTES, RecordingWriter
from steelyard.transport.link_machine import LinkPhase
from steelyard.transport.reconnecting import ReconnectingLink

POLL_SECONDS: Final = 0.05
REUNION_TIMEOUT_SECONDS: Final = 3.0
"""Patience with a box that came back: a little more than it takes to start."""
SILENCE_LIMIT_SECONDS: Final = 5.0
"""A box sends a status frame every second: after so long without a byte the
link is dead, even if the system has not noticed."""
LAST_FRAMES_SECONDS: Final = 0.1
"""Silence after which nothing more is expected from a stopped stream."""
LAST_POLLS: Final = 40


class RecordingSession:
    """One `step` listens to the box for a moment, or tries to get it back."""

    def __init__(
        self,
        link: ReconnectingLink,
        box: Box,
        writer: RecordingWriter,
        arrivals: ArrivalCount,
        on_poll: Callable[[Poll], None] | None,
    ) -> None:
        self.waiting_because = ""
        self._link = link
        self._writer = writer
        self._arrivals = arrivals
        self._on_poll = on_poll
        self._box_id = box.description.box_id
        self._refusals: set[str] = set()
        self._box: Box | None = box
        self._streaming = False
        self._heard_ns = link.clock.monotonic_ns()
        self._marks = MarkSchedule(self._heard_ns)
        # What came before the recording is not part of it, but the frame under
        # way is: its beginning belongs to the bytes that come next.
        before = box.drain().raw
        writer.link_opened()
        writer.append_device_bytes(before[before.rfind(b"\x00") + 1 :])

    @property
    def is_over(self) -> bool:
        """Nothing more will ever come (a recording played back to its end)."""
        return self._box is None and self._link.phase is LinkPhase.CLOSED

    def step(self) -> None:
        """Listen for a moment, or try to get the box back."""
        if self._box is None:
            self._look_for_box()
            return
        try:
            self._listen(self._box)
        except (DeviceError, ProtocolError) as error:
            self._lose(self._box, error)

    def end(self) -> None:
        """Quiet the box and take in what it still has to say."""
        box, self._box = self._box, None  # a restart now is nothing to react to
        if box is None:
            return
        try:
            box.stop_stream()
            for _ in range(LAST_POLLS):
                poll = box.poll(LAST_FRAMES_SECONDS)
                self._take(poll)
                if not poll.raw:
                    break
        except (DeviceError, ProtocolError):
            self._take(box.drain())

    def _listen(self, box: Box) -> None:
        if not self._streaming:
            box.start_stream()
            self._streaming = True
            self._marks = MarkSchedule(self._now_ns())
        if self._marks.is_due(self._now_ns()):
            self._compare_clocks(box)
        wait = min(POLL_SECONDS, self._marks.seconds_left(self._now_ns()))
        self._take(box.poll(wait))
        silence = (self._now_ns() - self._heard_ns) / 1e9
        if silence > SILENCE_LIMIT_SECONDS:
            raise DeviceTimeoutError(
                f"Not a byte came from the box for {silence:.1f} s.", "Check the cable."
            )

    def _compare_clocks(self, box: Box) -> None:
        try:
            mark = box.read_clock().time_mark()
        except (DeviceTimeoutError, DeviceRejectedError):
            self._arrivals.count_clock_timeout()
        else:
            self._writer.mark_time(mark)
            self._arrivals.count_time_mark()
        finally:
            self._marks.made(self._now_ns())

    def _take(self, poll: Poll) -> None:
        if not poll.raw:
            self._writer.append_device_bytes(b"")
            return
        self._heard_ns = self._now_ns()
        self._writer.append_device_bytes(poll.raw)
        self._arrivals.add(poll.events)
        if self._on_poll is not None:
            self._on_poll(poll)
        if self._box is not None and any(isinstance(event, Reboot) for event in poll.events):
            self._streaming = False
            self._writer.sync()  # before a wait that may be longer than its period
            self._box.identify(REUNION_TIMEOUT_SECONDS, box_id=self._box_id)

    def _lose(self, box: Box, error: DeviceError | ProtocolError) -> None:
        self._box = None  # first, so that nothing below talks to it
        self._take(box.drain())
        self._give_up_link(error)
        if self._link.phase is not LinkPhase.CLOSED:
            self._writer.link_lost()
            self._arrivals.count_loss()

    def _look_for_box(self) -> None:
        self._link.advance(POLL_SECONDS)
        self._writer.append_device_bytes(b"")
        if self._link.transport is None:
            return
        box = Box(self._link.transport)
        try:
            box.identify(REUNION_TIMEOUT_SECONDS, box_id=self._box_id)
        except (DeviceError, ProtocolError) as error:
            # Not our box: not a byte of it goes into the recording.
            self._give_up_link(error)
            self._note_refusal(error)
            return
        self._writer.link_opened()
        self._heard_ns = self._now_ns()
        self._streaming = False
        self.waiting_because = ""
        self._box = box  # what it sent with the handshake comes with the next poll

    def _give_up_link(self, error: DeviceError | ProtocolError) -> None:
        lost = error if isinstance(error, DeviceError) else DeviceError(error.what, error.advice)
        self._link.lost(lost)
        self.waiting_because = str(error)

    def _note_refusal(self, error: DeviceError | ProtocolError) -> None:
        """Write down, once, what other than our box answered."""
        if isinstance(error, (DeviceDisconnectedError, DeviceTimeoutError)):
            return
        text = error.what.encode("utf-8")[:ANNOTATION_BYTES].decode("utf-8", "ignore")
        if text not in self._refusals:
            self._refusals.add(text)
            self._writer.annotate(text, AnnotationSource.SOFTWARE)

    def _now_ns(self) -> int:
        return self._link.clock.monotonic_ns()
