"""Directs a running broker: starts and ends recordings, from an event loop."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, Final

from steelyard.errors import ControlError
from steelyard.publish.addresses import LOOPBACK

ANSWER_SECONDS: Final = 60.0
"""More than any request takes; the longest is ending a recording on a slow disk."""
CONNECT_SECONDS: Final = 5.0
_LINE_BYTES: Final = 1 << 20


class ControlClient:
    """One connection to a broker's control door.  Make one with `connect`.

    Closing it, or losing it, leaves the broker and its recording as they are.
    """

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer
        self._numbers = itertools.count(1)
        self._waiting: dict[int, asyncio.Future[dict[str, Any]]] = {}
        self._task = asyncio.get_running_loop().create_task(self._listen())

    @classmethod
    async def connect(cls, number: int, token: str) -> ControlClient:
        """Connect to the door at a TCP port of this computer.

        Raises:
            ControlError: nobody answers there, or the token is not the broker's.
        """
        try:
            async with asyncio.timeout(CONNECT_SECONDS):
                reader, writer = await asyncio.open_connection(LOOPBACK, number, limit=_LINE_BYTES)
                writer.write(json.dumps({"token": token}).encode("ascii") + b"\n")
                greeting = await reader.readline()
        except (OSError, TimeoutError) as error:
            raise ControlError(
                f"No broker answers on port {number} of this computer ({error or 'in time'}).",
                "Start it with `steelyard publish --control`.",
            ) from error
        if not greeting:
            writer.close()
            raise ControlError(
                f"The broker on port {number} does not take this token.",
                "Give both the same STEELYARD_CONTROL_TOKEN.",
            )
        return cls(reader, writer)

    @property
    def is_open(self) -> bool:
        """Whether the broker is still there."""
        return not self._task.done()

    async def start_recording(
        self,
        machine: str = "",
        client: str = "",
        name: str = "",
        documents: Iterable[tuple[str, str]] = (),
    ) -> dict[str, Any]:
        """Begin a recording; returns its state.  ``documents``: (kind, text).

        Raises:
            ControlError: it cannot be begun, or the broker is gone; says why.
        """
        texts = [{"kind": kind, "text": text} for kind, text in documents]
        answer = await self.ask(
            "start_recording", machine=machine, client=client, name=name, documents=texts
        )
        return dict(answer["recording"])

    async def end_recording(self) -> dict[str, Any]:
        """End it; returns its last state.  Raises as `start_recording`."""
        return dict((await self.ask("end_recording"))["recording"])

    async def annotate(self, text: str) -> None:
        """Write a remark of at most 160 bytes into it.  Raises as `start_recording`."""
        await self.ask("annotate", text=text)

    async def use_calibrations(
        self, paths: Sequence[Path] = (), texts: Sequence[str] = (), profile: str = ""
    ) -> list[str]:
        """Put these calibrations in force, and no others; returns their ids.

        ``profile``: another machine's profile as well: its text, a path, or a ready name.

        Raises:
            ControlError: one is not for this box; those before stay in force.
        """
        answer = await self.ask(
            "use_calibrations",
            paths=[str(path) for path in paths],
            texts=list(texts),
            profile=profile,
        )
        return list(answer["calibrations"])

    async def state(self) -> dict[str, Any]:
        """How broker and recording are, and where the stream is served."""
        return await self.ask("state")

    async def stop(self) -> None:
        """Have the broker end its recording, and itself."""
        await self.ask("stop")

    async def close(self) -> None:
        """Let go of the door; nothing else changes."""
        self._task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self._task
        self._writer.close()
        with contextlib.suppress(OSError):
            await self._writer.wait_closed()

    async def ask(self, request: str, **content: Any) -> dict[str, Any]:
        """Send any request and wait for its answer.

        Raises:
            ControlError: the answer is no, or none comes; says why.
        """
        if self._task.done():
            raise _gone()
        number = next(self._numbers)
        answer: asyncio.Future[dict[str, Any]] = asyncio.get_running_loop().create_future()
        self._waiting[number] = answer
        line = json.dumps({"id": number, "request": request, **content})
        self._writer.write(line.encode("ascii") + b"\n")
        try:
            async with asyncio.timeout(ANSWER_SECONDS):
                found = await answer
        except TimeoutError as error:
            raise ControlError(
                f"The broker did not answer {request} for {ANSWER_SECONDS:g} s.",
                "What it records goes on; look at the disk, and ask again.",
            ) from error
        finally:
            del self._waiting[number]
        if not found.get("done"):
            raise ControlError(str(found.get("what", "")), str(found.get("advice", "")))
        return found

    async def _listen(self) -> None:
        try:
            while line := await self._reader.readline():
                answer = json.loads(line)
                waiting = self._waiting.get(answer["id"])
                if waiting is not None and not waiting.done():
                    waiting.set_result(answer)
        except (OSError, ValueError, KeyError):
            pass  # whatever it was: the broker is no longer there to be asked
        finally:
            for waiting in self._waiting.values():
                if not waiting.done():
                    waiting.set_exception(_gone())


def _gone() -> ControlError:
    return ControlError(
        "The broker is no longer there.", "What it had recorded is on the disk; start it again."
    )
