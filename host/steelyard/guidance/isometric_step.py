"""Isometric test: station by station, relax, count down, rise, hold, relax, rest.

The phases guide; they do not decide what is measured.  Whatever the client
does, each stretch is given to ``strength.isometric``, which finds the effort in
it and judges it, just as it does in the recording.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar, Final

import numpy as np

from steelyard.errors import ActionRefusedError, AnalysisError
from steelyard.guidance import client_words
from steelyard.guidance.effort_watch import EffortWatch
from steelyard.guidance.record_json import from_values, to_values
from steelyard.guidance.step import Stage, Step
from steelyard.guidance.stretch import Stretch
from steelyard.guidance.views import EffortView, IsometricView, StationView, StepState, Words
from steelyard.strength.effort import Effort
from steelyard.strength.isometric import (
    SAME_STATION_DEGREES,
    IsometricPlan,
    IsometricTest,
    Station,
    compared,
    isometric_test,
)
from steelyard.strength.measured import Statement
from steelyard.strength.signals import Signals

ARRIVED_SECONDS: Final = 1.0
EXTRA_EFFORTS: Final = 1
"""So many more than planned are asked for where some did not count."""
LEAD_SECONDS: Final = 8.0
"""A stretch reaches so far back before an effort, for its relaxed torque."""
AT_STATION: Final = frozenset({"relax", "countdown", "rise", "hold", "release"})


@dataclass(frozen=True)
class TestPace:
    """Durations in seconds; ``target_nm`` is a torque bar to aim at, None: none."""

    __test__ = False  # not a test of this program

    relax_seconds: float = 3.0
    countdown_seconds: float = 3.0
    target_nm: float | None = None


@dataclass(frozen=True)
class Attempt:
    """What was found in one stretch; mostly one effort."""

    stretch: Stretch
    efforts: tuple[Effort, ...]


@dataclass
class StationRecord:
    """What was done at one station."""

    degrees: float
    attempts: list[Attempt] = field(default_factory=list)
    skipped: bool = False

    @property
    def efforts(self) -> list[Effort]:
        """In order of time."""
        return [effort for attempt in self.attempts for effort in attempt.efforts]


def efforts_in(signals: Signals, stage: Stage) -> tuple[Effort, ...]:
    """Of a whole stretch, live or recorded."""
    return isometric_test(
        signals,
        stage.profile,
        stage.facts.effort_limits,
        relaxed_scatter_nm=stage.balance.scatter_nm if stage.balance else 0.0,
    ).efforts


class IsometricStep(Step):
    """Refuses to start before cautions and stop rules are acknowledged."""

    kind: ClassVar[str] = "isometric"

    def __init__(
        self,
        stage: Stage,
        title: str = "Isometric test",
        plan: IsometricPlan | None = None,
        pace: TestPace | None = None,
        name: str = "before",
    ) -> None:
        super().__init__(stage, title)
        self.name = name
        self.plan = plan or IsometricPlan(())
        self.pace = pace or TestPace()
        self.records = [StationRecord(degrees) for degrees in self.plan.stations_degrees]
        self._current = 0
        self._phase, self._phase_began = "to station", 0.0
        self._rest_until = 0.0
        self._floor = 0.0
        self._order: list[int] = []
        self._watch = EffortWatch(stage.profile)

    # --- the operator ------------------------------------------------------------------

    def set_plan(self, plan: IsometricPlan, pace: TestPace | None = None) -> None:
        """Choose stations, order, repeats and times; before the test only."""
        self._only(StepState.READY)
        self.plan, self.pace = plan, pace or self.pace
        self.records = [StationRecord(degrees) for degrees in plan.stations_degrees]

    def start(self) -> None:
        """Begin with the first station."""
        if not self.stage.acknowledged_by:
            raise ActionRefusedError(
                "A maximal effort is asked of the client, and cautions and stop rules have not "
                "been acknowledged.",
                "Read them, and acknowledge them first.",
            )
        if not self.records:
            raise ActionRefusedError(
                "No stations are planned.", "Choose stations within the client's range."
            )
        super().start()

    def next_station(self) -> None:
        """Leave the present station with what it has, and go to the next."""
        self._only(StepState.RUNNING)
        self.records[self._current].skipped = not self.records[self._current].efforts
        self._to_next_station()

    def go_on(self) -> None:
        """Cut the rest short."""
        self._only(StepState.RUNNING)
        if self._phase != "rest":
            raise ActionRefusedError("Nobody is resting now.", "Wait for the rest to begin.")
        self._rest_until = self.stage.now
        self.stage.remark(f"{self.title}: rest cut short")

    def undo_effort(self) -> None:
        """Withdraw the last effort, so that it is asked for again."""
        self._only(StepState.RUNNING, StepState.INTERRUPTED)
        if not self._order:
            raise ActionRefusedError("There is no effort to withdraw.", "Go on with the test.")
        self._current = self._order.pop()
        self._record.attempts.pop()
        self._record.skipped = False
        self.stage.remark(f"{self.title}: last effort at {self._record.degrees:z.0f}° withdrawn")
        self._store()
        if self.state is StepState.RUNNING:
            self._enter("relax" if self._on_station() else "to station")

    # --- samples -------------------------------------------------------------------------

    def advance(self) -> None:
        """Follow the client through the phases."""
        self._watch.look(self.stage.live)
        if self.stage.live.alarm and self._phase in ("rise", "hold"):
            self._enter("release")
        {
            "to station": self._to_station,
            "relax": self._relax,
            "countdown": self._countdown,
            "rise": self._rise,
            "hold": self._hold,
            "release": self._release,
            "rest": self._rest,
        }.get(self._phase, self._to_next_station)()

    @property
    def _record(self) -> StationRecord:
        return self.records[self._current]

    @property
    def _since(self) -> float:
        return self.stage.now - self._phase_began

    def _enter(self, phase: str) -> None:
        self._phase, self._phase_began = phase, self.stage.now

    def _on_station(self) -> bool:
        away = self._off_station()
        return away is not None and abs(away) <= SAME_STATION_DEGREES

    def _off_station(self) -> float | None:
        at = self._watch.degrees
        return None if at is None else at - self._record.degrees

    def _to_station(self) -> None:
        if self._watch.still_seconds < ARRIVED_SECONDS:
            return
        if not self._on_station() and not self._switch_station():
            return
        if self.stage.now < self._rest_until:
            self._enter("rest")
            return
        self._floor = max(self._floor, self.stage.now - ARRIVED_SECONDS)
        self._enter("relax")

    def _switch_station(self) -> bool:
        """The arm was locked at another station that is still to be done: take that one."""
        at = self._watch.degrees
        for number, record in enumerate(self.records):
            waiting = not record.skipped and not self._is_done(record)
            if at is not None and waiting and abs(record.degrees - at) <= SAME_STATION_DEGREES:
                self._current = number
                return True
        return False

    def _relax(self) -> None:
        if self._watch.pushing:
            self._enter("rise")
        elif self._watch.moved_away(self._record.degrees):
            self._enter("to station")
        elif self._since >= self.pace.relax_seconds and self._watch.settle():
            self._enter("countdown")

    def _countdown(self) -> None:
        self._watch.settle()
        if self._watch.pushing or self._since >= self.pace.countdown_seconds:
            self._watch.begin()
            self._enter("rise")

    def _rise(self) -> None:
        if self._watch.gave_way:
            self._enter("release")
        elif not self._watch.pushed and self._since > self.plan.rise_seconds + LEAD_SECONDS:
            text = f"Nobody pushed for {self._since:.0f} s at {self._record.degrees:z.0f}°."
            self.said = (Statement("no-effort", text, self.stage.now),)
            self.stage.remark(f"{self.title}: {text}")
            self._enter("relax")
        elif self._watch.pushed and self._watch.pushed_seconds >= self.plan.rise_seconds:
            self._enter("hold")

    def _hold(self) -> None:
        if self._watch.gave_way or self._since >= self.plan.hold_seconds:
            self._enter("release")

    def _release(self) -> None:
        if self._watch.is_over or self._since > LEAD_SECONDS:
            self._measure()

    def _rest(self) -> None:
        if self._watch.pushing and self._on_station():
            self._watch.begin()
            self._enter("rise")
        elif self.stage.now >= self._rest_until:
            self._enter("relax" if self._on_station() else "to station")
        elif self._watch.moved_away(self._record.degrees):
            self._enter("to station")

    def _measure(self) -> None:
        live, record = self.stage.live, self._record
        onset = self._watch.onset_seconds or self.stage.now
        began = live.place_at(max(self._floor, onset - LEAD_SECONDS))
        self._floor = self.stage.now
        self._began = began
        try:
            stretch, signals = self._signals()
            found = efforts_in(signals, self.stage)
        except AnalysisError:
            found = ()
        self._rest_until = self.stage.now + self.plan.rest_seconds
        if not found:
            self.said = (Statement("no-effort", "No effort was found there.", self.stage.now),)
            self.stage.remark(f"{self.title}: no effort found at {record.degrees:z.0f}°")
        else:
            record.attempts.append(Attempt(stretch, found))
            self._order.append(self._current)
            self._tell(found[-1], stretch)
        self._store()
        self._watch.reset()
        if self._is_done(record):
            self._to_next_station()
        else:
            self._enter("rest")

    def _tell(self, effort: Effort, stretch: Stretch) -> None:
        self.said = self._in_visit(effort.statements, stretch)
        peak = "no peak" if effort.peak is None else f"peak {effort.peak.text()}"
        codes = ", ".join(one.code for one in effort.statements if one.spoils)
        self.stage.remark(
            f"{self.title}: {effort.degrees.value:z.0f}° {peak}"
            f"{f', not valid: {codes}' if codes else ''} [{stretch.text()}]"
        )

    def _is_done(self, record: StationRecord) -> bool:
        valid = sum(effort.valid for effort in record.efforts)
        most = self.plan.efforts + EXTRA_EFFORTS
        return valid >= self.plan.efforts or len(record.efforts) >= most

    def _to_next_station(self) -> None:
        for ahead in range(1, len(self.records) + 1):
            number = (self._current + ahead) % len(self.records)
            record = self.records[number]
            if not record.skipped and not self._is_done(record):
                self._current = number
                self._enter("to station")
                return
        self._enter("done")
        self.finish()

    # --- results -------------------------------------------------------------------------

    @property
    def result(self) -> IsometricTest:
        """As ``strength.isometric`` gives it: stations from the extended to the flexed end."""
        return gathered([record.efforts for record in self.records], self.stage)

    def _store(self) -> None:
        self.stage.tests[self.name] = self.result

    def _begin(self) -> None:
        self._watch.reset()
        self._floor = self.stage.now
        self._enter("to station")

    def _wind_up(self) -> None:
        if self._phase in ("rise", "hold", "release") and self._watch.pushed:
            self._record.skipped = True
            self.stage.remark(f"{self.title}: the effort going on was not measured")
        self._store()

    def _forget(self) -> None:
        for record in self.records:
            record.attempts, record.skipped = [], False
        self._current, self._rest_until, self._order = 0, 0.0, []
        self.stage.tests.pop(self.name, None)

    def _lose(self) -> str:
        during = self._phase in ("rise", "hold", "release")
        lost = "The effort going on is lost; it will be asked for again." if during else ""
        kept = sum(len(record.efforts) for record in self.records)
        return f"{lost} {kept} efforts measured before are kept.".strip()

    def result_line(self) -> str:
        """How many stations have a valid effort."""
        valid = sum(station.best is not None for station in self.result.stations)
        return f"{valid} of {len(self.records)} stations with a valid effort"

    # --- the view ------------------------------------------------------------------------

    def view(self) -> IsometricView:
        """Stations, phase and torque bar."""
        watch, running = self._watch, self.state is StepState.RUNNING
        at_work = running and self._phase in AT_STATION
        left = self._seconds_left() if running else None
        record = self._record if self.records and self._phase != "done" else None
        return IsometricView(
            **self._common(self._words(), self._headline(), self._advice()),
            phase=self._phase if running else "done" if self._phase == "done" else "to station",
            phase_seconds_left=left,
            stations=tuple(map(self._station_view, range(len(self.records)))),
            station_degrees=record.degrees if record else None,
            off_station_degrees=self._off_station() if record and running else None,
            effort_number=len(record.efforts) + 1 if record else 0,
            efforts_planned=self.plan.efforts,
            relaxed_nm=watch.relaxed_nm if at_work else None,
            torque_nm=watch.net_nm if at_work else None,
            highest_nm=watch.highest_nm if at_work and watch.pushed else None,
            target_nm=self.pace.target_nm,
            guide_nm=self._guide_nm() if at_work else None,
            acknowledged=bool(self.stage.acknowledged_by),
        )

    def _station_view(self, number: int) -> StationView:
        record = self.records[number]
        efforts = compared(record.efforts, self.stage.facts.effort_limits)
        now = number == self._current and self.state is StepState.RUNNING
        state = "skipped" if record.skipped else "done" if self._is_done(record) else "to do"
        best = Station(record.degrees, efforts).best
        return StationView(
            record.degrees,
            "now" if now and state == "to do" else state,
            tuple(_effort_view(index, one) for index, one in enumerate(efforts, start=1)),
            best.peak if best else None,
        )

    def _seconds_left(self) -> float | None:
        length = {
            "countdown": self.pace.countdown_seconds,
            "hold": self.plan.hold_seconds,
            "rise": self.plan.rise_seconds,
        }.get(self._phase)
        if self._phase in ("rest", "to station") and self._rest_until > self.stage.now:
            return self._rest_until - self.stage.now
        return None if length is None else max(0.0, length - self._since)

    def _guide_nm(self) -> float | None:
        target = self.pace.target_nm
        if target is None or self._phase not in ("rise", "hold"):
            return None
        share = 1.0 if self._phase == "hold" else min(1.0, self._since / self.plan.rise_seconds)
        return target * share * share * (3.0 - 2.0 * share)

    def _words(self) -> Words:
        by_phase = {
            "to station": client_words.TO_STATION,
            "relax": client_words.RELAX,
            "countdown": client_words.SOON,
            "rise": client_words.PUSH,
            "hold": client_words.HOLD,
            "release": client_words.RELEASE,
            "rest": client_words.REST,
            "done": client_words.DONE,
        }
        return by_phase[self._phase]

    def _headline(self) -> str:
        number = len(self._record.efforts) + 1 if self.records else 0
        return f"Strength: push {min(number, self.plan.efforts)} of {self.plan.efforts}"

    def _advice(self) -> str:
        if self.state is StepState.READY and not self.stage.acknowledged_by:
            return "Cautions and stop rules have to be acknowledged before a maximal effort."
        if not self.records:
            return "Choose stations within the client's range."
        at = f"{self._record.degrees:z.0f}°"
        texts = {
            "to station": f"Set and lock the arm at {at}.",
            "relax": "The client lets go; relaxed torque is being taken.",
            "countdown": "Tell the client to get ready.",
            "rise": "Smoothly, more and more.",
            "hold": "Hold.",
            "release": "Let go.",
            "rest": f"Rest. Next at {at}.",
            "done": "All stations are done.",
        }
        spoiling = [one.text for one in self.said if one.spoils]
        why = (
            f" Last effort: {spoiling[0]}" if spoiling and self._phase in ("rest", "relax") else ""
        )
        return texts[self._phase] + why

    def _running_actions(self) -> tuple[str, ...]:
        rest = ("go_on",) if self._phase == "rest" else ()
        undo = ("undo_effort",) if any(record.efforts for record in self.records) else ()
        return (*rest, *undo, "next_station", "finish", "redo")

    def kept(self) -> dict[str, Any]:
        """Plan, and what each station has."""
        return {
            "plan": to_values(self.plan),
            "pace": to_values(self.pace),
            "current": self._current,
            "order": list(self._order),
            "records": [
                {
                    "degrees": record.degrees,
                    "attempts": to_values(tuple(record.attempts)),
                    "skipped": record.skipped,
                }
                for record in self.records
            ],
        }

    def take_kept(self, values: dict[str, Any]) -> None:
        """Put it back."""
        self.plan = from_values(IsometricPlan, values["plan"])
        self.pace = from_values(TestPace, values["pace"])
        self._current, self._order = int(values["current"]), [int(at) for at in values["order"]]
        self.records = [
            StationRecord(
                float(one["degrees"]),
                list(from_values(tuple[Attempt, ...], one["attempts"])),
                bool(one["skipped"]),
            )
            for one in values["records"]
        ]
        if any(record.efforts for record in self.records):
            self._store()
        if self.state is StepState.DONE:
            self._phase = "done"


def gathered(groups: Sequence[Sequence[Effort]], stage: Stage) -> IsometricTest:
    """Efforts by station as one test."""
    stations = [
        Station(
            float(np.median([effort.degrees.value for effort in group])),
            compared(group, stage.facts.effort_limits),
        )
        for group in groups
        if group
    ]
    return IsometricTest(tuple(sorted(stations, key=lambda one: one.degrees)), ())


def _effort_view(number: int, effort: Effort) -> EffortView:
    return EffortView(
        number,
        effort.peak,
        effort.plateau,
        effort.time_to_peak_seconds,
        effort.steadiness_percent,
        effort.valid,
        tuple(one.text for one in effort.statements if one.spoils),
    )
