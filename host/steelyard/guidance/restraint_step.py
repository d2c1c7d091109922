"""Restraint check: the arm moves, the roller stays still."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, ClassVar, Final

import numpy as np

from steelyard.errors import AnalysisError
from steelyard.guidance import client_words
from steelyard.guidance.record_json import from_values, to_values
from steelyard.guidance.step import Stage, Step
from steelyard.guidance.stretch import Stretch
from steelyard.guidance.views import RestraintView, StepState
from steelyard.strength.restraint import (
    ENOUGH_MOVEMENT_DEGREES,
    RestraintCheck,
    check_restraint,
)
from steelyard.strength.signals import Signals

JUDGED_BEATS: Final = 20
"""The verdict is made anew once a second."""
ROLLER_SECONDS: Final = 0.5


def judge_restraint(signals: Signals, stage: Stage) -> RestraintCheck:
    """The verdict on a whole stretch, live or recorded."""
    return check_restraint(
        signals, stage.profile, float(signals.seconds[0]), float(signals.seconds[-1])
    )


class RestraintStep(Step):
    """Shows arm and roller, and what ``strength.restraint`` says of them so far."""

    kind: ClassVar[str] = "restraint"
    needs_torque: ClassVar[bool] = False

    def __init__(self, stage: Stage, title: str = "Restraint check") -> None:
        super().__init__(stage, title)
        self.check: RestraintCheck | None = None
        self.stretch: Stretch | None = None
        self._beats = 0
        self._arm: tuple[float, float] | None = None
        self._roller: tuple[float, float, float, float] | None = None

    def advance(self) -> None:
        """Follow arm and roller; judge now and then."""
        self._follow()
        self._beats += 1
        if self._beats % JUDGED_BEATS == 0:
            self._judge()

    def _follow(self) -> None:
        degrees = self.stage.live.recent(0.2)[2]
        known = degrees[np.isfinite(degrees)]
        if len(known):
            at = float(np.median(known))
            low, high = self._arm or (at, at)
            self._arm = min(low, at), max(high, at)
        roller = self.stage.live.recent_roller(ROLLER_SECONDS)
        known = roller[np.isfinite(roller)]
        if len(known):
            at = float(np.mean(known))
            first, low, high, _ = self._roller or (at, at, at, at)
            self._roller = first, min(low, at), max(high, at), at

    def _judge(self) -> None:
        try:
            self.stretch, signals = self._signals()
        except AnalysisError:
            return
        if not len(signals):
            return
        before = len(self.check.slips) if self.check else 0
        self.check = judge_restraint(signals, self.stage)
        self.said = self._in_visit(self.check.statements, self.stretch)
        for slip in self.check.slips[before:]:
            self.stage.remark(f"{self.title}: the restraint slipped by {slip.degrees:+.1f} degrees")

    def _begin(self) -> None:
        self._began = self._here()
        self._forget()

    def _wind_up(self) -> None:
        self._judge()

    def _forget(self) -> None:
        self.check, self.stretch, self._beats = None, None, 0
        self._arm = self._roller = None

    def _lose(self) -> str:
        self._forget()
        return "The movement seen so far does not count; move through the range again."

    def result_line(self) -> str:
        """Verdict."""
        check = self.check
        if check is None:
            return "not judged"
        verdict = {True: "holds", False: "slips", None: "not judged"}[check.holds]
        roller = check.roller_range_degrees
        seen = "" if roller is None else f", roller within {roller:z.1f}°"
        return f"{verdict}; arm moved {check.arm_range_degrees:z.0f}°{seen}"

    def _measured(self) -> Sequence[Stretch]:
        return () if self.check is None or self.stretch is None else (self.stretch,)

    def view(self) -> RestraintView:
        """Ranges and verdict."""
        arm, roller, check = self._arm, self._roller, self.check
        facts = self.stage.profile.roller
        holds = None if check is None else check.holds
        words = {
            None: client_words.MOVE_GENTLY,
            True: client_words.HOLDS,
            False: client_words.HIPS_MOVE,
        }[holds]
        return RestraintView(
            **self._common(words, "Check the seat", self._advice(holds)),
            arm_low_degrees=arm[0] if arm else None,
            arm_high_degrees=arm[1] if arm else None,
            arm_range_degrees=arm[1] - arm[0] if arm else 0.0,
            enough_degrees=ENOUGH_MOVEMENT_DEGREES,
            roller_change_degrees=roller[3] - roller[0] if roller else None,
            roller_range_degrees=roller[2] - roller[1] if roller else None,
            still_degrees=facts.still_degrees if facts else None,
            holds=holds,
            slips=len(check.slips) if check else 0,
        )

    def _advice(self, holds: bool | None) -> str:
        if self.state is StepState.READY:
            return "Fasten the restraint, then have the client move gently through most of the way."
        if self.said:
            return self.said[0].text
        return {
            None: "Have the client move gently through most of the range.",
            True: "The restraint holds. Finish when the client has moved all the way.",
            False: "The restraint slips: tighten it and do the check again.",
        }[holds]

    def kept(self) -> dict[str, Any]:
        """The verdict and where it came from."""
        return {"check": to_values(self.check), "stretch": to_values(self.stretch)}

    def take_kept(self, values: dict[str, Any]) -> None:
        """Put it back."""
        self.check = from_values(RestraintCheck | None, values["check"])  # type: ignore[arg-type]
        self.stretch = from_values(Stretch | None, values["stretch"])  # type: ignore[arg-type]
