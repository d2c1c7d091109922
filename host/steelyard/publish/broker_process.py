"""A broker in a process of its own, kept alive by the program that needs it.

Why a process: what is recorded must not depend on a program that draws
pictures.  When the owner dies the broker goes on recording, and a new owner
takes it over through the same ``seat`` file; when nobody comes back and nothing
is being recorded, the broker ends by itself.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import secrets
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Final

from steelyard.errors import ControlError, PublishError, SteelyardError
from steelyard.publish.broker_seat import Doors, read_seat, write_seat
from steelyard.publish.control_client import ControlClient

START_SECONDS: Final = 30.0
STOP_SECONDS: Final = 40.0
UNATTENDED_SECONDS: Final = 60.0
FIRST_PAUSE_SECONDS: Final = 0.5
LONGEST_PAUSE_SECONDS: Final = 10.0
_LAST_WORDS_BYTES: Final = 4096


@dataclass(frozen=True)
class BrokerPlan:
    """What the broker is to do; words of ``steelyard publish``.

    ``seat``: a file in a folder of this user alone, in which the broker's doors and token
    are kept for a later owner; None: the broker cannot be taken over.
    """

    port: str
    recordings: Path
    calibrations: tuple[Path, ...] = ()
    site: str = "site"
    machine: str = ""
    profile: str = ""
    """A machine's profile: path of a file, or a ready name."""
    box_id: str = ""
    more_words: tuple[str, ...] = ()
    unattended_seconds: float = UNATTENDED_SECONDS
    seat: Path | None = None

    def words(self) -> list[str]:
        """The command line behind ``steelyard publish``."""
        words = ["--port", self.port, "--recordings", str(self.recordings)]
        words += ["--control", "0", "--lines", "0", "--websocket", "0", "--json"]
        words += ["--unattended", f"{self.unattended_seconds:g}", "--site", self.site]
        words += [word for path in self.calibrations for word in ("--calibration", str(path))]
        words += ["--machine", self.machine] if self.machine else []
        words += ["--profile", self.profile] if self.profile else []
        words += ["--box", self.box_id] if self.box_id else []
        return [*words, *self.more_words]


class BrokerProcess:
    """Starts a broker, talks to it, and starts it again when it dies.

    ``async with BrokerProcess(plan) as broker``; then ``broker.doors`` and
    ``broker.control``.  Both change when the broker had to be started again:
    ``on_change`` is called then, and when it is gone (``broker.trouble`` says why).
    """

    def __init__(self, plan: BrokerPlan, on_change: Callable[[], None] | None = None) -> None:
        self.trouble = ""
        self.starts_total = 0
        self._plan = plan
        self._on_change = on_change or (lambda: None)
        self._doors: Doors | None = None
        self._control: ControlClient | None = None
        self._process: subprocess.Popen[bytes] | None = None
        self._exit_code: int | None = None
        self._last_words: IO[bytes] | None = None
        self._keeper: asyncio.Task[None] | None = None

    @property
    def is_running(self) -> bool:
        """Whether the broker is there and can be asked."""
        return self._control is not None and self._control.is_open

    @property
    def doors(self) -> Doors:
        """Where it serves.  Raises ControlError while it is gone."""
        if self._doors is None or not self.is_running:
            raise self._gone()
        return self._doors

    @property
    def control(self) -> ControlClient:
        """What to ask it with.  Raises ControlError while it is gone."""
        if self._control is None or not self._control.is_open:
            raise self._gone()
        return self._control

    async def __aenter__(self) -> BrokerProcess:
        """Take over the broker of a former owner, or start one.

        Raises:
            PublishError: it does not start; says what it said.
        """
        if not await self._take_over():
            try:
                await self._start()
            except SteelyardError:
                self._close_last_words()
                raise
        self._keeper = asyncio.get_running_loop().create_task(self._keep())
        return self

    async def __aexit__(self, *exception: object) -> None:
        """End the broker, and a recording with it, cleanly."""
        await self.stop()

    async def stop(self) -> None:
        """End the broker cleanly; a recording is ended whole."""
        await self._stop_keeping()
        if self._control is not None:
            with contextlib.suppress(SteelyardError):
                await self._control.stop()
        await self._wait_for_end()
        await self._let_go()
        self._close_last_words()
        if self._plan.seat is not None:
            self._plan.seat.unlink(missing_ok=True)

    async def leave(self) -> None:
        """Go, and leave the broker and its recording for a later owner."""
        await self._stop_keeping()
        await self._let_go()
        self._forget_process()
        self._close_last_words()

    # --- starting ----------------------------------------------------------------

    async def _take_over(self) -> bool:
        doors = read_seat(self._plan.seat)
        if doors is None or doors.port != self._plan.port:
            return False
        try:
            self._control = await ControlClient.connect(doors.control, doors.token)
        except ControlError:
            return False
        self._doors = doors
        return True

    async def _start(self) -> None:
        token = secrets.token_hex(16)
        self._close_last_words()
        self._last_words = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as the process
        # Not asyncio's own: that one kills its process when the loop ends.
        process = self._process = subprocess.Popen(
            [sys.executable, "-m", "steelyard.cli", "publish", *self._plan.words()],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=self._last_words,
            env={**os.environ, "STEELYARD_CONTROL_TOKEN": token},
            start_new_session=True,  # Ctrl-C is for the owner, who ends the broker in order
        )
        self.starts_total += 1
        said = await self._first_line(process)
        self._doors = Doors(
            said["lines"][1],
            said["websocket"][1],
            said["control"][1],
            token,
            process.pid,
            self._plan.port,
        )
        self._control = await ControlClient.connect(self._doors.control, token)
        write_seat(self._plan.seat, self._doors)
        self.trouble = ""

    async def _first_line(self, process: subprocess.Popen[bytes]) -> dict[str, Any]:
        if process.stdout is None:
            raise PublishError("The broker's output cannot be read.")
        reading = asyncio.ensure_future(asyncio.to_thread(process.stdout.readline))
        done, _ = await asyncio.wait({reading}, timeout=START_SECONDS)
        if not done:
            process.kill()
        try:
            return dict(json.loads(await reading))
        except ValueError as error:
            process.kill()
            await self._wait_for_end()
            raise self._refused() from error

    # --- keeping -------------------------------------------------------------------

    async def _keep(self) -> None:
        pause = FIRST_PAUSE_SECONDS
        while True:
            if self.is_running:
                pause = FIRST_PAUSE_SECONDS
                await asyncio.sleep(0.1)
            elif not await self._join_again():
                self._on_change()
                await asyncio.sleep(pause)
                pause = min(2 * pause, LONGEST_PAUSE_SECONDS)
                await self._try_start()

    async def _join_again(self) -> bool:
        """The connection is gone; is the broker? As long as it lives it is never started anew."""
        doors = self._doors
        while doors is not None:
            try:
                self._control = await ControlClient.connect(doors.control, doors.token)
                return True
            except ControlError as error:
                if self._process is None or self._process.poll() is not None:
                    break
                self.trouble = error.what
                await asyncio.sleep(0.1)
        await self._wait_for_end()
        self.trouble = self._refused().what
        await self._let_go()
        return False

    async def _try_start(self) -> None:
        try:
            await self._start()
            self._on_change()
        except SteelyardError as error:
            self.trouble = str(error)

    async def _stop_keeping(self) -> None:
        if self._keeper is not None:
            self._keeper.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._keeper
            self._keeper = None

    async def _wait_for_end(self) -> None:
        if self._process is None:
            return
        deadline = asyncio.get_running_loop().time() + STOP_SECONDS
        while self._process.poll() is None:
            await asyncio.sleep(0.02)
            if asyncio.get_running_loop().time() > deadline:
                self._process.kill()
        self._forget_process()

    def _forget_process(self) -> None:
        """Close our end of its output; it may live on."""
        process, self._process = self._process, None
        if process is None:
            return
        if process.stdout is not None:
            process.stdout.close()
        if process.poll() is None:
            process.returncode = 0  # it is no child to be waited for any more
        else:
            self._exit_code = process.returncode

    async def _let_go(self) -> None:
        if self._control is not None:
            await self._control.close()
        self._control = None
        self._doors = None

    def _refused(self) -> PublishError:
        said = self._said()
        if said and said[0].startswith("error: "):
            return PublishError(said[0].removeprefix("error: "), " ".join(said[1:]))
        code = self._exit_code
        last = f" It said: {said[-1]}" if said else ""
        return PublishError(
            f"The broker has ended (exit code {code}).{last}", "It is started again."
        )

    def _said(self) -> list[str]:
        """The last lines of its standard error."""
        if self._last_words is None:
            return []
        self._last_words.seek(0)
        text = self._last_words.read()[-_LAST_WORDS_BYTES:].decode("utf-8", "replace")
        return [line for line in text.splitlines() if line.strip()]

    def _close_last_words(self) -> None:
        if self._last_words is not None:
            self._last_words.close()
            self._last_words = None

    def _gone(self) -> ControlError:
        return ControlError(
            self.trouble or "The broker is not running.", "It is started again by itself; wait."
        )
