"""A calibration led step by step: what to hang next, and whether the reading is accepted.

A state machine without I/O, for whatever shows it: a terminal or a screen.  It is driven by
three calls, and each gives a ``Progress`` with all there is to show:

- ``loaded()`` when the operator has done what ``Progress.text`` asks (or wants it read again);
- ``feed()`` with every sample of the channel; it is ignored unless measuring;
- ``back()`` to take the last accepted reading again.

``Progress.phase`` says what to draw::

    OPERATOR ──loaded()──► MEASURING ──feed()──► OPERATOR    taken; the next step's text
        ▲                      │                 FINISHED    taken; it was the last
        └───── loaded() ── REFUSED ◄─────────────┘           the text says why; nothing taken

While measuring, ``Progress.text`` says what it waits for ("moving: ...", "1.2 of 3.0 s seen").
When finished, ``points()`` and ``creep()`` are what a calibration is made of.  Nothing is
changed by stopping half-way: throw the run away.

Loads hang over feet: the texts tell the operator to keep clear of them.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Final

from steelyard.calibration.creep_test import CreepTest, creep_test
from steelyard.calibration.held_load import HeldLoad
from steelyard.calibration.readings import (
    CONVERTER_HIGH,
    LEAST_SPAN_COUNTS,
    NEAR_THE_END,
    LoadPoint,
)
from steelyard.calibration.run_plan import RunStep
from steelyard.calibration.stability import (
    Stability,
    StabilityDetector,
    StabilityLimits,
    Verdict,
)
from steelyard.errors import CalibrationError

PATIENCE_SECONDS: Final = 30.0
"""A load that is not at rest after this long is refused with the reason last seen."""

STEP_SHARE: Final = 0.3
"""Least and greatest change of counts, as a share of (and over) what the mass step should give."""


SAME_SHARE: Final = 0.01
"""Largest change between two readings of one load, as a share of all counts seen so far: more
than any zero return, less than any weight (common practice, no source; as the zeros of runs are
held against each other in the end)."""


class Phase(Enum):
    """What the run waits for."""

    OPERATOR = "waiting for the operator"
    MEASURING = "measuring"
    REFUSED = "the reading was refused"
    FINISHED = "finished"


@dataclass(frozen=True)
class Progress:
    """Where the run is: phase, words for the operator, the latest verdict, steps done of all."""

    phase: Phase
    text: str
    verdict: Verdict | None
    steps_done: int
    steps_total: int


class GuidedRun:
    """Leads through a plan; see the module text for how to drive it."""

    def __init__(self, plan: Sequence[RunStep], limits: StabilityLimits | None = None) -> None:
        self._plan = tuple(plan)
        self._limits = limits
        self._detector = StabilityDetector(limits)
        self._held: HeldLoad | None = None
        self._creep: CreepTest | None = None
        self._readings: list[Verdict] = []
        self._phase = Phase.OPERATOR if self._plan else Phase.FINISHED
        self._text = ""
        self._verdict: Verdict | None = None
        self._measured_us = 0
        self._last_ticks: int | None = None

    @property
    def current(self) -> RunStep | None:
        """The step to do now, or None when finished."""
        done = len(self._readings)
        return self._plan[done] if done < len(self._plan) else None

    @property
    def progress(self) -> Progress:
        """Where the run is."""
        step = self.current
        text = self._text or (step.text if step else "All readings taken.")
        return Progress(self._phase, text, self._verdict, len(self._readings), len(self._plan))

    @property
    def finished(self) -> bool:
        """Whether every step has its reading."""
        return self._phase is Phase.FINISHED

    def loaded(self) -> Progress:
        """The operator has done the step (or wants it measured again): start measuring."""
        if not self.finished:
            self._detector.restart()
            self._phase, self._text, self._verdict = Phase.MEASURING, "", None
            self._measured_us, self._last_ticks = 0, None
            step = self.current
            hold = step.hold_seconds if step is not None else 0.0
            self._held = HeldLoad(hold, self._limits) if hold > 0.0 else None
        return self.progress

    def back(self) -> Progress:
        """Throw the last accepted reading away and do its step again."""
        if self._readings:
            self._readings.pop()
            step = self.current
            if step is not None and step.hold_seconds > 0.0:
                self._creep = None
        self._phase = Phase.OPERATOR if self._plan else Phase.FINISHED
        self._text, self._verdict = "", None
        return self.progress

    def feed(self, counts: int, ticks_us: int, flags: int = 0) -> Progress:
        """Take one sample; ignored unless measuring."""
        if self._phase is not Phase.MEASURING:
            return self.progress
        if self._held is not None:
            self._hold(self._held, counts, ticks_us, flags)
            return self.progress
        if self._last_ticks is not None:
            self._measured_us += (ticks_us - self._last_ticks) % (1 << 30)
        self._last_ticks = ticks_us
        self._verdict = verdict = self._detector.add(counts, ticks_us, flags)
        self._text = verdict.reason
        if verdict.stable:
            self._consider(verdict)
        elif verdict.stability in (Stability.SATURATED, Stability.FAULTY) or (
            self._measured_us > PATIENCE_SECONDS * 1e6
        ):
            self._refuse(verdict.reason)
        return self.progress

    def creep(self) -> CreepTest | None:
        """What the held load showed; None where none was held yet."""
        return self._creep

    def points(self) -> tuple[LoadPoint, ...]:
        """The readings accepted so far, exercises left out, in the order taken."""
        return tuple(
            LoadPoint(
                step.run,
                step.direction,
                step.mass_kg,
                verdict.counts_mean,
                verdict.counts_standard_error,
                verdict.sample_count,
                step.weights,
            )
            for step, verdict in zip(self._plan, self._readings, strict=False)
            if step.run > 0
        )

    def _consider(self, verdict: Verdict) -> None:
        """A load at rest is accepted when the reading answers to the change of mass."""
        objection = self._objection(verdict)
        if objection:
            self._refuse(objection)
            return
        self._readings.append(verdict)
        self._text = ""
        self._phase = Phase.OPERATOR if self.current else Phase.FINISHED

    def _hold(self, held: HeldLoad, counts: int, ticks_us: int, flags: int) -> None:
        """One sample of a load held for creep."""
        self._verdict = held.add(counts, ticks_us, flags)
        self._text = held.text if held.at_rest is not None else self._verdict.reason
        if held.refusal:
            self._refuse(held.refusal)
        elif held.at_rest is not None and len(held.readings) == 1:
            objection = self._objection(held.at_rest)
            if objection:  # before half an hour is spent on it
                self._refuse(objection)
        elif held.done and held.at_rest is not None:
            self._end_hold(held.at_rest, held.readings)

    def _end_hold(self, at_rest: Verdict, readings: Sequence[tuple[float, float]]) -> None:
        unloaded = self._readings[-1].counts_mean if self._readings else 0.0
        try:
            self._creep = creep_test(unloaded, readings)
        except CalibrationError as error:
            self._refuse(error.what)
        else:
            self._consider(at_rest)

    def _refuse(self, reason: str) -> None:
        self._phase = Phase.REFUSED
        self._text = f"Not accepted: {reason.removesuffix('.')}."

    def _objection(self, verdict: Verdict) -> str:
        """Why a steady reading cannot belong to this step; empty when it can."""
        if abs(verdict.counts_mean) > NEAR_THE_END * CONVERTER_HIGH:
            return "saturated: the reading is at the end of the converter's range"
        step = self.current
        if step is None or not self._readings:
            return ""
        moved = verdict.counts_mean - self._readings[-1].counts_mean
        mass_step = step.mass_kg - self._plan[len(self._readings) - 1].mass_kg
        if mass_step == 0.0:
            return self._same_load_objection(moved)
        if abs(moved) < max(LEAST_SPAN_COUNTS / 10.0, 10.0 * verdict.counts_standard_error):
            return (
                f"span too small: the counts changed by {moved:.0f} for a change of "
                f"{mass_step:g} kg; was the weight hung on, and does it pull the sensor"
            )
        expected = self._counts_per_kilogram() * mass_step
        if expected and not STEP_SHARE < moved / expected < 1.0 / STEP_SHARE:
            return (
                f"by the loads before, the counts changed by {moved / expected * mass_step:+.3g} "
                f"kg ({moved:.0f} counts), and {mass_step:+g} kg was asked for; is the mass "
                "right, and was the reading before it"
            )
        return ""

    def _same_load_objection(self, moved: float) -> str:
        """The same load twice in a row, as without load between two runs, reads alike."""
        seen = [reading.counts_mean for reading in self._readings]
        if abs(moved) <= SAME_SHARE * (max(seen) - min(seen)):
            return ""
        return (
            f"the counts changed by {moved:.0f} where nothing was to change; does something still "
            "hang, or was the reading before taken too early"
        )

    def _counts_per_kilogram(self) -> float:
        """Mean answer of the steps accepted so far; 0 while there is none."""
        taken = list(zip(self._plan, self._readings, strict=False))
        moved = mass = 0.0
        for (before, first), (after, second) in itertools.pairwise(taken):
            sign = 1.0 if after.mass_kg >= before.mass_kg else -1.0
            moved += sign * (second.counts_mean - first.counts_mean)
            mass += abs(after.mass_kg - before.mass_kg)
        return moved / mass if mass else 0.0
