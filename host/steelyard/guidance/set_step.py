"""A set of slow repetitions: count, tempo, corridor, words as form slips, when to stop."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, ClassVar, Final

import numpy as np

from steelyard.errors import AnalysisError
from steelyard.guidance import client_words
from steelyard.guidance.corridor import Corridor
from steelyard.guidance.form_watch import FormWatch
from steelyard.guidance.movement_phases import Moment, MovementPhases, Phase
from steelyard.guidance.record_json import from_values, to_values
from steelyard.guidance.step import Stage, Step
from steelyard.guidance.stretch import Stretch
from steelyard.guidance.views import PathView, RepetitionView, SetView, StepState, Words
from steelyard.strength.measured import Statement
from steelyard.strength.repetitions import SET_PAUSE_SECONDS, find_repetitions, into_sets
from steelyard.strength.set_summary import SetRepetition, SetSummary, summarise_set
from steelyard.strength.signals import Signals

JUDGED_SECONDS: Final = 0.7
"""After the turn: what is said of a repetition looks half a second beyond it."""
WORDS_SECONDS: Final = 3.0
IDLE_SECONDS: Final = 12.0
AT_REST_SECONDS: Final = 2.5
SPEED_SECONDS: Final = 0.2
PATH_POINTS: Final = 600


def sets_in(signals: Signals, stage: Stage, stack_kg: float | None) -> tuple[SetSummary, ...]:
    """Of a whole stretch, live or recorded: mostly one."""
    profile, facts = stage.profile, stage.facts
    low, high = facts.client_range or profile.travel_degrees
    load_nm = profile.stack.torque(stack_kg or profile.stack.plates_kg[0])
    found = find_repetitions(signals, high - low, load_nm)
    return tuple(
        summarise_set(
            signals,
            group,
            profile,
            facts.prescription,
            high - low,
            stage.balance,
            facts.stop_rules,
        )
        for group in into_sets(signals, found)
    )


class SetStep(Step):
    """Parts: an outage ends one, and the set goes on in the next."""

    kind: ClassVar[str] = "set"

    def __init__(
        self,
        stage: Stage,
        title: str = "Set",
        count_asked: int | None = 8,
        stack_kg: float | None = None,
    ) -> None:
        super().__init__(stage, title)
        self.count_asked = count_asked
        self.stack_kg = stack_kg
        self.stretches: list[Stretch] = []
        self.parts: list[tuple[SetSummary, ...]] = []
        self._running: tuple[SetSummary, ...] = ()
        self._prepare()

    def _prepare(self) -> None:
        """A new part."""
        low, high = self.stage.facts.client_range or self.stage.profile.travel_degrees
        self._phases = MovementPhases(high - low)
        self._form = FormWatch(self.stage.facts.prescription, (low, high))
        self._corridor = Corridor(low, high, self.stage.facts.prescription, self._load_band())
        self._judge_at: float | None = None
        self._moved_at = self._said_until = 0.0
        self._path: list[tuple[float, float, float | None]] = []
        self._last_path: PathView | None = None
        self._slips: tuple[Words, ...] = ()

    def _load_band(self) -> tuple[float, float] | None:
        """Torque the stack gives, friction both ways and a little more."""
        stack = self.stage.profile.stack
        if self.stack_kg is None:
            return None
        load, off = stack.torque(self.stack_kg), stack.friction_ratio + 0.10
        return load * (1.0 - off), load * (1.0 + off)

    # --- the operator ------------------------------------------------------------------

    def choose(self, stack_kg: float | None = None, count_asked: int | None = None) -> None:
        """Plates and number of repetitions; before the set only."""
        self._only(StepState.READY)
        self.stack_kg = self.stack_kg if stack_kg is None else stack_kg
        self.count_asked = self.count_asked if count_asked is None else count_asked

    # --- samples -------------------------------------------------------------------------

    def advance(self) -> None:
        """Follow the arm; measure a repetition when it is over."""
        now = self._moment()
        if now is None:
            return
        changed = self._phases.follow(now)
        phase = self._phases.phase
        if abs(now.speed) > 2.0 * client_speed(phase):
            self._moved_at = now.seconds
        self._keep_path(now, changed)
        self._watch_form(now)
        if changed and phase is Phase.TURN_DOWN:
            self._judge_at = now.seconds + JUDGED_SECONDS
        if self._judge_at is not None and now.seconds >= self._judge_at:
            self._judge_at = None
            self._judge()
        self._end_by_itself(now)

    def _moment(self) -> Moment | None:
        times, torque, degrees = self.stage.live.recent(SPEED_SECONDS)
        sound = np.isfinite(degrees)
        if sound.sum() < 6:
            return None
        at = times[sound] - times[-1]
        # A straight line through the last moments: its end and its slope.
        centre, middle = float(np.mean(at)), float(np.mean(degrees[sound]))
        away = at - centre
        speed = float(away @ (degrees[sound] - middle) / (away @ away))
        known = torque[np.isfinite(torque)][-6:]
        return Moment(
            float(times[-1]),
            middle - speed * centre,
            speed,
            float(np.mean(known)) if len(known) else None,
        )

    def _keep_path(self, now: Moment, changed: bool) -> None:
        if changed and self._phases.phase is Phase.CONCENTRIC and self._phases.start is not None:
            begins_anew = not self._path or self._path[0][0] != self._phases.start.seconds
            if begins_anew:
                self._last_path = self._path_view() or self._last_path
                start = self._phases.start
                self._path = [(start.seconds, start.degrees, start.torque_nm)]
                self._form.begin(self.stage.live)
        if self._path and len(self._path) < PATH_POINTS:
            self._path.append((now.seconds, now.degrees, now.torque_nm))

    def _watch_form(self, now: Moment) -> None:
        slips = self._form.look(now, self._phases, self.stage.live, self._load_nm)
        if slips:
            self._slips, self._said_until = slips, now.seconds + WORDS_SECONDS
        elif now.seconds > self._said_until:
            self._slips = ()

    @property
    def _load_nm(self) -> float | None:
        if self._running:
            return self._running[-1].load_nm
        kg = self.stack_kg
        return None if kg is None else self.stage.profile.stack.torque(kg)

    def _judge(self) -> Stretch | None:
        """Measure the whole part anew: what comes later may change what is said of a repetition."""
        before = self._count_of(self._running)
        try:
            stretch, signals = self._signals()
            self._running = sets_in(signals, self.stage, self.stack_kg)
        except AnalysisError:
            return None
        done = [one for summary in self._running for one in summary.repetitions]
        if len(done) > before:
            self._tell(done[-1])
        return stretch

    def _tell(self, one: SetRepetition) -> None:
        words = tuple(client_words.FOR_FAULT[finding.fault] for finding in one.findings)
        if words:
            self._slips, self._said_until = words, self.stage.now + WORDS_SECONDS
            faults = "; ".join(f"{item.fault.value} {item.text}" for item in one.findings)
            self.stage.remark(f"{self.title}: repetition {self.count}: {faults}")
        if self.stop_advice:
            self.stage.remark(f"{self.title}: rule says stop: {self.stop_advice}")

    def _end_by_itself(self, now: Moment) -> None:
        quiet = now.seconds - self._moved_at
        enough = self.count_asked is not None and self.count >= self.count_asked
        paused = self.count > 0 and quiet > SET_PAUSE_SECONDS - 1.0
        at_rest = self._phases.phase in (Phase.TURN_DOWN, Phase.READY)
        if at_rest and (paused or (enough and quiet > AT_REST_SECONDS)):
            self.finish()

    # --- results -------------------------------------------------------------------------

    @property
    def summaries(self) -> tuple[SetSummary, ...]:
        """Of all parts, in order of time."""
        return (*(one for part in self.parts for one in part), *self._running)

    @property
    def count(self) -> int:
        """Repetitions that are over."""
        return self._count_of(self.summaries)

    @staticmethod
    def _count_of(summaries: tuple[SetSummary, ...]) -> int:
        return sum(summary.count for summary in summaries)

    @property
    def stop_advice(self) -> str:
        """What a clinician's rule says, of the latest part."""
        found = self.summaries
        stop = found[-1].stop if found else None
        return "" if stop is None else f"after repetition {stop.after_repetition}: {stop.reason}"

    def _begin(self) -> None:
        if not self.parts:
            self.stage.set_facts(stack_kg=self.stack_kg)
        self._began, self._running = self._here(), ()
        self._prepare()
        self._moved_at = self.stage.now

    def _take_up(self) -> None:
        self._begin()

    def _close_part(self) -> None:
        stretch = self._judge()
        if stretch is not None:
            self.stretches.append(stretch)
            self.parts.append(self._running)
        self._running = ()

    def _wind_up(self) -> None:
        if self.state is StepState.RUNNING:
            self._close_part()
        self._phases.phase = Phase.DONE
        self.stage.sets += [one for part in self.parts for one in part]
        self.said = tuple(
            one
            for part, stretch in zip(self.parts, self.stretches, strict=True)
            for summary in part
            for one in self._in_visit(summary.statements, stretch)
        )
        if not self.count:
            text = "No repetition under load was seen: no work, tempo or form is given."
            self.said = (*self.said, Statement("no-repetition", text, self.stage.now))

    def _forget(self) -> None:
        gone = self.summaries
        self.stage.sets = [one for one in self.stage.sets if one not in gone]
        self.stretches, self.parts, self._running = [], [], ()

    def _lose(self) -> str:
        before = self.count
        self._close_part()
        under_way = self._phases.phase in (Phase.CONCENTRIC, Phase.TURN_UP, Phase.ECCENTRIC)
        kept = max(before, self.count)
        lost = "The repetition under way is lost. " if under_way else ""
        return f"{lost}{kept} repetitions are kept."

    def result_line(self) -> str:
        """Count, faults, work."""
        found = self.summaries
        if not found:
            return "no repetition under load"
        faulty = sum(bool(one.findings) for each in found for one in each.repetitions)
        work = " + ".join(summary.work.text() for summary in found)
        return f"{self.count} repetitions, {faulty} of them faulty, {work}"

    def _measured(self) -> Sequence[Stretch]:
        return self.stretches if self.summaries else ()

    # --- the view ------------------------------------------------------------------------

    def view(self) -> SetView:
        """Count, phase, corridor, paths, words."""
        phases, now = self._phases, self.stage.now
        running = self.state is StepState.RUNNING
        since = phases.since_seconds
        start = phases.start if phases.phase not in (Phase.READY, Phase.TURN_DOWN) else None
        found = self.summaries
        asked = self._form.seconds_asked(phases.phase)
        return SetView(
            **self._common(self._words(), f"Repetition {self.count + 1}", self._advice()),
            phase=phases.phase.value,
            phase_seconds=now - since if since is not None and running else 0.0,
            phase_seconds_asked=asked,
            pace=self._form.pace if running else None,
            count=self.count,
            count_asked=self.count_asked,
            slips=self._slips if running else (),
            stop_advice=self.stop_advice,
            corridor=self._corridor.view(now - start.seconds if start and running else None),
            path=self._path_view() if running else None,
            last_path=self._last_path,
            repetitions=tuple(_repetition_views(found)),
            load_nm=found[-1].load_nm if found else None,
            stack_kg=self.stack_kg,
            work=found[-1].work if found else None,
            seconds_under_load=sum(summary.seconds_under_load for summary in found),
        )

    def _path_view(self) -> PathView | None:
        if not self._path:
            return None
        seconds, degrees, torque = zip(*self._path, strict=True)
        first = seconds[0]
        return PathView(tuple(at - first for at in seconds), degrees, torque)

    def _words(self) -> Words:
        if self.stop_advice and self.state is StepState.RUNNING:
            return client_words.ENOUGH
        if self._slips:
            return self._slips[0]
        return {
            Phase.READY: client_words.BEGIN,
            Phase.CONCENTRIC: client_words.UP,
            Phase.TURN_UP: client_words.TURN_UP,
            Phase.ECCENTRIC: client_words.DOWN,
            Phase.TURN_DOWN: client_words.TURN_DOWN,
            Phase.DONE: client_words.DONE,
        }[self._phases.phase]

    def _advice(self) -> str:
        if self.state is StepState.READY:
            kg = "the plates" if self.stack_kg is None else f"{self.stack_kg:g} kg"
            return f"Choose {kg}, unlock the arm, and start."
        if self.state is not StepState.RUNNING:
            return self.result_line()
        if self.stop_advice:
            return f"Rule: stop {self.stop_advice}."
        idle = self.stage.now - self._moved_at
        if self.count == 0 and idle > IDLE_SECONDS:
            return f"Nothing has moved for {idle:.0f} s. Fewer plates? Skip the set if it hurts."
        return self._slips[0].detail or self._slips[0].text if self._slips else ""

    def kept(self) -> dict[str, Any]:
        """Parts and where they came from."""
        return {
            "count_asked": self.count_asked,
            "stack_kg": self.stack_kg,
            "parts": to_values(tuple(self.parts)),
            "stretches": to_values(tuple(self.stretches)),
            "unfinished": self._count_of(self._running),
        }

    def take_kept(self, values: dict[str, Any]) -> None:
        """Put them back; the part that was going on is lost here, not in the recording."""
        self.count_asked, self.stack_kg = values["count_asked"], values["stack_kg"]
        self.parts = list(from_values(tuple[tuple[SetSummary, ...], ...], values["parts"]))
        self.stretches = list(from_values(tuple[Stretch, ...], values["stretches"]))
        self._prepare()
        if self.state not in (StepState.READY, StepState.INTERRUPTED):
            self._phases.phase = Phase.DONE
        if values["unfinished"]:
            self.lost = f"{values['unfinished']} repetitions are in the recording only."


def client_speed(phase: Phase) -> float:
    """Speed in degrees/s that counts as moving: trembling at rest does not."""
    return 1.5 if phase in (Phase.READY, Phase.TURN_DOWN) else 0.5


def _repetition_views(found: tuple[SetSummary, ...]) -> list[RepetitionView]:
    views: list[RepetitionView] = []
    for summary in found:
        for one in summary.repetitions:
            measures = one.measures
            up, down = measures.concentric, measures.eccentric
            views.append(
                RepetitionView(
                    len(views) + 1,
                    measures.range_degrees,
                    up.seconds if up else None,
                    down.seconds if down else None,
                    up.mean_torque if up else None,
                    up.peak_torque if up else None,
                    up.work if up else None,
                    tuple(finding.fault.value for finding in one.findings),
                    tuple(finding.text for finding in one.findings),
                    measures.whole,
                )
            )
    return views
