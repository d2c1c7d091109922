"""Starts and ends recordings of the box that is being published.

Why here and not in a program of its own: one process holds the port, so the
one that publishes also records.  The recording is fed before any consumer, is
written by a thread of its own, and goes on whoever comes or goes.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, TypeVar

from steelyard_protocol.records import AnnotationSource, DocumentKind

from steelyard.calibration import AnyCalibration
from steelyard.errors import ControlError, SteelyardError
from steelyard.publish.acquisition import Acquisition
from steelyard.publish.joint import GivenProfile
from steelyard.publish.recording_state import RunningRecording
from steelyard.recording.documents import Document
from steelyard.recording.file_format import SUFFIX, Subject
from steelyard.recording.recording_progress import RecordingProgress
from steelyard.recording.tape import Tape
from steelyard.recording.tape_thread import TapeThread
from steelyard.recording.writer import RecordingWriter, annotation

ANSWER_SECONDS: Final = 15.0
"""Longer than the session's thread ever waits for a box that comes back."""
_FILE_NAME: Final = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9_. -]{0,99}")
_FREE_NAMES: Final = 100

_Result = TypeVar("_Result")


@dataclass(frozen=True)
class RecordingOrder:
    """What is to be recorded; ``name`` of the file, empty: made from time, machine and client."""

    subject: Subject
    documents: tuple[Document, ...] = ()
    name: str = ""


class RecordingDesk:
    """One recording at a time, in one folder."""

    def __init__(self, acquisition: Acquisition, folder: Path | None) -> None:
        """``folder`` None: nothing can be recorded, and asking for it is refused."""
        self._acquisition = acquisition
        self._folder = folder
        self._turn = asyncio.Lock()

    @property
    def is_busy(self) -> bool:
        """Whether a recording is under way."""
        return self._acquisition.recording.running is not None

    async def start(self, order: RecordingOrder) -> dict[str, Any]:
        """Begin a recording; the calibrations in force and the profile go into it.

        Raises:
            ControlError: one is running, there is no folder, or no box.
            RecordingStorageError, RecordingFormatError: it cannot be made.
        """
        async with self._turn:
            acquisition = self._acquisition
            self._require_free()
            if not acquisition.session.is_linked:
                raise ControlError(
                    f"There is no box to record: {acquisition.session.waiting_because}",
                    "Plug the box in and start again.",
                )
            await self._put_away()
            tape = await asyncio.to_thread(self._open, order)
            await self._in_session(lambda: self._attach(tape))
            return self.state()

    async def end(self) -> dict[str, Any]:
        """End the recording; the box and the stream go on.

        Raises:
            ControlError: nothing is being recorded.
            RecordingStorageError: the disk does not take what waits.
        """
        async with self._turn:
            running = self._require_running()
            await self._in_session(lambda: self._detach(running))
            await asyncio.to_thread(running.tape.close)
            return {**running.state(), "path": str(running.tape.path)}

    async def annotate(self, text: str) -> None:
        """Write a remark into the recording, stamped now.

        Raises:
            ControlError: nothing is being recorded.
            RecordingFormatError: longer than 160 bytes as UTF-8.
        """
        running = self._require_running()
        running.tape.remark(annotation(text, AnnotationSource.OPERATOR, self._acquisition.clock))

    async def use(
        self, calibrations: Sequence[AnyCalibration], profile: GivenProfile | None = None
    ) -> None:
        """Put other calibrations in force on the stream, and another profile if one is given.

        Raises:
            WrongBoxError, WrongMachineError: one belongs elsewhere; all stays as it was.
        """
        await self._in_session(lambda: self._acquisition.announcer.use(calibrations, profile))

    def state(self) -> dict[str, Any]:
        """How the recording is, with its full path; as plain data."""
        running = self._acquisition.recording.running
        path = str(running.tape.path) if running is not None else None
        return {**self._acquisition.recording.state(), "path": path}

    async def close(self) -> None:
        """The broker has ended, and the session with it: end the recording too."""
        await self._put_away()

    def _require_free(self) -> None:
        running = self._acquisition.recording.running
        if running is not None and running.tape.is_writing:
            raise ControlError(
                f"{running.tape.path} is being recorded.", "End that recording first."
            )

    def _require_running(self) -> RunningRecording:
        running = self._acquisition.recording.running
        if running is None:
            raise ControlError("Nothing is being recorded.", "Start a recording first.")
        return running

    async def _put_away(self) -> None:
        """Close a recording that nobody has ended: its disk failed, or the broker ends."""
        running = self._acquisition.recording.running
        if running is None:
            return
        self._detach(running)
        try:
            await asyncio.to_thread(running.tape.close)
        except SteelyardError:
            return  # it was told as its problem; what is on the disk is readable

    def _open(self, order: RecordingOrder) -> TapeThread:
        path = self._free_path(order)
        in_force = [item for item in self._in_force() if item not in order.documents]
        if any(item.kind == DocumentKind.MACHINE for item in order.documents):
            in_force = [item for item in in_force if item.kind != DocumentKind.MACHINE]
        writer = RecordingWriter(
            path,
            self._acquisition.clock,
            order.subject,
            [*in_force, *order.documents],
            outlives_disk=True,
        )
        return TapeThread(Tape(writer, RecordingProgress(path, None)))

    def _in_force(self) -> list[Document]:
        """Calibrations and profile of the stream, as a recording keeps them."""
        announcer = self._acquisition.announcer
        found = [
            Document(DocumentKind.CALIBRATION, calibration.to_json())
            for calibration in announcer.calibrations
        ]
        if announcer.profile is not None:
            found.append(Document(DocumentKind.MACHINE, announcer.profile.text))
        return found

    def _attach(self, tape: TapeThread) -> None:
        acquisition = self._acquisition
        running = RunningRecording(tape, acquisition.session, acquisition.clock)
        acquisition.session.add_first(tape)
        acquisition.recording.running = running

    def _detach(self, running: RunningRecording) -> None:
        self._acquisition.session.remove(running.tape)
        self._acquisition.recording.running = None

    def _free_path(self, order: RecordingOrder) -> Path:
        if self._folder is None:
            raise ControlError(
                "This broker has no folder for recordings.", "Start it with --recordings FOLDER."
            )
        if order.name:
            return self._folder / checked_name(order.name)
        subject = order.subject
        moment = datetime.fromtimestamp(self._acquisition.clock.unix_ns() / 1e9, UTC).astimezone()
        words = [f"{moment:%Y-%m-%d_%H%M}", _word(subject.machine), _word(subject.client_code)]
        stem = "_".join(word for word in words if word)
        names = [stem, *(f"{stem}_{number}" for number in range(2, _FREE_NAMES))]
        paths = [self._folder / f"{name}{SUFFIX}" for name in names]
        return next((path for path in paths if not path.exists()), paths[0])

    async def _in_session(self, work: Callable[[], _Result]) -> _Result:
        future = self._acquisition.ask(work)
        try:
            return await asyncio.wait_for(asyncio.wrap_future(future), ANSWER_SECONDS)
        except TimeoutError as error:
            raise ControlError(
                f"The thread that listens to the box did not answer for {ANSWER_SECONDS:g} s.",
                "Unplug the box and plug it in again; report this if it comes back.",
            ) from error


def checked_name(name: str) -> str:
    """A file name with the suffix of recordings.

    Raises:
        ControlError: it could lead out of the folder, or not be a name everywhere.
    """
    if not _FILE_NAME.fullmatch(name) or name.endswith((".", " ")):
        raise ControlError(
            f"{name[:120]!r} cannot name a recording.",
            "Use up to 100 letters, digits, hyphens, dots, spaces and underlines.",
        )
    return name if name.endswith(SUFFIX) else name + SUFFIX


def _word(text: str) -> str:
    """A label as part of a file name."""
    return re.sub(r"[^A-Za-z0-9-]+", "-", text).strip("-")
