"""The visit on the server: one for all pages, kept on disk, so that nothing is lost by a reload.

Pages ask for ``view`` and call ``act`` and its like; a refusal comes as an
error with advice.  Remarks go into the recording as they arise.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from steelyard.errors import ActionRefusedError, SteelyardError, VisitStateError
from steelyard.guidance.machine_scales import MachineScales
from steelyard.guidance.views import VisitView
from steelyard.guidance.visit import USUAL, WITH_RESPONSE, Visit
from steelyard.strength.session_analysis import SessionFacts

TICK_SECONDS: Final = 0.1
KEEP_SECONDS: Final = 5.0
PATIENCE_SECONDS: Final = 2.0
KEPT_NAME: Final = "visit-going-on.json"

Remark = Callable[[str], Awaitable[None]]


@dataclass
class VisitDesk:
    """``scales`` is asked when a visit begins; ``remark`` writes into the recording."""

    scales: Callable[[], MachineScales]
    folder: Path
    remark: Remark
    visit: Visit | None = None
    view: VisitView | None = None
    trouble: str = ""
    on_view: list[Callable[[VisitView], None]] = field(default_factory=list)
    _kept_seconds: float = 0.0

    # --- from the stream ---------------------------------------------------------------

    def feed(self, records: Sequence[object], at_seconds: float) -> None:
        """Take decoded records."""
        if self.visit is not None:
            self.visit.feed(records, at_seconds)

    def lose_link(self, because: str) -> None:
        """No records come."""
        if self.visit is not None:
            self.visit.lose_link(because)

    async def run(self) -> None:
        """Keep views fresh, remarks written and the visit kept, until cancelled."""
        while True:
            if self.visit is not None:
                await self._look(self.visit)
            await asyncio.sleep(TICK_SECONDS)

    def refresh(self) -> None:
        """Make the view anew, at once."""
        if self.visit is not None:
            self.view = self.visit.view(time.monotonic())

    async def _look(self, visit: Visit) -> None:
        now = time.monotonic()
        visit.tick(now)
        self.view = view = visit.view(now)
        for tell in self.on_view:
            tell(view)
        for text in visit.take_remarks():
            await self.remark(text)
        if now - self._kept_seconds > KEEP_SECONDS:
            self.keep()

    # --- the operator --------------------------------------------------------------------

    def begin(self, client_code: str, facts: SessionFacts, with_response: bool = False) -> None:
        """Begin a visit.  Raises ActionRefusedError while another goes on."""
        if self.visit is not None:
            raise ActionRefusedError(
                f"A visit of {self.visit.client_code or 'nobody'} is going on.", "End it first."
            )
        order = WITH_RESPONSE if with_response else USUAL
        self.visit = Visit(self.scales(), client_code, facts, order)
        self.view = self.visit.view(time.monotonic())
        self.keep()

    async def first_sample(self) -> None:
        """Wait a moment for samples to come, so that the first step can be started at once."""
        end = time.monotonic() + PATIENCE_SECONDS
        visit = self.visit
        while visit is not None and visit.live.place is None and time.monotonic() < end:
            await asyncio.sleep(0.02)

    def act(self, action: str, **arguments: Any) -> None:
        """Do one of the current step's actions.  Raises ActionRefusedError."""
        self.going_on().act(action, **arguments)
        self.refresh()
        self.keep()

    def going_on(self) -> Visit:
        """The visit.  Raises ActionRefusedError when there is none."""
        if self.visit is None:
            raise ActionRefusedError("No visit is going on.", "Choose the client first.")
        return self.visit

    def end(self) -> None:
        """End the visit; what was measured is in the recording."""
        self.visit = self.view = None
        with suppress(OSError):
            (self.folder / KEPT_NAME).unlink(missing_ok=True)

    # --- keeping it ------------------------------------------------------------------------

    def keep(self) -> None:
        """Write the visit down, whole or not at all."""
        self._kept_seconds = time.monotonic()
        if self.visit is None:
            return
        path = self.folder / KEPT_NAME
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            fresh = path.with_suffix(".new")
            fresh.write_text(self.visit.to_json(), encoding="utf-8")
            fresh.replace(path)
            self.trouble = ""
        except OSError as error:
            self.trouble = f"The visit cannot be kept in {path} ({error.strerror or error})."

    def take_up(self) -> None:
        """Go on with the visit that an earlier run of the server left, if there is one."""
        path = self.folder / KEPT_NAME
        if not path.exists():
            return
        try:
            self.visit = Visit.from_json(path.read_text(encoding="utf-8"), self.scales())
            self.view = self.visit.view(time.monotonic())
        except (OSError, VisitStateError) as error:
            self.trouble = f"The visit of before could not be taken up: {error}"
        except SteelyardError as error:
            self.trouble = str(error)
