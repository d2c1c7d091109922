"""The process that holds the box, as a child of the screen server.

It is ``steelyard publish`` itself.  Nothing that happens to a page, a browser
or this server reaches the port; when the child dies it is started again.
"""

from __future__ import annotations

import asyncio
import re
import sys
from asyncio.subprocess import DEVNULL, PIPE, Process
from collections.abc import Sequence
from contextlib import suppress
from typing import Final

from steelyard.errors import StreamError

START_SECONDS: Final = 30.0
RESTART_SECONDS: Final = 2.0
STOP_SECONDS: Final = 5.0
_LINES: Final = re.compile(rb"JSON lines: (\S+):(\d+)")
_SOCKET: Final = re.compile(rb"WebSocket: +ws://(\S+):(\d+)/")


class BrokerChild:
    """Runs ``steelyard publish`` and says where its stream is."""

    def __init__(self, words: Sequence[str]) -> None:
        """``words``: its options, without those for the doors."""
        self._words = list(words)
        self._process: Process | None = None
        self._watch: asyncio.Task[None] | None = None
        self.address: tuple[str, int] | None = None
        self.socket_address: tuple[str, int] | None = None
        self.last_words = ""
        self.starts_total = 0

    async def start(self) -> None:
        """Start it and wait until it serves.

        Raises:
            StreamError: it ended instead; says what it said.
        """
        await self._launch()
        self._watch = asyncio.ensure_future(self._keep())

    async def replace(self, words: Sequence[str]) -> None:
        """Start another in its place, for instance on another virtual client."""
        await self.stop()
        self._words = list(words)
        await self.start()

    async def stop(self) -> None:
        """End it politely, and by force if it does not listen."""
        if self._watch is not None:
            self._watch.cancel()
            with suppress(asyncio.CancelledError):
                await self._watch
            self._watch = None
        process, self._process = self._process, None
        self.address = self.socket_address = None
        if process is None or process.returncode is not None:
            return
        process.terminate()
        try:
            async with asyncio.timeout(STOP_SECONDS):
                await process.wait()
        except TimeoutError:
            process.kill()
            await process.wait()

    async def _launch(self) -> None:
        self.starts_total += 1
        self._process = process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "steelyard.cli", "publish", *self._words),
            *("--lines", "0", "--websocket", "0"),
            stdin=DEVNULL,
            stdout=PIPE,
            stderr=PIPE,
        )
        if process.stdout is None or process.stderr is None:
            raise StreamError("The process that holds the box has no output.")
        try:
            async with asyncio.timeout(START_SECONDS):
                said = await process.stdout.readline() + await process.stdout.readline()
        except TimeoutError:
            said = b""
        lines, socket = _LINES.search(said), _SOCKET.search(said)
        if lines is None or socket is None:
            await self._explain(process)
        else:
            self.address = (lines[1].decode(), int(lines[2]))
            self.socket_address = (socket[1].decode(), int(socket[2]))

    async def _explain(self, process: Process) -> None:
        with suppress(ProcessLookupError):
            process.terminate()
        said = await process.stderr.read(4000) if process.stderr else b""
        await process.wait()
        self.last_words = said.decode("utf-8", "replace").strip()
        raise StreamError(
            f"The process that holds the box did not start. It said: {self.last_words or '-'}",
            "Try `steelyard show` with the same --port.",
        )

    async def _keep(self) -> None:
        while True:
            process = self._process
            if process is not None:
                await _drain(process)
                await process.wait()
            self.address = self.socket_address = None
            await asyncio.sleep(RESTART_SECONDS)
            with suppress(StreamError, OSError):
                await self._launch()


async def _drain(process: Process) -> None:
    """Read what it says for as long as it lives, so that it is never held up by a full pipe."""
    streams = [stream for stream in (process.stdout, process.stderr) if stream is not None]
    await asyncio.gather(*(_read_out(stream) for stream in streams))


async def _read_out(stream: asyncio.StreamReader) -> None:
    while await stream.read(4096):
        pass
