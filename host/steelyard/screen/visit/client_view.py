"""What the client's display shows of a visit: how it goes, and nothing about who it is.

Only what is named here gets out; code, notes, figures of other days and
advice to the operator never do.  Times are moments on the server's clock
(Unix microseconds), so that the page can count down by itself and the view
changes only when something does.
"""

from __future__ import annotations

import math
import time
from typing import Any, Final

from steelyard.guidance.views import (
    BalanceView,
    IsometricView,
    RestraintView,
    SetView,
    StepState,
    StepView,
    Tone,
    VisitView,
)

COUNTED: Final = {"countdown": "until you push", "hold": "hold", "rest": "rest", "rise": "rising"}
SCALE_SHARE: Final = 0.15
"""Of the machine's limit: what the torque axis reaches at least, before more is known."""
SAME_MOMENT_US: Final = 400_000
"""Moments nearer than this are one: the engine's time and the clock jitter a little."""
UP: Final = frozenset({"concentric", "turn up"})
MOVING: Final = frozenset({"concentric", "turn up", "eccentric"})


class ClientViewMaker:
    """Makes views one after the other; remembers moments, so that they stand still."""

    def __init__(self, torque_limit_nm: float) -> None:
        self.scale_nm = SCALE_SHARE * torque_limit_nm
        self._moments: dict[str, int] = {}

    def view(self, visit: VisitView) -> dict[str, Any]:
        """The part of a display's view that a visit gives; plain data."""
        step = visit.step
        if visit.stopped:
            return {
                "headline": "Stop",
                "detail": "Relax. Nothing more to do now.",
                "stop": True,
                "word": "STOP",
            }
        if visit.live.alarm:
            return {"headline": "Let go", "detail": "Relax.", "stop": True, "word": "LET GO"}
        if step is None:
            return {"headline": "Done, thank you"}
        shown = _words(step)
        if isinstance(step, IsometricView):
            shown |= self._isometric(step)
        elif isinstance(step, SetView):
            shown |= self._set(step)
        elif isinstance(step, (RestraintView, BalanceView)):
            shown |= {"plot": "angle"}
        return shown

    def _isometric(self, step: IsometricView) -> dict[str, Any]:
        shown: dict[str, Any] = {"plot": "time", "count": step.headline.rpartition(": ")[2]}
        if step.state is StepState.RUNNING and step.phase_seconds_left is not None:
            label = COUNTED.get(step.phase)
            if label:
                until = self._moment(f"until {step.phase}", step.phase_seconds_left)
                shown["countdown"] = {"label": label, "until_us": until}
        shown["target_nm"] = step.target_nm
        shown["zero_nm"] = None if step.relaxed_nm is None else round(step.relaxed_nm, 1)
        best = [one.best.value for one in step.stations if one.best is not None]
        shown["top_nm"] = max([*best, step.highest_nm or 0.0, self.scale_nm]) * 1.15
        rung = self.scale_nm / 4.0  # in steps, or the scale never rests
        shown["top_nm"] = rung * math.ceil(shown["top_nm"] / rung)
        return shown

    def _set(self, step: SetView) -> dict[str, Any]:
        running = step.state is StepState.RUNNING
        asked = f" of {step.count_asked}" if step.count_asked else ""
        shown: dict[str, Any] = {"plot": "angle", "count": f"{step.count}{asked}"}
        corridor = step.corridor
        shown["band_nm"] = list(corridor.torque_nm) if corridor.torque_nm else None
        if running and step.phase in MOVING and corridor.now_seconds is not None:
            began = self._moment(f"repetition {step.count}", -corridor.now_seconds)
            shown["trace_since_us"] = began
            shown["pace"] = {
                "since_us": began,
                "seconds": [round(at, 3) for at in corridor.seconds],
                "low": [round(at, 2) for at in corridor.low_degrees],
                "high": [round(at, 2) for at in corridor.high_degrees],
            }
        way = shown["way"] = _way(step.phase) if running else ""
        if step.slips and way and step.words.tone is not Tone.STOP:  # the slip is the word
            shown["headline"] = "Slowly back" if way == "up" else "Slowly forward"
        if step.last_path is not None:
            rows = zip(step.last_path.degrees, step.last_path.torque_nm, strict=True)
            shown["last"] = [[round(at, 1), round(nm, 1)] for at, nm in rows if nm is not None]
        return shown

    def _moment(self, name: str, seconds_from_now: float) -> int:
        """The same moment as before, unless it has really moved."""
        fresh = time.time_ns() // 1000 + round(seconds_from_now * 1e6)
        known = self._moments.get(name)
        if known is None or abs(known - fresh) > SAME_MOMENT_US:
            self._moments[name] = fresh
        return self._moments[name]


def _way(phase: str) -> str:
    return "up" if phase in UP else "down" if phase in {"eccentric", "turn down"} else ""


def _words(step: StepView) -> dict[str, Any]:
    words = step.words
    shown: dict[str, Any] = {"headline": words.text, "detail": words.detail}
    if words.tone in (Tone.CHANGE, Tone.STOP):
        shown |= {"word": words.text, "stop": words.tone is Tone.STOP}
    return shown
