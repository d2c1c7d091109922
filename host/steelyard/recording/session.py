"""A box at one end, listeners at the other, and a link between that may break."""

from __future__ import annotations

from typing import Final

from steelyard.device import Box, BoxDescription, Poll, Reboot
from steelyard.errors import (
    DeviceError,
    DeviceRejectedError,
    DeviceTimeoutError,
    ProtocolError,
)
from steelyard.recording.listener import SessionListener
from steelyard.recording.mark_schedule import MarkSchedule
from steelyard.transport.link_machine import LinkPhase
from steelyard.transport.port import StoppedClock
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
_FRAME_LIMIT_BYTES: Final = 512
"""More than any frame: without a delimiter for so long it is none."""


def meet_box(link: ReconnectingLink, box_id: bytes | None = None) -> Box:
    """Open the port for the first time and shake hands: a failure now is the caller's to hear.

    Raises:
        DeviceError: the port cannot be opened, or no box answers.
        ProtocolError: a box answers that this program must not talk with.
    """
    while link.transport is None:
        link.advance(POLL_SECONDS)
    box = Box(link.transport)
    box.identify(box_id=box_id)
    return box


class BoxSession:
    """One `step` listens to the box for a moment, or tries to get it back.

    Listeners are told in the order in which they were added, so a recording
    that was added first has everything before anybody else looks at it.
    """

    def __init__(self, link: ReconnectingLink, box: Box) -> None:
        self.waiting_because = ""
        self.description: BoxDescription = box.description
        self._link = link
        self._listeners: list[SessionListener] = []
        self._box: Box | None = box
        self._streaming = False
        self._heard_ns = link.clock.monotonic_ns()
        self._marks = MarkSchedule(self._heard_ns)
        # What came before is nobody's, but the frame under way is: its
        # beginning belongs to the bytes that come next.
        self._frame_under_way = b""
        self._follow_frames(box.drain().raw)

    @property
    def is_linked(self) -> bool:
        """Whether the box is there."""
        return self._box is not None

    @property
    def is_over(self) -> bool:
        """Nothing more will ever come (a recording played back to its end)."""
        return self._box is None and self._link.phase is LinkPhase.CLOSED

    def add(self, listener: SessionListener) -> None:
        """Tell ``listener`` everything from now on, beginning with the frame under way.

        Clocks are compared more often for a while: a short recording has no
        other time marks.
        """
        if self._box is not None:
            listener.link_opened(self.description, self._now())
            listener.heard(Poll(self._frame_under_way, []))
        self._listeners.append(listener)
        self._marks = MarkSchedule(self._now_ns())

    def add_first(self, listener: SessionListener) -> None:
        """As `add`, before those that listen already."""
        self.add(listener)
        self._listeners.insert(0, self._listeners.pop())

    def remove(self, listener: SessionListener) -> None:
        """Tell it nothing more; harmless when it does not listen."""
        if listener in self._listeners:
            self._listeners.remove(listener)

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
        mark = None
        try:
            mark = box.read_clock().time_mark()
        except (DeviceTimeoutError, DeviceRejectedError):
            pass
        finally:
            self._marks.made(self._now_ns())
        for listener in self._listeners:
            listener.clocks_compared(mark)

    def _take(self, poll: Poll) -> None:
        if poll.raw:
            self._heard_ns = self._now_ns()
            self._follow_frames(poll.raw)
        for listener in self._listeners:
            listener.heard(poll)
        if self._box is not None and any(isinstance(event, Reboot) for event in poll.events):
            self._meet_again(self._box)

    def _meet_again(self, box: Box) -> None:
        self._streaming = False
        at = self._now()
        for listener in self._listeners:
            listener.box_restarted(at)
        self.description = box.identify(REUNION_TIMEOUT_SECONDS, box_id=self.description.box_id)
        for listener in self._listeners:
            listener.box_described(self.description)

    def _lose(self, box: Box, error: DeviceError | ProtocolError) -> None:
        self._box = None  # first, so that nothing below talks to it
        self._take(box.drain())
        self._give_up_link(error)
        self._frame_under_way = b""
        for_good, at = self._link.phase is LinkPhase.CLOSED, self._now()
        for listener in self._listeners:
            listener.link_lost(error, for_good, at)

    def _look_for_box(self) -> None:
        self._link.advance(POLL_SECONDS)
        for listener in self._listeners:
            listener.heard(Poll(b"", []))
        if self._link.transport is None:
            return
        box = Box(self._link.transport)
        try:
            self.description = box.identify(REUNION_TIMEOUT_SECONDS, box_id=self.description.box_id)
        except (DeviceError, ProtocolError) as error:
            # Not our box: not a byte of it is passed on.
            self._give_up_link(error)
            at = self._now()
            for listener in self._listeners:
                listener.box_refused(error, at)
            return
        self._reunite(box)

    def _reunite(self, box: Box) -> None:
        at = self._now()
        for listener in self._listeners:
            listener.link_opened(self.description, at)
            listener.box_described(self.description)
        self._heard_ns = self._now_ns()
        self._streaming = False
        self.waiting_because = ""
        self._box = box  # what it sent with the handshake comes with the next poll

    def _give_up_link(self, error: DeviceError | ProtocolError) -> None:
        lost = error if isinstance(error, DeviceError) else DeviceError(error.what, error.advice)
        self._link.lost(lost)
        self.waiting_because = str(error)

    def _follow_frames(self, raw: bytes) -> None:
        data = self._frame_under_way + raw
        self._frame_under_way = data[data.rfind(b"\x00") + 1 :][-_FRAME_LIMIT_BYTES:]

    def _now(self) -> StoppedClock:
        return StoppedClock.of(self._link.clock)

    def _now_ns(self) -> int:
        return self._link.clock.monotonic_ns()
