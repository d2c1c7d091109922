"""Two settings of the interpreter for a process that must not pause."""

from __future__ import annotations

import gc
import sys
from typing import Final

HAND_OVER_SECONDS: Final = 0.001
"""A thread that computes lets another have its turn after so long.

Why: a reading thread, the box's thread and the event loop share one interpreter
lock; with the usual 5 ms a sample that meets both others at work comes 10 ms late.
"""


def be_prompt(hand_over_seconds: float = HAND_OVER_SECONDS) -> None:
    """Hand over quickly, and keep what is loaded out of the collector's way.

    Give more seconds where many boxes share a process: every thread that waits for its
    turn wakes up that often to ask for it, and with a hundred of them that alone can
    take a processor.

    Why the second: a full collection walks through all that was ever imported,
    tens of thousands of objects, while every thread stands still.
    """
    sys.setswitchinterval(hand_over_seconds)
    gc.collect()
    gc.freeze()
