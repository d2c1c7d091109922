"""What goes wrong in a repetition while it is being done.

Said at once and without figures; what is counted as a fault is decided by
``strength.form_faults`` when the repetition is over.  The bounds are the same.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from steelyard.guidance import client_words
from steelyard.guidance.corridor import time_for
from steelyard.guidance.live_signals import LiveSignals
from steelyard.guidance.movement_phases import Moment, MovementPhases, Phase
from steelyard.guidance.views import Words
from steelyard.strength.form_faults import Prescription

JUDGED_SHARE: Final = 0.25
"""Tempo is not judged before so much of the way is done."""
ROLLER_SECONDS: Final = 0.4
SEEN_LATE_SECONDS: Final = 0.12
"""A way is seen to begin so long after it did: slow start, and half the window of the speed."""


class FormWatch:
    """``pace``: 1 is the tempo asked; None while the arm stands."""

    def __init__(self, asked: Prescription, ends_degrees: tuple[float, float]) -> None:
        self.pace: float | None = None
        self._asked = asked
        self._range = ends_degrees[1] - ends_degrees[0]
        self._wanted = asked.range_degrees or self._range
        self._roller: float | None = None
        self._phase = Phase.READY

    def begin(self, live: LiveSignals) -> None:
        """A repetition begins: the roller now is what it is held against."""
        self._roller = _mean(live.recent_roller(ROLLER_SECONDS))

    def seconds_asked(self, phase: Phase) -> float | None:
        """Prescribed duration of a phase."""
        return {
            Phase.CONCENTRIC: self._asked.concentric_seconds,
            Phase.ECCENTRIC: self._asked.eccentric_seconds,
        }.get(phase)

    def look(
        self, now: Moment, phases: MovementPhases, live: LiveSignals, load_nm: float | None
    ) -> tuple[Words, ...]:
        """What to say at this moment, most urgent first."""
        found: list[Words] = []
        if self._slipped(live):
            found.append(client_words.SLIPPING)
        self.pace = self._pace_of(now, phases)
        if self.pace is not None and self.pace > 1.0 / self._asked.rushed_ratio:
            found.append(client_words.TOO_FAST)
        entered = phases.phase is not self._phase
        self._phase = phases.phase
        if entered and phases.phase is Phase.ECCENTRIC and self._short(phases):
            found.append(client_words.SHORT)
        light = (
            self._asked.keeps_tension
            and load_nm is not None
            and now.torque_nm is not None
            and now.torque_nm < self._asked.touched_ratio * load_nm
        )
        if light and phases.phase is Phase.ECCENTRIC:
            found.append(client_words.TOUCHED)
        return tuple(found)

    def _pace_of(self, now: Moment, phases: MovementPhases) -> float | None:
        asked, start = self.seconds_asked(phases.phase), phases.way_start
        if asked is None or start is None or self._range <= 0.0:
            return None
        gone = abs(now.degrees - start.degrees) / self._range
        elapsed = now.seconds - start.seconds + SEEN_LATE_SECONDS
        if gone < JUDGED_SHARE:
            return None
        return time_for(min(1.0, gone)) * asked / elapsed

    def _short(self, phases: MovementPhases) -> bool:
        if phases.start is None:
            return False
        done = phases.start.degrees - phases.top_degrees
        return done < self._asked.short_ratio * self._wanted

    def _slipped(self, live: LiveSignals) -> bool:
        now = _mean(live.recent_roller(ROLLER_SECONDS))
        if now is None or self._roller is None:
            return False
        return abs(now - self._roller) > self._asked.slip_degrees


def _mean(values: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> float | None:
    known = values[np.isfinite(values)]
    return float(np.mean(known)) if len(known) else None
