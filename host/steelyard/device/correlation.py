"""Numbers that tie an answer to its request."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Final

from steelyard_protocol.codec import encode
from steelyard_protocol.records import Record

_ID_LIMIT: Final = 1 << 16
_CONTROL_CODES: Final = frozenset(range(0x01, 0x06))
_TRIES: Final = 64
_STEP: Final = 259
"""Visits every id (it shares no factor with 65535) and changes both bytes each time,
so that a run of ids whose high byte is a control code is soon left."""


class CorrelationIds:
    """Hands out ids, never 0, which stands for "nobody asked".

    They start at a random number, so that a late answer to an earlier program's
    request is not taken for one of ours.
    """

    def __init__(self, first: int | None = None) -> None:
        self._latest = random.randrange(_ID_LIMIT) if first is None else first - _STEP

    def take(self) -> int:
        """The next id."""
        self._latest = (self._latest + _STEP - 1) % (_ID_LIMIT - 1) + 1
        return self._latest

    def frame(self, build: Callable[[int], Record]) -> tuple[int, bytes]:
        """An id and the request made with it, as bytes for the wire.

        Prefers ids that leave the control codes 1 to 5 out of the frame.  Why:
        in the seconds before a box's program takes over its port, the port
        belongs to an interpreter to which these codes mean interrupt and
        restart; a request must not stop a box that is just starting.
        """
        for _ in range(_TRIES):
            correlation_id = self.take()
            frame = encode(build(correlation_id))
            if _CONTROL_CODES.isdisjoint(frame):
                break
        return correlation_id, frame
