"""Recordings, begun and ended through the door of the process that holds the box.

That process writes them.  Whatever happens to this server, a recording that
was begun goes on; the next run of the server finds it going on.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from steelyard_protocol.records import DocumentKind

from steelyard.errors import SteelyardError
from steelyard.publish.broker_process import BrokerProcess
from steelyard.recording.documents import Document

log = logging.getLogger(__name__)


class RecordingControl:
    """What the screens may ask of the recorder.  ``folder``: where recordings are."""

    def __init__(self, broker: BrokerProcess, folder: Path) -> None:
        self.folder = folder
        self._broker = broker
        self._unwritten: list[str] = []

    @property
    def lines_address(self) -> tuple[str, int] | None:
        """Where the stream of JSON lines is; None while there is no process."""
        return ("127.0.0.1", self._broker.doors.lines) if self._broker.is_running else None

    @property
    def socket_address(self) -> tuple[str, int] | None:
        """Where its WebSocket is; None while there is no process."""
        return ("127.0.0.1", self._broker.doors.websocket) if self._broker.is_running else None

    @property
    def trouble(self) -> str:
        """Why the process is not there; empty: it is."""
        return self._broker.trouble

    async def begin(self, machine: str, client: str, documents: Sequence[Document]) -> None:
        """Begin a recording, or go on with the one that is going on.  Raises ControlError."""
        state = await self._broker.control.state()
        if not state["recording"]["on"]:
            told = [
                (DocumentKind(document.kind).name.lower(), document.text) for document in documents
            ]
            await self._broker.control.start_recording(machine, client, documents=told)

    async def end(self) -> Path | None:
        """End the recording; its file, None when there was none.  Raises ControlError."""
        state: dict[str, Any] = (await self._broker.control.state())["recording"]
        if not state["on"]:
            return None
        ended = await self._broker.control.end_recording()
        return self.folder / str(ended["file"])

    async def use_calibrations(self, texts: Sequence[str]) -> None:
        """Put these calibrations in force on the stream, and no others.  Raises ControlError."""
        await self._broker.control.use_calibrations(texts=texts)

    async def remark(self, text: str) -> None:
        """Write a remark into the recording; one that cannot be written now is tried again."""
        self._unwritten.append(text)
        while self._unwritten:
            try:
                await self._broker.control.annotate(self._unwritten[0])
            except SteelyardError as error:
                log.info("a remark waits: %s", error)
                del self._unwritten[:-100]
                return
            self._unwritten.pop(0)
