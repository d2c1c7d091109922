"""The thread that listens to a box, for the consumers and for a recording.

It knows nothing of consumers: it posts, and posting never waits.  The box is
opened, lost and opened again here, and every change is told in the stream.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterable
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final, TypeVar

from steelyard.calibration import AnyCalibration
from steelyard.calibration.register import Register
from steelyard.device import BoxDescription
from steelyard.device.discovery import opener_for
from steelyard.publish.announcer import Announcer
from steelyard.publish.bulletin import Bulletin
from steelyard.publish.joint import GivenProfile
from steelyard.publish.recording_state import RecordingState
from steelyard.recording.session import POLL_SECONDS, BoxSession, meet_box
from steelyard.transport import Transport, WallClock, open_transport
from steelyard.transport.port import HostClock
from steelyard.transport.read_ahead import ReadAheadTransport
from steelyard.transport.reconnecting import ReconnectingLink

GATHER_SECONDS: Final = 0.004
"""Samples that come within so long share a message.  Why: fifty consumers of 300
messages a second would be 15,000 system calls a second for nothing."""

_Result = TypeVar("_Result")


@dataclass(frozen=True)
class BoxSource:
    """Which box to publish, and as what."""

    port: str
    calibrations: tuple[AnyCalibration, ...] = ()
    calibration_folders: tuple[Path, ...] = ()
    """Folders with the calibrations of many boxes: those in force for this one count too."""
    site: str = "site"
    machine: str = ""
    profile: GivenProfile | None = None
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
        self.recording = RecordingState()
        self._source = source
        self._post = post
        self._link = ReconnectingLink(self._open_again, pause=self._pause)
        self._stop = threading.Event()
        self._asked: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        try:
            self.session = BoxSession(self._link, meet_box(self._link, source.box_id))
            self.box_id = self.session.description.box_id
            found = _in_force(source.calibration_folders, self.session.description)
            self.announcer = Announcer(
                post,
                self.session.description,
                (*source.calibrations, *found),
                source.site,
                source.machine,
                source.profile,
            )
            self.session.add(self.announcer)
        except BaseException:
            self._link.finish()
            raise
        self._thread = threading.Thread(target=self._run, name=f"publish {source.port}")

    @property
    def clock(self) -> HostClock:
        """The time that goes with the port."""
        return self._link.clock

    def start(self) -> None:
        """Begin to listen."""
        self._thread.start()

    def stop(self) -> None:
        """End the thread and a recording, quiet the box and give the port back."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()
        self._link.finish()

    def ask(self, work: Callable[[], _Result]) -> Future[_Result]:
        """Have something done in the thread, between two steps of the session."""
        future: Future[_Result] = Future()

        def do() -> None:
            if not future.set_running_or_notify_cancel():
                return
            try:
                future.set_result(work())
            except Exception as error:  # belongs to whoever asked
                future.set_exception(error)

        self._asked.put(do)
        return future

    # --- opening -----------------------------------------------------------------

    def _open_again(self) -> Transport:
        known = self.box_id
        port = self._source.port
        opened = opener_for(known, port)() if known else open_transport(port)
        if self._source.read_ahead and isinstance(opened.clock, WallClock):
            return ReadAheadTransport(opened)
        return opened

    def _pause(self, seconds: float) -> None:
        self._stop.wait(seconds)

    # --- the thread --------------------------------------------------------------

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                self._do_what_is_asked()
                self._step()
                self._tell()
        except Exception as error:  # the broker must end and say so, not go on without a source
            self.failure = error
            self._record_to_the_end()
        else:
            self.session.end()
        self.announcer.tell_link(False, "the broker ends")
        self._do_what_is_asked()

    def _record_to_the_end(self) -> None:
        """The stream has failed; that is no reason to break off what is being recorded."""
        self.session.remove(self.announcer)
        self.announcer.tell_link(False, "the stream has failed; a recording goes on")
        with suppress(Exception):  # if it was the session that failed, there is no more to do
            while self.recording.running is not None and not self._stop.is_set():
                self._do_what_is_asked()
                self.session.step()

    def _step(self) -> None:
        if self.session.is_over:  # a recording played to its end
            self._stop.wait(POLL_SECONDS)
            return
        self.session.step()
        if self.session.is_linked and self._source.gather_seconds:
            self._stop.wait(self._source.gather_seconds)

    def _do_what_is_asked(self) -> None:
        while True:
            try:
                self._asked.get_nowait()()
            except queue.Empty:
                return

    def _tell(self) -> None:
        self.announcer.watch_silence()
        due = self.announcer.tell_status(self._link.openings_total)
        for bulletin in self.recording.news(due):
            self._post(bulletin)


def _in_force(folders: Iterable[Path], description: BoxDescription) -> list[AnyCalibration]:
    """What is in force, by the histories kept there, for the channels of this box."""
    registers = [
        Register(folder, description.box_id_text, channel.channel)
        for folder in folders
        for channel in description.channels
    ]
    return [found for register in registers if (found := register.in_force()) is not None]
