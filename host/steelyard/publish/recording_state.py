"""What the stream says about the recording that runs beside it."""

from __future__ import annotations

import time
from typing import Any

from steelyard.publish.bulletin import Bulletin, Kind, json_bulletin
from steelyard.recording.session import BoxSession
from steelyard.recording.tape_thread import TapeThread
from steelyard.transport.port import HostClock


class RunningRecording:
    """One recording that a session feeds."""

    def __init__(self, tape: TapeThread, session: BoxSession, clock: HostClock) -> None:
        self.tape = tape
        self._session = session
        self._clock = clock
        self._begun_ns = clock.monotonic_ns()

    def state(self) -> dict[str, Any]:
        """Name, size and counts as of now, as plain data."""
        progress = self.tape.count()
        return {
            "on": self.tape.is_writing,
            "file": progress.path.name,
            "seconds": round((self._clock.monotonic_ns() - self._begun_ns) / 1e9, 3),
            "size_bytes": progress.size_bytes,
            "samples_total": progress.samples_total,
            "samples_missing_total": progress.missing_total,
            "problem": self.tape.problem or self._session.waiting_because,
            "unwritten_bytes_total": progress.unwritten_bytes_total,
        }


NOTHING_RECORDED: dict[str, Any] = {
    "on": False,
    "file": None,
    "seconds": 0.0,
    "size_bytes": 0,
    "samples_total": 0,
    "samples_missing_total": 0,
    "problem": "",
    "unwritten_bytes_total": 0,
}


class RecordingState:
    """The recording, if there is one, and what was said about it last."""

    def __init__(self) -> None:
        self.running: RunningRecording | None = None
        self._told: tuple[Any, ...] | None = None

    def state(self) -> dict[str, Any]:
        """The state of it, as plain data.

        The file goes by its name alone and the client is left out: the stream may
        be read by others, the folder and the client are nobody's business there.
        """
        running = self.running
        return running.state() if running is not None else dict(NOTHING_RECORDED)

    def news(self, due: bool) -> list[Bulletin]:
        """A message when something changed, and whenever it is ``due`` while there is one."""
        state = self.state()
        telling = (state["on"], state["file"], bool(state["problem"]))
        if telling == self._told and not (due and self.running is not None):
            return []
        self._told = telling
        return [json_bulletin(Kind.RECORDING, {**state, "at_unix_us": time.time_ns() // 1000})]
