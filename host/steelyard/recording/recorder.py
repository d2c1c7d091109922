"""Records a box, and goes on by itself when the box goes away and comes back."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from steelyard_protocol import records
from steelyard_protocol.records import AnnotationSource

from steelyard.device import Poll
from steelyard.recording.documents import Document
from steelyard.recording.file_format import Subject
from steelyard.recording.listener import SessionListener
from steelyard.recording.recording_progress import RecordingProgress
from steelyard.recording.session import BoxSession, meet_box
from steelyard.recording.tape import Tape
from steelyard.recording.writer import RecordingWriter, annotation
from steelyard.transport.reconnecting import ReconnectingLink

PROGRESS_PERIOD_SECONDS: Final = 0.2


@dataclass(frozen=True)
class RecordingPlan:
    """What to record, of whom, for how long and where to."""

    path: Path
    subject: Subject = field(default_factory=Subject)
    documents: Sequence[Document] = ()
    duration_seconds: float | None = None
    """On the port's clock, outages included; ``None``: until stopped."""
    box_id: bytes | None = None
    """Accept only this box; ``None``: whichever answers first, and then only that one."""


class Recorder:
    """Makes one recording of one box.

    ``run`` works in the caller's thread until the time is over or ``stop`` is
    called (from a signal handler, another thread or a callback).  A lost link
    or a restarted box does not end the recording: it waits, shakes hands again
    and goes on in the same file, with the outage written down.  Another box on
    the same port is refused, and the recording waits for the right one.

    A disk that refuses (full, taken away) ends a recording that nobody follows.
    With ``on_poll`` somebody does: then the session goes on live, the operator
    is told through ``progress.storage_problem`` at once, and `run` raises the
    refusal at the end.  What was written before stays readable.
    """

    def __init__(
        self,
        link: ReconnectingLink,
        plan: RecordingPlan,
        on_progress: Callable[[RecordingProgress], None] | None = None,
        on_poll: Callable[[Poll], None] | None = None,
    ) -> None:
        """Prepare; nothing is opened before `run`.

        ``on_progress`` is called some five times a second and at the end,
        ``on_poll`` with everything that came from the box, after it was written.
        """
        self.progress = RecordingProgress(plan.path, plan.duration_seconds)
        self._link = link
        self._plan = plan
        self._on_progress = on_progress
        self._on_poll = on_poll
        self._stop = threading.Event()
        self._remarks: deque[records.Annotation] = deque()
        self._told_at_seconds = 0.0

    def stop(self) -> None:
        """End the recording soon; safe from any thread and from signal handlers."""
        self._stop.set()

    def annotate(self, text: str) -> None:
        """Write a remark into the running recording, stamped now; safe from any thread.

        Raises:
            RecordingFormatError: longer than 160 bytes as UTF-8.
        """
        self._remarks.append(annotation(text, AnnotationSource.OPERATOR, self._link.clock))

    def run(self) -> RecordingProgress:
        """Record until the time is over, `stop`, or the end of a recording played back.

        Raises:
            DeviceError: the box could not be reached to begin with.
            ProtocolError: the box must not be talked with.
            RecordingStorageError: the file cannot be made or written (with ``on_poll``:
                at the end); what was written stays readable.
            RecordingFormatError: machine, client code or a document do not fit.
        """
        try:
            box = meet_box(self._link, self._plan.box_id)
            with self._new_writer() as writer:
                tape = Tape(writer, self.progress)
                session = BoxSession(self._link, box)
                session.add(tape)
                if self._on_poll is not None:
                    session.add(_Follower(self._on_poll))
                self._record(session, tape)
                session.end()
            self._tell(tape, "")
        finally:
            self._link.finish()
        if writer.storage_error is not None:
            raise writer.storage_error
        return self.progress

    def _new_writer(self) -> RecordingWriter:
        plan = self._plan
        return RecordingWriter(
            plan.path,
            self._link.clock,
            plan.subject,
            plan.documents,
            outlives_disk=self._on_poll is not None,
        )

    def _record(self, session: BoxSession, tape: Tape) -> None:
        begun_ns = self._link.clock.monotonic_ns()
        duration = self._plan.duration_seconds
        while not self._stop.is_set() and not session.is_over:
            self._write_remarks(tape)
            session.step()
            elapsed = (self._link.clock.monotonic_ns() - begun_ns) / 1e9
            self.progress.elapsed_seconds = elapsed
            if duration is not None and elapsed >= duration:
                break
            news = tape.writer.storage_error is not None and not self.progress.storage_problem
            if news or time.monotonic() - self._told_at_seconds >= PROGRESS_PERIOD_SECONDS:
                self._tell(tape, session.waiting_because)
        self._write_remarks(tape)

    def _write_remarks(self, tape: Tape) -> None:
        while self._remarks:
            tape.remark(self._remarks.popleft())

    def _tell(self, tape: Tape, waiting_because: str) -> None:
        self._told_at_seconds = time.monotonic()
        self.progress.waiting_because = waiting_because
        tape.count()
        if self._on_progress is not None:
            self._on_progress(self.progress)


class _Follower(SessionListener):
    """Passes on what came, after it was written."""

    def __init__(self, on_poll: Callable[[Poll], None]) -> None:
        self._on_poll = on_poll

    def heard(self, poll: Poll) -> None:
        if poll.raw:
            self._on_poll(poll)
