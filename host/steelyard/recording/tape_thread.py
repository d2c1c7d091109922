"""A recording written by a thread of its own, so that a slow disk holds nobody up.

Between the session's thread and this one stands a queue in memory.  Passing
something on never waits, whatever the disk does; the disk never waits for
whoever watches the session live.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Final

from steelyard_protocol.records import Annotation, TimeMark

from steelyard.device import BoxDescription, Poll
from steelyard.errors import DeviceError, ProtocolError, RecordingStorageError, SteelyardError
from steelyard.recording.listener import SessionListener
from steelyard.recording.recording_progress import RecordingProgress
from steelyard.recording.tape import Tape
from steelyard.transport.port import HostClock

QUEUE_BYTES: Final = 16 << 20
"""Half an hour of one box: a disk that takes nothing for so long will take nothing more."""
STALL_SECONDS: Final = 5.0
"""A disk that takes nothing for so long is worth a word to the operator."""
CLOSING_SECONDS: Final = 30.0
_IDLE_SECONDS: Final = 0.25
_TASK_BYTES: Final = 64
"""What a task without box bytes counts for in the queue."""


class TapeThread(SessionListener):
    """Passes everything a session tells on to a `Tape`, in order, and soon.

    A disk that refuses, or a queue that overflows, ends the writing for good and
    stands in `problem`; what was written before stays as it is, and whoever
    listens live does not notice.
    """

    def __init__(self, tape: Tape) -> None:
        """Begin with an open recording; its writer should outlive its disk."""
        self._tape = tape
        self._tasks: deque[tuple[float, int, Callable[[], None]]] = deque()
        self._held_bytes = 0
        self._lost_bytes_total = 0
        self._failure: SteelyardError | None = None
        self._working_since: float | None = None
        self._closing = False
        self._changed = threading.Condition()
        self._thread = threading.Thread(
            target=self._run, name=f"steelyard tape {tape.writer.path.name}", daemon=True
        )
        self._thread.start()

    # --- the session's side: nothing here waits for the disk ------------------------

    def link_opened(self, description: BoxDescription, at: HostClock) -> None:
        """See `Tape`."""
        self._put(lambda: self._tape.link_opened(description, at))

    def heard(self, poll: Poll) -> None:
        """See `Tape`."""
        if poll.raw:
            self._put(lambda: self._tape.heard(poll), len(poll.raw))

    def clocks_compared(self, mark: TimeMark | None) -> None:
        """See `Tape`."""
        self._put(lambda: self._tape.clocks_compared(mark))

    def box_restarted(self, at: HostClock) -> None:
        """See `Tape`."""
        self._put(lambda: self._tape.box_restarted(at))

    def link_lost(self, error: DeviceError | ProtocolError, for_good: bool, at: HostClock) -> None:
        """See `Tape`."""
        self._put(lambda: self._tape.link_lost(error, for_good, at))

    def box_refused(self, error: DeviceError | ProtocolError, at: HostClock) -> None:
        """See `Tape`."""
        self._put(lambda: self._tape.box_refused(error, at))

    def remark(self, remark: Annotation) -> None:
        """See `Tape`."""
        self._put(lambda: self._tape.remark(remark))

    # --- for whoever asks ------------------------------------------------------------

    @property
    def path(self) -> Path:
        """The file being written."""
        return self._tape.writer.path

    @property
    def problem(self) -> str:
        """Why nothing is being written, for the operator; empty while all is well."""
        error = self._failure or self._tape.writer.storage_error
        if error is not None:
            return str(error)
        stalled = self._stalled_seconds()
        if stalled < STALL_SECONDS:
            return ""
        return (
            f"The disk has taken nothing for {stalled:.0f} s; {self._held_bytes} bytes wait in"
            f" memory for {self.path}. Check the disk; nothing is lost yet."
        )

    @property
    def is_writing(self) -> bool:
        """False once nothing more will be written, for whatever reason."""
        failed = self._failure is not None or self._tape.writer.storage_error is not None
        return not failed and not self._closing

    def count(self) -> RecordingProgress:
        """The counts as of now."""
        progress = self._tape.count()
        progress.storage_problem = self.problem
        progress.unwritten_bytes_total += self._lost_bytes_total
        return progress

    def close(self) -> None:
        """Write what waits, end the recording and its file.  Twice is fine.

        Raises:
            RecordingStorageError: the disk does not take what waits.
        """
        with self._changed:
            self._closing = True
            self._changed.notify_all()
        self._thread.join(CLOSING_SECONDS)
        if self._thread.is_alive():
            raise RecordingStorageError(
                f"The disk does not take the last {self._held_bytes} bytes of"
                f" {self.path} within {CLOSING_SECONDS:g} s.",
                "What was written before is readable; check the disk.",
            )

    def _stalled_seconds(self) -> float:
        since = self._working_since
        return 0.0 if since is None else time.monotonic() - since

    def _put(self, task: Callable[[], None], size: int = 0) -> None:
        with self._changed:
            if self._failure is None and self._held_bytes > QUEUE_BYTES:
                self._failure = RecordingStorageError(
                    f"The disk took nothing for {self._stalled_seconds():.0f} s, and"
                    f" {self._held_bytes} bytes wait for {self.path}.",
                    "Nothing more is written there; start a new recording on a sound disk.",
                )
            if self._failure is not None or self._closing:
                self._lost_bytes_total += size
                return
            self._tasks.append((time.monotonic(), size, task))
            self._held_bytes += size + _TASK_BYTES
            self._changed.notify_all()

    # --- the thread --------------------------------------------------------------------

    def _run(self) -> None:
        while (task := self._next()) is not None:
            self._work(task)
        self._work(self._end)

    def _next(self) -> Callable[[], None] | None:
        with self._changed:
            self._working_since = None
            self._changed.wait_for(lambda: self._tasks or self._closing, _IDLE_SECONDS)
            if self._tasks:
                self._working_since, size, task = self._tasks.popleft()
                self._held_bytes -= size + _TASK_BYTES
                return task
            return None if self._closing else self._sync_if_due

    def _sync_if_due(self) -> None:
        self._tape.heard(Poll(b"", []))

    def _work(self, task: Callable[[], None]) -> None:
        try:
            task()
        except SteelyardError as error:
            self._failure = self._failure or error
        except Exception as error:  # whatever it is: the session goes on, the operator is told
            self._failure = self._failure or RecordingStorageError(
                f"{self.path} can no longer be written ({error!r}).",
                "What was written before is readable; start a new recording, and report this.",
            )

    def _end(self) -> None:
        self._tape.writer.leave_out_frame_under_way()
        self._tape.writer.close()
