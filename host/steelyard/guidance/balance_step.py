"""Balance: the relaxed client is led slowly; crank, and again, until little is left."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, ClassVar, Final

import numpy as np

from steelyard.errors import ActionRefusedError, AnalysisError
from steelyard.guidance import client_words
from steelyard.guidance.record_json import from_values, to_values
from steelyard.guidance.step import Stage, Step
from steelyard.guidance.stretch import Stretch
from steelyard.guidance.views import BalanceAttempt, BalanceView, StepState
from steelyard.strength.balance import BalanceFit, fit_holds, fit_sweeps
from steelyard.strength.counterweight import CrankAdvice, crank_advice
from steelyard.strength.measured import Statement
from steelyard.strength.movement import SWEEP_SPEEDS, Sweep, slow_sweeps, still_spells
from steelyard.strength.signals import Signals

JUDGED_BEATS: Final = 20
CRANKS_LIMIT: Final = 3
"""More settings than this gain nothing (the advice converges; a test counts)."""
AFTER_SWEEP_SECONDS: Final = 1.0
CURVE_POINTS: Final = 33
AROUND_SWEEP_SECONDS: Final = 2.0


def fit_balance(signals: Signals, stage: Stage) -> BalanceFit:
    """Of a whole stretch, live or recorded: by sweeps, or by holds where there are none.

    Raises AnalysisError when neither determines it.
    """
    sweeps = slow_sweeps(signals)
    if {sweep.direction for sweep in sweeps} == {1, -1}:
        return fit_sweeps(signals, sweeps)
    holds = still_spells(signals)
    if len(holds) >= 3:
        return fit_holds(signals, holds, stage.profile.friction)
    return fit_sweeps(signals, sweeps)


class BalanceStep(Step):
    """One attempt after the other; the history stays."""

    kind: ClassVar[str] = "balance"

    def __init__(self, stage: Stage, title: str = "Balance", sweeps_each_way: int = 1) -> None:
        super().__init__(stage, title)
        self.attempts: list[BalanceAttempt] = []
        self.stretches: list[Stretch] = []
        self.fit: BalanceFit | None = None
        self.advice: CrankAdvice | None = None
        self._each_way = sweeps_each_way
        self._phase = "sweep"
        self._cranks = 0
        self._sweeps: list[Sweep] = []
        self._holds = 0
        self._beats = 0

    # --- the operator ------------------------------------------------------------------

    def measure(self) -> None:
        """Take what was led so far as the attempt."""
        self._only(StepState.RUNNING)
        if self._phase != "sweep":
            raise ActionRefusedError(
                "Nothing was led since the last attempt.", "Crank as advised, or finish."
            )
        self._measure()

    def cranked(self, turns: float | None = None) -> None:
        """Say where the crank stands now; None: turned as advised, from wherever it stood."""
        self._only(StepState.RUNNING)
        before = self.stage.facts.crank_turns
        if turns is None and before is not None and self.advice is not None:
            turns = before + self.advice.turns
        limit = self.stage.profile.counterweight.turns_limit
        if turns is not None and not 0.0 <= turns <= limit:
            raise ActionRefusedError(
                f"The crank cannot stand at {turns:g} turns; it goes from 0 to {limit:g}.",
                "Read its setting and enter it.",
            )
        self.stage.crank_at(turns)
        self._cranks += 1
        where = "turned, its setting not read" if turns is None else f"at {turns:g} turns"
        self.stage.remark(f"{self.title}: crank {where}")
        self._again()

    def again(self) -> None:
        """Lead once more without cranking (the client was not relaxed)."""
        self._only(StepState.RUNNING)
        self._again()

    # --- samples -------------------------------------------------------------------------

    def advance(self) -> None:
        """Look for sweeps; when there is one each way, measure."""
        self._beats += 1
        if self._phase != "sweep" or self._beats % JUDGED_BEATS:
            return
        try:
            _, signals = self._signals()
        except AnalysisError:
            return
        if not len(signals):
            return
        self._sweeps = slow_sweeps(signals)
        self._holds = len(still_spells(signals))
        counts = [sum(one.direction == way for one in self._sweeps) for way in (1, -1)]
        over = self._sweeps and (
            signals.seconds[-1] - self._sweeps[-1].end_seconds > AFTER_SWEEP_SECONDS
        )
        if over and min(counts) >= self._each_way:
            self._measure()

    def _measure(self) -> None:
        profile, facts = self.stage.profile, self.stage.facts
        try:
            stretch, signals = self._signals()
            fit = fit_balance(signals, self.stage)
        except AnalysisError as error:
            self.said = (Statement("no-balance", str(error), spoils=True),)
            self.stage.remark(f"{self.title}: not measured")
            return
        self.fit, self.advice = fit, crank_advice(fit, profile, facts.crank_turns)
        self.said = (*fit.statements, *_relaxed(fit, self.stage), *self.advice.statements)
        at, worst = fit.worst()
        self.stretches.append(stretch)
        self.attempts.append(
            BalanceAttempt(
                facts.crank_turns,
                worst,
                at,
                self.advice.turns,
                self.advice.done,
                self.advice.text(),
            )
        )
        self.stage.balance = fit
        self._note_range(signals)
        self._phase = "balanced" if self.advice.done else "crank"
        self.stage.remark(f"{self.title}: {self.result_remark()}")

    def _note_range(self, signals: Signals) -> None:
        """The client's range is where they were led, unless it was entered."""
        if self.stage.facts.client_range is not None or not self._sweeps:
            return
        part = signals.between(
            self._sweeps[0].start_seconds - AROUND_SWEEP_SECONDS,
            self._sweeps[-1].end_seconds + AROUND_SWEEP_SECONDS,
        )
        angle = signals.smooth_degrees[part]
        self.stage.set_facts(client_range=(float(np.nanmin(angle)), float(np.nanmax(angle))))

    def _again(self) -> None:
        self._phase, self._sweeps, self._holds, self.said = "sweep", [], 0, ()
        self._began = self._here()

    def _begin(self) -> None:
        self._again()

    def _wind_up(self) -> None:
        if self._phase == "sweep" and not self.attempts:
            self._measure()

    def _forget(self) -> None:
        self.attempts, self.stretches, self.fit, self.advice = [], [], None, None
        self._cranks, self._phase = 0, "sweep"
        self.stage.balance = None

    def _lose(self) -> str:
        if self._phase != "sweep":
            return "What was measured is kept."
        return "Lead the client again from one end."

    def _take_up(self) -> None:
        if self._phase == "sweep":
            self._again()

    def result_line(self) -> str:
        """The latest attempt."""
        if not self.attempts:
            return "not measured"
        last = self.attempts[-1]
        crank = "" if last.done else f"; crank {last.turns_advised:+g} turns"
        return f"at most {last.worst.text()} left, at {last.worst_degrees:z.0f}°{crank}"

    def _measured(self) -> Sequence[Stretch]:
        return self.stretches[-1:] if self.attempts else ()

    # --- the view ------------------------------------------------------------------------

    def view(self) -> BalanceView:
        """Sweeps, residual, advice, history."""
        fit, advice = self.fit, self.advice
        counts = [sum(one.direction == way for one in self._sweeps) for way in (1, -1)]
        speed, torque = self._now()
        weight = None if advice is None else advice.turns
        way = "leave" if not weight else "add" if weight > 0.0 else "take off"
        worst = fit.worst() if fit else (None, None)
        torque_u = None if torque is None else self.stage.live.scales.torque.uncertainty
        return BalanceView(
            **self._common(self._words(speed), "Find the balance", self._advice()),
            phase=self._phase,
            sweep_speed=speed,
            sweep_speeds_wanted=SWEEP_SPEEDS,
            extending_sweeps=counts[0],
            flexing_sweeps=counts[1],
            holds=self._holds,
            residual_nm=torque,
            residual_standard_uncertainty_nm=(
                torque_u.value(torque) if torque_u and torque is not None else None
            ),
            crank_turns=self.stage.facts.crank_turns,
            worst=worst[1],
            worst_degrees=worst[0],
            bound_nm=self.stage.profile.balance_bound_nm,
            top_degrees=fit.top_degrees if fit else None,
            friction=fit.friction if fit else None,
            turns_advised=weight,
            way="" if advice is None else way,
            balanced=advice is not None and advice.done,
            cranks=self._cranks,
            cranks_limit=CRANKS_LIMIT,
            attempts=tuple(self.attempts),
            curve=_curve(fit) if fit else (),
        )

    def _now(self) -> tuple[float | None, float | None]:
        """Speed of the arm in degrees/s and mean torque over the last half second."""
        times, torque, degrees = self.stage.live.recent(0.5)
        sound = np.isfinite(degrees)
        speed = None
        if sound.sum() > 8:
            speed = float(np.polyfit(times[sound] - times[-1], degrees[sound], 1)[0])
        known = torque[np.isfinite(torque)]
        return speed, float(np.mean(known)) if len(known) else None

    def _words(self, speed: float | None) -> Any:
        if self._phase != "sweep":
            return client_words.SIT_STILL
        fast = speed is not None and abs(speed) > SWEEP_SPEEDS[1]
        return client_words.TOO_FAST_LED if fast else client_words.BE_LED

    def _advice(self) -> str:
        if self.state is StepState.READY:
            return "The client relaxes; lead the arm slowly, about 5 degrees a second."
        spoiling = [one.text for one in self.said if one.spoils]
        if spoiling:
            return spoiling[0]
        if self._phase == "sweep" or self.advice is None:
            return "Lead slowly to one end and back, then hold still for a moment."
        if self._cranks >= CRANKS_LIMIT and not self.advice.done:
            return f"After {self._cranks} settings more cranking gains little: finish."
        return self.advice.text()

    def _running_actions(self) -> tuple[str, ...]:
        by_phase = {
            "sweep": ("measure", "skip", "redo"),
            "crank": ("cranked", "again", "finish", "redo"),
            "balanced": ("finish", "again", "redo"),
        }
        return by_phase[self._phase]

    def kept(self) -> dict[str, Any]:
        """Attempts, fit and advice."""
        return {
            "attempts": to_values(tuple(self.attempts)),
            "stretches": to_values(tuple(self.stretches)),
            "fit": to_values(self.fit),
            "advice": to_values(self.advice),
            "phase": self._phase,
            "cranks": self._cranks,
        }

    def take_kept(self, values: dict[str, Any]) -> None:
        """Put them back."""
        self.attempts = list(from_values(tuple[BalanceAttempt, ...], values["attempts"]))
        self.stretches = list(from_values(tuple[Stretch, ...], values["stretches"]))
        self.fit = from_values(BalanceFit | None, values["fit"])  # type: ignore[arg-type]
        self.advice = from_values(CrankAdvice | None, values["advice"])  # type: ignore[arg-type]
        self._phase, self._cranks = str(values["phase"]), int(values["cranks"])


def _relaxed(fit: BalanceFit, stage: Stage) -> list[Statement]:
    usual = stage.profile.relaxed_scatter_nm
    if fit.scatter_nm <= usual:
        return []
    text = (
        f"The client was not relaxed: torque scattered by {fit.scatter_nm:.1f} N·m about the fit, "
        f"{usual:g} N·m is usual. Lead again before cranking."
    )
    return [Statement("not-relaxed", text, spoils=True)]


def _curve(fit: BalanceFit) -> tuple[tuple[float, float, float], ...]:
    angles = np.linspace(fit.low_degrees, fit.high_degrees, CURVE_POINTS)
    torque, spread = fit.moment.torque(angles), fit.standard_uncertainty(angles)
    rows = zip(angles.tolist(), torque.tolist(), spread.tolist(), strict=True)
    return tuple(row for row in rows if all(map(math.isfinite, row)))
