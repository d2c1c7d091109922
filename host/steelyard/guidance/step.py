"""What all steps of a visit have in common: states, operator's actions, outages, remarks."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, ClassVar

from steelyard.errors import ActionRefusedError
from steelyard.guidance import client_words
from steelyard.guidance.live_signals import LiveSignals
from steelyard.guidance.marks import fitted
from steelyard.guidance.stretch import Stretch
from steelyard.guidance.views import GOING_ON, StepState, StepView, Words
from steelyard.strength.balance import BalanceFit
from steelyard.strength.crank_course import CrankSetting, cranked
from steelyard.strength.isometric import IsometricTest
from steelyard.strength.machine_profile import MachineProfile
from steelyard.strength.measured import Statement
from steelyard.strength.session_analysis import SessionFacts
from steelyard.strength.set_summary import SetSummary
from steelyard.strength.signals import Signals

OPEN: frozenset[StepState] = GOING_ON | {StepState.READY}


@dataclass
class Stage:
    """What the steps of one visit share.

    ``facts``, ``balance``, ``tests`` and ``sets`` grow as steps are done.
    ``remarks`` wait to be written into the recording.
    """

    live: LiveSignals
    facts: SessionFacts = field(default_factory=SessionFacts)
    balance: BalanceFit | None = None
    tests: dict[str, IsometricTest] = field(default_factory=dict)
    sets: list[SetSummary] = field(default_factory=list)
    acknowledged_by: str = ""
    remarks: list[str] = field(default_factory=list)

    @property
    def profile(self) -> MachineProfile:
        """The machine."""
        return self.live.scales.profile

    @property
    def now(self) -> float:
        """Time of the visit, by the samples."""
        return self.live.seconds or 0.0

    def remark(self, text: str) -> None:
        """Have a remark written into the recording."""
        self.remarks.append(fitted(text))

    def crank_at(self, turns: float | None) -> None:
        """Note where the crank stands from now on; what was known before stays in the course.

        ``turns`` None: it was turned, and its setting not read.  What was balanced before
        counts on, moved by the turns, where these are known; else until the next sweep nothing.
        """
        course, before = self.facts.crank_course, self.facts.crank_turns
        if not course:
            course = (CrankSetting(before),)
        if self.balance is not None:
            self.balance = cranked(self.balance, before, turns, self.profile.counterweight)
        self.set_facts(crank_turns=turns, crank_course=(*course, CrankSetting(turns, self.now)))

    def set_facts(self, **changes: Any) -> None:
        """Bring the facts of the session up to date."""
        self.facts = replace(self.facts, **changes)


class Step(ABC):
    """One step of a visit.

    ``advance`` is called on every beat of the samples while the step runs.  Every
    action raises ActionRefusedError where it makes no sense; the view's
    ``actions`` name those that do.
    """

    kind: ClassVar[str]
    needs_torque: ClassVar[bool] = True
    """Whether the step is of no use without a calibration of the load channel."""

    def __init__(self, stage: Stage, title: str) -> None:
        self.stage = stage
        self.title = title
        self.state = StepState.READY
        self.lost = ""
        self.said: tuple[Statement, ...] = ()
        self._began: tuple[int, int] | None = None

    # --- the operator ------------------------------------------------------------------

    def start(self) -> None:
        """Begin."""
        self._only(StepState.READY, StepState.SKIPPED, StepState.STOPPED)
        self._require_live()
        self.state, self.lost, self.said = StepState.RUNNING, "", ()
        self._begin()
        self.stage.remark(f"{self.title}: begin")

    def skip(self) -> None:
        """Leave the step out."""
        self._only(*OPEN)
        self._close(StepState.SKIPPED, "skipped")

    def stop(self, reason: str = "") -> None:
        """End at once; what is measured so far is kept."""
        if self.state not in GOING_ON:
            return
        self._wind_up()
        self._close(StepState.STOPPED, f"stopped{f': {reason}' if reason else ''}")

    def finish(self) -> None:
        """End, and measure what there is."""
        self._only(StepState.RUNNING)
        self._wind_up()
        self._close(StepState.DONE, self.result_remark())

    def redo(self) -> None:
        """Do the step again from the start; what it gave is withdrawn."""
        self._only(*(set(StepState) - {StepState.READY}))
        self.stage.remark(f"{self.title}: withdrawn, to be done again")
        self._forget()
        self.state, self.lost, self.said = StepState.READY, "", ()

    # --- outages -------------------------------------------------------------------------

    def interrupt(self, why: str) -> None:
        """Samples stopped coming, or the box started anew."""
        if self.state is not StepState.RUNNING:
            return
        self.state = StepState.INTERRUPTED
        self.lost = f"{why} {self._lose()}".strip()
        self.stage.remark(f"{self.title}: interrupted. {self.lost}")

    def resume(self) -> None:
        """Samples come again."""
        if self.state is StepState.INTERRUPTED:
            self.state = StepState.RUNNING
            self._take_up()
            self.stage.remark(f"{self.title}: goes on")

    # --- what each step fills in -----------------------------------------------------------

    @abstractmethod
    def advance(self) -> None:
        """Look at the latest samples."""

    @abstractmethod
    def view(self) -> StepView:
        """What to show."""

    @abstractmethod
    def result_line(self) -> str:
        """What it came to, in one line; also when there is nothing."""

    def result_remark(self) -> str:
        """The same for the recording: with the samples that it comes from."""
        places = " ".join(stretch.text() for stretch in self._measured())
        return f"{self.result_line()} [{places}]" if places else self.result_line()

    def _measured(self) -> Sequence[Stretch]:
        """The stretches that the result comes from, where one remark can name them."""
        return ()

    @abstractmethod
    def _begin(self) -> None:
        """Start afresh from the latest sample."""

    @abstractmethod
    def _wind_up(self) -> None:
        """Measure what there is."""

    @abstractmethod
    def _forget(self) -> None:
        """Withdraw all figures."""

    @abstractmethod
    def _lose(self) -> str:
        """Give up what an outage spoils; returns it in words."""

    def _take_up(self) -> None:
        """Go on after an outage."""
        self._begin()

    @abstractmethod
    def kept(self) -> dict[str, Any]:
        """What has to outlive a restart of the program, as JSON's values."""

    @abstractmethod
    def take_kept(self, values: dict[str, Any]) -> None:
        """Put that back."""

    # --- for the steps -----------------------------------------------------------------------

    def _close(self, state: StepState, line: str) -> None:
        self.state = state
        self.stage.remark(f"{self.title}: {line}")

    def _only(self, *states: StepState) -> None:
        if self.state not in states:
            raise ActionRefusedError(
                f"“{self.title}” is {self.state.value}: this cannot be done now.",
                "Take one of the actions that are offered.",
            )

    def _require_live(self) -> None:
        if self.stage.live.place is None:
            raise ActionRefusedError(
                f"“{self.title}” cannot begin: no sample has come from the box.",
                "Check that the box is plugged in and live.",
            )
        if self.needs_torque and not self.stage.live.scales.calibrated:
            raise ActionRefusedError(
                f"“{self.title}” needs torque, and the load channel has no calibration in force.",
                "Calibrate it, or leave this step out.",
            )

    def _here(self) -> tuple[int, int]:
        place = self.stage.live.place
        if place is None:
            raise ActionRefusedError("No sample has come from the box.", "Check the cable.")
        return place

    def _signals(self) -> tuple[Stretch, Signals]:
        """From where the step (or its part) began up to now; may raise AnalysisError."""
        live = self.stage.live
        live.flush()
        stretch = live.stretch_from(self._began or self._here())
        return stretch, live.signals(stretch)

    def _in_visit(
        self, statements: tuple[Statement, ...], stretch: Stretch
    ) -> tuple[Statement, ...]:
        """Statements on a stretch, whose time starts with it, at the visit's times."""
        start = self.stage.live.seconds_of((stretch.boot_id, stretch.first_sequence))
        return tuple(
            one if one.seconds is None else replace(one, seconds=one.seconds + start)
            for one in statements
        )

    def _common(self, words: Words, headline: str, advice: str) -> dict[str, Any]:
        """The fields that every view of a step has."""
        shown, said = words, advice
        if self.stage.live.alarm and self.state is StepState.RUNNING:
            shown, said = client_words.LET_GO, self.stage.live.alarm
        elif self.state is StepState.INTERRUPTED:
            shown, said = client_words.NOT_LIVE, self.lost
        elif self.state is StepState.STOPPED:
            shown = client_words.STOPPED
        elif self.state in (StepState.DONE, StepState.SKIPPED):
            shown = client_words.DONE
        return {
            "kind": self.kind,
            "title": self.title,
            "state": self.state,
            "headline": headline,
            "words": shown,
            "advice": said,
            "actions": self.actions(),
            "lost": self.lost,
            "statements": self.said,
        }

    def actions(self) -> tuple[str, ...]:
        """Names of the methods an operator may call now."""
        by_state = {
            StepState.READY: ("start", "skip"),
            StepState.RUNNING: (*self._running_actions(), "stop"),
            StepState.INTERRUPTED: ("skip", "stop", "redo"),
            StepState.DONE: ("redo",),
            StepState.SKIPPED: ("start", "redo"),
            StepState.STOPPED: ("start", "redo"),
        }
        return by_state[self.state]

    def _running_actions(self) -> tuple[str, ...]:
        return ("finish", "skip", "redo")
