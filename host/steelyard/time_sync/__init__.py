"""Puts what a box measured on the host's clock.  Pure maths: no input or output.

- `TickUnwrapper`, `TickTimeline`: device ticks that wrap, made into a time that
  does not;
- `ClockExchange`: one `read_clock` exchange, as a time mark;
- `ClockFit`: a straight line from one boot's device time to the host's clock;
- `ClockModel`: all boots of a recording, host pauses and wall clock included.
"""

from __future__ import annotations

from steelyard.time_sync.clock_fit import ClockFit, fit_clock
from steelyard.time_sync.clock_model import ClockModel, WallClockStep
from steelyard.time_sync.exchange import ClockExchange
from steelyard.time_sync.marks import ClockMark, MarkColumns
from steelyard.time_sync.ticks import (
    TickTimeline,
    TickUnwrapper,
    ticks_difference_us,
    ticks_middle_us,
)

__all__ = [
    "ClockExchange",
    "ClockFit",
    "ClockMark",
    "ClockModel",
    "MarkColumns",
    "TickTimeline",
    "TickUnwrapper",
    "WallClockStep",
    "fit_clock",
    "ticks_difference_us",
    "ticks_middle_us",
]
