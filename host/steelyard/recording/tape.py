"""Writes down what a session tells, and counts it."""

from __future__ import annotations

from steelyard_protocol.records import Annotation, AnnotationSource, TimeMark

from steelyard.device import BoxDescription, Poll
from steelyard.errors import (
    DeviceDisconnectedError,
    DeviceError,
    DeviceTimeoutError,
    ProtocolError,
)
from steelyard.recording.listener import SessionListener
from steelyard.recording.recording_progress import ArrivalCount, RecordingProgress
from steelyard.recording.writer import ANNOTATION_BYTES, RecordingWriter, annotation
from steelyard.transport.port import HostClock


class Tape(SessionListener):
    """A recording that listens to a session: handshake first, then all that comes.

    ``progress`` is brought up to date by `count`; the time is for the caller to keep.
    """

    def __init__(self, writer: RecordingWriter, progress: RecordingProgress) -> None:
        self.writer = writer
        self.progress = progress
        self._arrivals = ArrivalCount(progress)
        self._refusals: set[str] = set()
        self._is_described = False

    def link_opened(self, description: BoxDescription, at: HostClock) -> None:
        """Write who the box is, the first time: later handshakes come as its own bytes."""
        if not self._is_described:
            self._is_described = True
            self.writer.describe_box(description.identity, description.channels)
        self.writer.link_opened(at)

    def heard(self, poll: Poll) -> None:
        """Write the bytes, untouched."""
        self.writer.append_device_bytes(poll.raw)
        self._arrivals.add(poll.events)

    def clocks_compared(self, mark: TimeMark | None) -> None:
        """Write the time mark."""
        if mark is None:
            self._arrivals.count_clock_timeout()
        else:
            self.writer.mark_time(mark)
            self._arrivals.count_time_mark()

    def box_restarted(self, at: HostClock) -> None:
        """Bring everything to the disk before a wait that may be longer than its period."""
        self.writer.sync()

    def link_lost(self, error: DeviceError | ProtocolError, for_good: bool, at: HostClock) -> None:
        """Write that the link is gone."""
        if not for_good:
            self.writer.link_lost(at)
            self._arrivals.count_loss()

    def box_refused(self, error: DeviceError | ProtocolError, at: HostClock) -> None:
        """Write down, once, what other than our box answered."""
        if isinstance(error, (DeviceDisconnectedError, DeviceTimeoutError)):
            return
        text = error.what.encode("utf-8")[:ANNOTATION_BYTES].decode("utf-8", "ignore")
        if text not in self._refusals:
            self._refusals.add(text)
            self.writer.add_annotation(annotation(text, AnnotationSource.SOFTWARE, at))

    def remark(self, remark: Annotation) -> None:
        """Write a remark made a moment ago."""
        self.writer.add_annotation(remark)

    def count(self) -> RecordingProgress:
        """The counts as of now."""
        progress, writer = self.progress, self.writer
        progress.size_bytes = writer.size_bytes
        progress.openings_total = writer.openings_total
        progress.skipped_bytes_total = writer.skipped_bytes_total
        progress.dropped_bytes_total = writer.dropped_bytes_total
        progress.storage_problem = str(writer.storage_error or "")
        progress.unwritten_bytes_total = writer.unwritten_bytes_total
        return progress
