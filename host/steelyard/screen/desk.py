"""What the server knows about one machine: the one state that all pages show.

Pages and displays hold nothing of their own; a reload, a second tab or another
tablet shows the same.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

from steelyard.errors import ActionRefusedError, SteelyardError
from steelyard.guidance.isometric_step import IsometricStep
from steelyard.guidance.restraint_step import RestraintStep
from steelyard.guidance.set_step import SetStep
from steelyard.guidance.visit import Visit
from steelyard.report.sources import sheet_document
from steelyard.screen.hanging.weight_desk import WeightDesk
from steelyard.screen.live.feed import Feed
from steelyard.screen.live.recording_control import RecordingControl
from steelyard.screen.visit.client_view import ClientViewMaker
from steelyard.screen.visit.coach import Coach
from steelyard.screen.visit.filing import file_visit
from steelyard.screen.visit.reviewing import Reviewing
from steelyard.screen.visit.visit_desk import VisitDesk
from steelyard.store import Records
from steelyard.store.kept import Limits, Result
from steelyard.strength.isometric import IsometricPlan, plan_stations
from steelyard.strength.machine_profile import MachineProfile
from steelyard.strength.session_analysis import SessionFacts
from steelyard.strength.session_sheet import SessionSheet, beside, save_sheet, sheet_of_facts

STATIONS: Final = 3


@dataclass
class Desk:
    """One machine.  ``coach`` where the client is a virtual one; ``open_records`` opens the
    practice's records for an operator's initials."""

    profile: MachineProfile
    feed: Feed
    visits: VisitDesk
    folder: Path
    open_records: Callable[[str], Records]
    recorder: RecordingControl
    reviewing: Reviewing
    weights: WeightDesk
    coach: Coach | None = None
    operator: str = ""
    client_code: str = ""
    ending: dict[str, str] = field(default_factory=dict)
    """What is chosen already for the end of the visit."""
    filing_troubles: dict[str, str] = field(default_factory=dict)
    """Why a recording's visit could not be filed, by the recording's name."""
    _records: Records | None = None
    _maker: ClientViewMaker = field(init=False)

    def __post_init__(self) -> None:
        self._maker = ClientViewMaker(self.profile.torque_limit_nm)

    # --- the practice's records ----------------------------------------------------------

    @property
    def records(self) -> Records:
        """The practice's records, opened when they are first asked for.  Raises StoreError."""
        if self._records is None:
            self._records = self.open_records(self.operator)
        return self._records

    def sign_on(self, initials: str) -> None:
        """Say who works here now; goes into every entry.  Raises EntryError."""
        fresh = self.open_records(initials)
        if self._records is not None:
            self._records.close()
        self._records, self.operator = fresh, initials.strip()

    # --- the visit -------------------------------------------------------------------------

    async def begin_visit(self, code: str, facts: SessionFacts, with_response: bool) -> None:
        """Begin a visit.  Raises ActionRefusedError while one goes on, or weights hang."""
        if self.weights.going_on:
            raise ActionRefusedError(
                "Weights are being hung on this machine.", "Take them off and end that first."
            )
        sheet = sheet_of_facts(facts)
        await self.recorder.begin(self.profile.name, code, [sheet_document(sheet)])
        self.visits.begin(code, facts, with_response)
        await self.visits.first_sample()
        if self.coach is not None:
            self.coach.begin()

    async def end_visit(self, service: str = "") -> Path | None:
        """End the visit and file it; returns its recording, if there is one.

        ``service``: a key of the practice's table.
        """
        visit = self.visits.going_on()
        for text in visit.take_remarks():
            await self.recorder.remark(text)
        path = await self.recorder.end()
        if path is not None:
            save_sheet(self._sheet(visit, service), beside(path))
        self.visits.end()
        self.ending.clear()
        if path is not None and visit.client_code:
            await self._file_or_say(path.stem, service)
        return path

    async def file(self, name: str, service: str = "") -> Result:
        """Put a recording's visit and analysis into the practice's records.

        Raises StoreError, ScreenError, RecordingError, SheetError.
        """
        found = await self.reviewing.analysis(name)
        self.filing_troubles.pop(name, None)
        return file_visit(self.records, found, self.profile, service)

    async def _file_or_say(self, name: str, service: str) -> None:
        """What cannot be filed now is in the recording, and can be filed from its review."""
        try:
            await self.file(name, service)
        except SteelyardError as error:
            self.filing_troubles[name] = str(error)

    def _sheet(self, visit: Visit, service: str) -> SessionSheet:
        kept = self._limits(visit.client_code)
        return replace(
            sheet_of_facts(visit.facts),
            load_rule=kept.load_rule if kept else None,
            service=service,
            cautions_acknowledged=bool(visit.stage.acknowledged_by),
            written_by=self.operator,
        )

    def act(self, action: str, **arguments: Any) -> None:
        """Do one of the current step's actions.  Raises ActionRefusedError, ConsentError."""
        view = self.visits.view
        if action == "start" and view is not None and view.step is not None:
            step = self.visits.going_on().step
            if isinstance(step, IsometricStep):
                self.require_consent()
                if not step.records:
                    step.set_plan(IsometricPlan(self.suggested_stations()))
        self.visits.act(action, **arguments)
        if action == "start" and self.coach is not None:  # only now: it may have been refused
            self.coach.step_begins()

    def require_consent(self) -> None:
        """No maximal effort without the client's consent.  Raises ConsentError."""
        code = self.visits.going_on().client_code
        if code:
            self.records.consents.require(code)

    def choose_set(self, plates_kg: float | None, count: float | None) -> None:
        """Plates and repetitions of the set that comes.  Raises ActionRefusedError."""
        step = self.visits.going_on().step
        if not isinstance(step, SetStep):
            raise ActionRefusedError("The step now is no set.", "Go to the set first.")
        asked = None if count is None else max(1, min(50, round(count)))
        step.choose(plates_kg, asked)
        if self.coach is not None and plates_kg is not None:
            self.coach.set_comes(plates_kg, asked)
        self.visits.refresh()

    def suggested_stations(self) -> tuple[float, ...]:
        """Stations over the range that is known so far: entered, swept, moved, or the machine's."""
        visit = self.visits.going_on()
        limits = self._limits(visit.client_code)
        if limits is not None and limits.stations_degrees:
            return limits.stations_degrees
        known = visit.facts.client_range
        for step in visit.steps:
            if known is None and isinstance(step, RestraintStep) and step.check is not None:
                view = step.view()
                if view.arm_low_degrees is not None and view.arm_high_degrees is not None:
                    known = view.arm_low_degrees, view.arm_high_degrees
        return plan_stations(self.profile, known or self.profile.travel_degrees, STATIONS)

    def choose_stations(
        self, stations: tuple[float, ...], efforts: float | None, rest_seconds: float | None
    ) -> None:
        """Stations of the isometric test that comes.  Raises ActionRefusedError."""
        step = self.visits.going_on().step
        low, high = self.profile.travel_degrees
        if not isinstance(step, IsometricStep):
            raise ActionRefusedError("The step now is no isometric test.", "Go to it first.")
        if not stations or not all(low <= at <= high for at in stations):
            raise ActionRefusedError(
                f"The stations have to lie within {low:g}° to {high:g}°.", "Correct them."
            )
        count = 2 if efforts is None else max(1, min(6, round(efforts)))
        rest = 60.0 if rest_seconds is None else max(0.0, min(600.0, rest_seconds))
        step.set_plan(IsometricPlan(stations, count, rest_seconds=rest))
        self.visits.refresh()

    def _limits(self, code: str) -> Limits | None:
        kept = self.records.limits.current(code, self.profile.name) if code else None
        return kept.limits if kept else None

    # --- stop ------------------------------------------------------------------------------

    def stop(self) -> None:
        """The big stop: ends the step, marks the recording, and shows on every screen."""
        if self.visits.visit is not None:
            self.visits.visit.stop("stop pressed on the screen")
            self.visits.refresh()
        else:
            self.halted = True

    @property
    def why_no_weights(self) -> str:
        """Why nothing may be hung now; empty: it may."""
        if self.halted:
            return "STOP was pressed."
        return "A visit is going on." if self.visits.visit is not None else ""

    halted: bool = False
    """Stopped while no visit was going on."""

    # --- what the client sees ----------------------------------------------------------------

    def display_view(self) -> dict[str, Any]:
        """What the client display shows besides the live points; nothing personal."""
        low, high = self.profile.travel_degrees
        visit = self.visits.visit
        if visit is not None and visit.facts.client_range is not None:
            low, high = visit.facts.client_range
        shown: dict[str, Any] = {
            "machine": self.profile.name,
            "range_degrees": [round(low, 1), round(high, 1)],
            "plot": "angle",
            "scale_nm": self._maker.scale_nm,
        }
        if self.visits.view is not None:
            shown |= self._maker.view(self.visits.view)
        elif self.halted:
            shown |= {"headline": "Stop", "word": "STOP", "stop": True}
        elif self.weights.going_on:
            shown |= {"headline": "Weights are hanging here: keep clear"}
        return shown
