"""A calibration led step by step: what to hang next, and whether the reading is accepted.

A state machine without I/O.  Whoever shows it (a terminal now, a screen later)
prints ``current.text``, tells ``loaded()`` when the operator has done it, and
feeds it every sample until the step is accepted or refused.

Loads hang over feet: the texts tell the operator to keep clear of them.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Final

from steelyard.calibration.readings import (
    CONVERTER_HIGH,
    LEAST_SPAN_COUNTS,
    NEAR_THE_END,
    Direction,
    LoadPoint,
)
from steelyard.calibration.stability import (
    Stability,
    StabilityDetector,
    StabilityLimits,
    Verdict,
)
from steelyard.errors import CalibrationError

EXERCISES: Final = 3
"""Times the greatest load is put on before the first run (as ISO 376 asks, from memory)."""

PATIENCE_SECONDS: Final = 30.0
"""A load that is not at rest after this long is refused with the reason last seen."""

STEP_SHARE: Final = 0.3
"""Least and greatest change of counts, as a share of (and over) what the mass step should give."""


class Phase(Enum):
    """What the run waits for."""

    OPERATOR = "waiting for the operator"
    MEASURING = "measuring"
    REFUSED = "the reading was refused"
    FINISHED = "finished"


@dataclass(frozen=True)
class RunStep:
    """One thing to do.  ``run`` 0 is an exercise of the load, which makes no point."""

    run: int
    direction: Direction
    mass_kg: float
    weights: tuple[str, ...]
    text: str


@dataclass(frozen=True)
class Progress:
    """Where the run is: phase, words for the operator, the latest verdict, steps done of all."""

    phase: Phase
    text: str
    verdict: Verdict | None
    steps_done: int
    steps_total: int


def plan_run(
    loads: Sequence[tuple[float, tuple[str, ...]]], runs: int = 3, exercises: int = EXERCISES
) -> tuple[RunStep, ...]:
    """The steps of a calibration: exercises, then for each run zero, up, down, zero.

    ``loads`` are (mass in kg, names of the weights), rising, without zero.
    Raises CalibrationError when they do not rise or there are none.
    """
    masses = [mass for mass, _ in loads]
    if not masses or masses[0] <= 0.0 or masses != sorted(set(masses)) or runs < 1:
        raise CalibrationError(
            f"Loads {', '.join(f'{mass:g}' for mass in masses) or 'none'} kg in {runs} runs make "
            "no plan.",
            "Give rising masses above zero and at least one run.",
        )
    zero: tuple[float, tuple[str, ...]] = (0.0, ())
    steps: list[RunStep] = []
    for _ in range(exercises):
        steps.append(_step(0, Direction.UP, loads[-1]))
        steps.append(_step(0, Direction.DOWN, zero))
    for run in range(1, runs + 1):
        steps += [_step(run, Direction.UP, load) for load in (zero, *loads)]
        steps += [_step(run, Direction.DOWN, load) for load in (*reversed(loads[:-1]), zero)]
    return tuple(steps)


def _step(run: int, direction: Direction, load: tuple[float, tuple[str, ...]]) -> RunStep:
    mass, weights = load
    if mass == 0.0:
        text = "Take all weights off and let go."
    else:
        names = f" ({' + '.join(weights)})" if weights else ""
        way = "up" if direction is Direction.UP else "down"
        text = f"Go {way} to {mass:g} kg{names}. Keep feet and hands clear, let it hang still."
    return RunStep(run, direction, mass, weights, text)


class GuidedRun:
    """Leads through a plan; see the module text for how to drive it."""

    def __init__(self, plan: Sequence[RunStep], limits: StabilityLimits | None = None) -> None:
        self._plan = tuple(plan)
        self._detector = StabilityDetector(limits)
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
        return self.progress

    def back(self) -> Progress:
        """Throw the last accepted reading away and do its step again."""
        if self._readings:
            self._readings.pop()
        self._phase = Phase.OPERATOR if self._plan else Phase.FINISHED
        self._text, self._verdict = "", None
        return self.progress

    def feed(self, counts: int, ticks_us: int, flags: int = 0) -> Progress:
        """Take one sample; ignored unless measuring."""
        if self._phase is not Phase.MEASURING:
            return self.progress
        if self._last_ticks is not None:
            self._measured_us += (ticks_us - self._last_ticks) % (1 << 30)
        self._last_ticks = ticks_us
        self._verdict = verdict = self._detector.add(counts, ticks_us, flags)
        if verdict.stable:
            self._consider(verdict)
        elif verdict.stability in (Stability.SATURATED, Stability.FAULTY) or (
            self._measured_us > PATIENCE_SECONDS * 1e6
        ):
            self._refuse(verdict.reason)
        return self.progress

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

    def _refuse(self, reason: str) -> None:
        self._phase = Phase.REFUSED
        self._text = f"Not accepted: {reason}."

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
            return ""
        if abs(moved) < max(LEAST_SPAN_COUNTS / 10.0, 10.0 * verdict.counts_standard_error):
            return (
                f"span too small: the counts changed by {moved:.0f} for a change of "
                f"{mass_step:g} kg; was the weight hung on, and does it pull the sensor"
            )
        expected = self._counts_per_kilogram() * mass_step
        if expected and not STEP_SHARE < moved / expected < 1.0 / STEP_SHARE:
            return (
                f"the counts changed by {moved:.0f} where the loads before lead to expect "
                f"{expected:.0f} for {mass_step:g} kg; is the mass right"
            )
        return ""

    def _counts_per_kilogram(self) -> float:
        """Mean answer of the steps accepted so far; 0 while there is none."""
        taken = list(zip(self._plan, self._readings, strict=False))
        moved = mass = 0.0
        for (before, first), (after, second) in itertools.pairwise(taken):
            sign = 1.0 if after.mass_kg >= before.mass_kg else -1.0
            moved += sign * (second.counts_mean - first.counts_mean)
            mass += abs(after.mass_kg - before.mass_kg)
        return moved / mass if mass else 0.0
