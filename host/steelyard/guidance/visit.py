"""A visit: the steps in order, what is done, and everything needed to put it back.

The caller feeds decoded records and the stream's clock, calls actions for the
operator, shows ``view`` and writes ``take_remarks`` into the recording.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any, Final, Self

from steelyard.errors import ActionRefusedError, VisitStateError
from steelyard.guidance.balance_step import BalanceStep
from steelyard.guidance.cautions import CAUTIONS, stop_rules_in_words
from steelyard.guidance.isometric_step import IsometricStep
from steelyard.guidance.live_signals import KeptTime, LiveSignals
from steelyard.guidance.machine_scales import MachineScales
from steelyard.guidance.record_json import from_values, to_values
from steelyard.guidance.response_step import ResponseStep
from steelyard.guidance.restraint_step import RestraintStep
from steelyard.guidance.set_step import SetStep
from steelyard.guidance.step import OPEN, Stage, Step
from steelyard.guidance.views import GOING_ON, PlannedStep, StepState, VisitView
from steelyard.strength.balance import BalanceFit
from steelyard.strength.isometric import IsometricPlan, plan_stations
from steelyard.strength.measured import Statement
from steelyard.strength.session_analysis import SessionFacts

SCHEMA: Final = "steelyard visit"
SCHEMA_VERSION: Final = 1
STATIONS: Final = 3
SHOWN_REMARKS: Final = 8

MAKERS: Final[dict[str, Callable[[Stage, str], Step]]] = {
    "restraint": RestraintStep,
    "balance": BalanceStep,
    "isometric": IsometricStep,
    "isometric again": lambda stage, title: IsometricStep(stage, title, name="after"),
    "set": SetStep,
    "response": ResponseStep,
}
USUAL: Final = (
    ("restraint", "Restraint check"),
    ("balance", "Balance"),
    ("isometric", "Isometric test"),
    ("set", "Set"),
)
WITH_RESPONSE: Final = (
    *USUAL,
    ("isometric again", "Isometric test after"),
    ("response", "Before and after"),
)


class Visit:
    """One client on one machine.

    ``steps`` may be used directly for settings (``set_plan``, ``choose``);
    operator's actions go through ``act``, so that a pressed stop holds.
    """

    def __init__(
        self,
        scales: MachineScales,
        client_code: str = "",
        facts: SessionFacts | None = None,
        order: Iterable[tuple[str, str]] = USUAL,
        cautions: tuple[str, ...] = CAUTIONS,
    ) -> None:
        self.stage = Stage(LiveSignals(scales), facts or SessionFacts())
        self.client_code = client_code
        self.cautions = cautions
        self.order = tuple(order)
        self.steps = [MAKERS[name](self.stage, title) for name, title in self.order]
        self.current: int | None = 0 if self.steps else None
        self.stopped = ""
        self._shown: list[str] = []
        self._alarms_total = 0
        self._stale = False

    # --- samples and time ----------------------------------------------------------------

    @property
    def live(self) -> LiveSignals:
        """The machine."""
        return self.stage.live

    @property
    def step(self) -> Step | None:
        """The current one."""
        return None if self.current is None else self.steps[self.current]

    @property
    def facts(self) -> SessionFacts:
        """Facts of the session as they stand."""
        return self.stage.facts

    def feed(self, records: Iterable[object], at_seconds: float) -> None:
        """Take decoded records in order; ``at_seconds`` is the stream's clock now."""
        for record in records:
            if self.live.add(record, at_seconds):
                self._beat()

    def tick(self, at_seconds: float) -> None:
        """Say what time it is; some ten times a second, so that silence is noticed."""
        stale = self.live.place is not None and not self.live.is_live(at_seconds)
        if stale and not self._stale and self.step is not None:
            self.step.interrupt("Samples stopped coming.")
        self._stale = stale

    def lose_link(self, because: str) -> None:
        """The link to the box is gone."""
        self.live.lose_link(because)
        self._stale = True
        if self.step is not None:
            self.step.interrupt("The link to the box was lost.")

    def _beat(self) -> None:
        step, outage = self.step, self.live.take_outage()
        self._stale = False
        if self.live.alarms_total > self._alarms_total:
            self._alarms_total = self.live.alarms_total
            self.stage.remark(f"ALARM {self.live.alarm}")
        if step is None:
            return
        if outage:
            step.interrupt(outage)
        if step.state is StepState.INTERRUPTED and not self.stopped:
            step.resume()
        elif step.state is StepState.RUNNING:
            step.advance()

    # --- the operator --------------------------------------------------------------------

    def act(self, action: str, **arguments: Any) -> None:
        """Do one of the current step's ``actions``.

        Raises ActionRefusedError when it is not offered now.
        """
        step = self.step
        if step is None or action not in step.actions():
            offered = ", ".join(step.actions()) if step else "none"
            raise ActionRefusedError(
                f"“{action}” cannot be done now.", f"What can be done: {offered}."
            )
        if self.stopped and action not in ("skip", "stop"):
            raise ActionRefusedError(
                f"The visit was stopped: {self.stopped}.", "Release the stop first, on purpose."
            )
        if action == "start" and isinstance(step, IsometricStep) and not step.records:
            self._plan(step)
        getattr(step, action)(**arguments)

    def acknowledge(self, by: str) -> None:
        """Somebody has read cautions and stop rules, and says so."""
        if not by.strip():
            raise ActionRefusedError(
                "Nobody is named.", "Enter who acknowledges the cautions and stop rules."
            )
        self.stage.acknowledged_by = by.strip()
        self.stage.remark(f"cautions and stop rules acknowledged by {by.strip()}")

    def stop(self, reason: str = "") -> None:
        """The big stop: marks the recording, ends what is going on; nothing starts until released.

        Never refused.
        """
        self.stopped = reason or "stop pressed"
        self.stage.remark(f"STOP: {self.stopped}")
        if self.step is not None:
            self.step.stop(self.stopped)

    def release_stop(self, by: str) -> None:
        """Go on after a stop; asks for the cautions to be acknowledged again."""
        self.stage.remark(f"stop released by {by}")
        self.stopped, self.stage.acknowledged_by = "", ""

    def next(self) -> None:
        """On to the next step that is open; the one left has to be over."""
        if self.step is not None and self.step.state in GOING_ON:
            raise ActionRefusedError(
                f"“{self.step.title}” is still going on.", "Finish, stop or skip it first."
            )
        after = range((self.current or 0) + 1, len(self.steps))
        waiting = [number for number in after if self.steps[number].state in OPEN]
        self.current = waiting[0] if waiting else None

    def go_to(self, index: int) -> None:
        """To any step, to do it (again) out of order."""
        if self.step is not None and self.step.state is StepState.RUNNING:
            raise ActionRefusedError(
                f"“{self.step.title}” is still going on.", "Finish, stop or skip it first."
            )
        if not 0 <= index < len(self.steps):
            raise ActionRefusedError(
                f"There is no step {index}.", f"There are {len(self.steps)}, from 0."
            )
        self.current = index

    def _plan(self, step: IsometricStep) -> None:
        """Stations over the client's range, as nothing else was chosen.

        A second test goes the same way as the first, where that gave a valid effort.
        """
        first = next(one for one in self.steps if isinstance(one, IsometricStep))
        if first is not step and first.records:
            worth = [one.degrees for one in first.records if any(e.valid for e in one.efforts)]
            step.set_plan(replace(first.plan, stations_degrees=tuple(worth)), first.pace)
        elif self.facts.client_range is not None:
            profile = self.live.scales.profile
            step.set_plan(IsometricPlan(plan_stations(profile, self.facts.client_range, STATIONS)))

    def take_remarks(self) -> list[str]:
        """Remarks (at most 160 bytes each) to be written into the recording now, once."""
        taken, self.stage.remarks = self.stage.remarks, []
        self._shown = [*self._shown, *taken][-SHOWN_REMARKS:]
        return taken

    # --- the view ------------------------------------------------------------------------

    def view(self, at_seconds: float) -> VisitView:
        """Everything for an operator's page; ``at_seconds`` on the clock of ``feed``."""
        step, live = self.step, self.live.view(at_seconds)
        return VisitView(
            machine=self.live.scales.profile.name,
            client_code=self.client_code,
            steps=tuple(
                PlannedStep(
                    number,
                    one.kind,
                    one.title,
                    one.state,
                    "" if one.state is StepState.READY else one.result_line(),
                )
                for number, one in enumerate(self.steps)
            ),
            current=self.current,
            cautions=self.cautions,
            stop_rules=stop_rules_in_words(self.facts.stop_rules),
            acknowledged_by=self.stage.acknowledged_by,
            stopped=self.stopped,
            outage=live.not_live_because or (step.lost if step and step.state in OPEN else ""),
            live=live,
            step=step.view() if step else None,
            remarks=tuple(self._shown),
        )

    # --- keeping it ----------------------------------------------------------------------

    def to_json(self) -> str:
        """Everything that has to outlive a restart of the program that shows it."""
        content = {
            "schema": SCHEMA,
            "schema_version": SCHEMA_VERSION,
            "machine": self.live.scales.profile.name,
            "client_code": self.client_code,
            "facts": to_values(self.facts),
            "time": to_values(self.live.kept()),
            "balance": to_values(self.stage.balance),
            "acknowledged_by": self.stage.acknowledged_by,
            "stopped": self.stopped,
            "current": self.current,
            "cautions": list(self.cautions),
            "remarks": list(self.stage.remarks),
            "shown": list(self._shown),
            "steps": [
                {
                    "name": name,
                    "title": title,
                    "state": step.state.value,
                    "lost": step.lost,
                    "said": to_values(step.said),
                    "kept": step.kept(),
                }
                for (name, title), step in zip(self.order, self.steps, strict=True)
            ],
        }
        return json.dumps(content, ensure_ascii=False, allow_nan=False)

    @classmethod
    def from_json(cls, text: str, scales: MachineScales) -> Self:
        """The visit as it was kept; a step that was going on is interrupted, and goes on.

        Raises VisitStateError when the text is no visit, or one on another machine.
        """
        content = _content(text, scales.profile.name)
        try:
            return cls._put_back(content, scales)
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise VisitStateError(
                f"The kept visit cannot be understood ({error}).",
                "Begin the visit anew; the recording has everything.",
            ) from error

    @classmethod
    def _put_back(cls, content: dict[str, Any], scales: MachineScales) -> Self:
        kept = content["steps"]
        order = [(str(one["name"]), str(one["title"])) for one in kept]
        facts = from_values(SessionFacts, content["facts"])
        visit = cls(scales, str(content["client_code"]), facts, order, tuple(content["cautions"]))
        stage = visit.stage
        stage.live.take_kept(from_values(KeptTime | None, content["time"]))  # type: ignore[arg-type]
        stage.balance = from_values(BalanceFit | None, content["balance"])  # type: ignore[arg-type]
        stage.acknowledged_by = str(content["acknowledged_by"])
        visit.stopped, visit.current = str(content["stopped"]), content["current"]
        stage.remarks, visit._shown = list(content["remarks"]), list(content["shown"])
        for step, one in zip(visit.steps, kept, strict=True):
            step.state, step.lost = StepState(one["state"]), str(one["lost"])
            going_on = step.state is StepState.RUNNING
            if going_on:
                step.state = StepState.INTERRUPTED
                step.lost = "The program was started again."
            step.said = from_values(tuple[Statement, ...], one["said"])
            step.take_kept(one["kept"])
            if isinstance(step, SetStep) and step.state not in OPEN:
                stage.sets += step.summaries
        return visit


def _content(text: str, machine: str) -> dict[str, Any]:
    try:
        content = json.loads(text)
    except ValueError as error:
        raise VisitStateError(f"This is no kept visit: {error}.", "Begin anew.") from error
    if not isinstance(content, dict) or content.get("schema") != SCHEMA:
        raise VisitStateError("This is no kept visit.", "Begin anew.")
    if content.get("schema_version") != SCHEMA_VERSION:
        raise VisitStateError(
            f"Version {content.get('schema_version')} of kept visits is not known here.",
            "Use the program that kept it, or begin anew.",
        )
    if content.get("machine") != machine:
        raise VisitStateError(
            f"The visit is on “{content.get('machine')}”, this machine is “{machine}”.",
            "Go on with it on its own machine.",
        )
    return content
