"""What is hung in which order: exercises, runs up and down, and a load held for creep.

Loads hang over feet: the texts tell the operator to keep clear of them.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from steelyard.calibration.creep_test import END_SECONDS
from steelyard.calibration.readings import Direction, LoadPoint
from steelyard.errors import CalibrationError

CAUTION: Final = """\
Hung weights fall. Keep feet and hands clear, use a safe hanger, stay below the cell's
rated load, and keep clients away from the machine while weights hang on it."""

EXERCISES: Final = 3
"""Times the greatest load is put on before the first run (as ISO 376 asks, from memory)."""


@dataclass(frozen=True)
class RunStep:
    """One thing to do.  ``run`` 0 is an exercise or a hold for creep, which makes no point."""

    run: int
    direction: Direction
    mass_kg: float
    weights: tuple[str, ...]
    text: str
    hold_seconds: float = 0.0
    """Above zero: the load is to hang so long, and how it creeps is recorded."""


def plan_run(
    loads: Sequence[tuple[float, tuple[str, ...]]],
    runs: int = 3,
    exercises: int = EXERCISES,
    hold_seconds: float = 0.0,
) -> tuple[RunStep, ...]:
    """The steps of a calibration: exercises, then for each run zero, up, down, zero.

    ``loads`` are (mass in kg, names of the weights), rising, without zero.
    ``hold_seconds`` above zero: at the end the greatest load is held for creep, 300 s
    (ISO 376, from memory) or 1800 s (OIML R 60-1:2021).
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
    if hold_seconds > 0.0:
        steps.append(_hold(loads[-1], hold_seconds))
    return tuple(steps)


def whole_runs(
    plan: Sequence[RunStep], points: Sequence[LoadPoint]
) -> tuple[tuple[LoadPoint, ...], tuple[RunStep, ...]]:
    """What of a run that broke off still counts, and the steps of the plan that are left.

    A run read in one go is kept whole; one that broke off is done again, for what a
    sensor shows depends on the loads just before.  So are the exercises: it rested.
    """
    kept: list[LoadPoint] = []
    for run in itertools.count(1):
        asked = [(s.direction, s.mass_kg, s.weights) for s in plan if s.run == run]
        read = [point for point in points if point.run == run]
        if not asked or asked != [(p.direction, p.mass_kg, p.weights) for p in read]:
            break
        kept += read
    done = kept[-1].run if kept else 0
    left = tuple(step for step in plan if step.run == 0 or step.run > done)
    return tuple(kept), left if any(step.run or step.hold_seconds for step in left) else ()


def left_to_do(
    plan: Sequence[RunStep], points: Sequence[LoadPoint]
) -> tuple[tuple[LoadPoint, ...], tuple[RunStep, ...]]:
    """As ``whole_runs``, where there must be something to go on with.

    Raises CalibrationError when no run of ``points`` is complete, or nothing is left.
    """
    kept, left = whole_runs(plan, points)
    if not kept:
        raise CalibrationError(
            f"No run among the {len(points)} readings is complete with these loads.",
            "Give the same --loads as before; or begin anew, or use what there is with --readings.",
        )
    if not left:
        raise CalibrationError(
            f"All {kept[-1].run} runs have been read: nothing is left to do.",
            "Use the readings with --readings, or ask for more --runs.",
        )
    return kept, left


def _hold(load: tuple[float, tuple[str, ...]], seconds: float) -> RunStep:
    if seconds < END_SECONDS:
        raise CalibrationError(
            f"A load held for {seconds:g} s shows no creep.",
            f"Hold it for {END_SECONDS / 60.0:g} minutes, or 30 as OIML R 60 does.",
        )
    step = _step(0, Direction.UP, load)
    text = (
        f"Creep: {step.text.removesuffix('.')} for {seconds / 60.0:g} minutes. Do not leave it "
        "unattended."
    )
    return replace(step, text=text, hold_seconds=seconds)


def _step(run: int, direction: Direction, load: tuple[float, tuple[str, ...]]) -> RunStep:
    mass, weights = load
    if mass == 0.0:
        text = "Take all weights off and let go."
    else:
        names = f" ({' + '.join(weights)})" if weights else ""
        way = "up" if direction is Direction.UP else "down"
        text = f"Go {way} to {mass:g} kg{names}. Keep feet and hands clear, let it hang still."
    return RunStep(run, direction, mass, weights, text)
