"""Where a stream of device bytes may be cut: after a delimiter, and nowhere else.

Pure bookkeeping on bytes, no I/O.
"""

from __future__ import annotations

from typing import Final

from steelyard_protocol.frame import DELIMITER, FrameError, decode_frame

TAIL_LIMIT_BYTES: Final = 4096
"""A tail longer than this without a delimiter is no frame (the longest has 256 bytes)."""


class FrameCutter:
    """Holds back the unfinished end of a device stream until its rest arrives.

    Host frames can then be written between two device frames and never into
    the middle of one.

    ``skipped_bytes_total`` counts broken first pieces: a link opened in the
    middle of a frame delivers that frame's end first.  ``dropped_bytes_total``
    counts unfinished last pieces that a lost link left behind.
    """

    def __init__(self) -> None:
        self._tail = b""
        self._at_start = True
        self.skipped_bytes_total = 0
        self.dropped_bytes_total = 0

    def feed(self, data: bytes) -> bytes:
        """Take in bytes from the box; return what is complete, unchanged.

        The result is empty or ends with a delimiter.
        """
        joined = self._tail + data
        cut = joined.rfind(DELIMITER) + 1
        if not cut and len(joined) > TAIL_LIMIT_BYTES:
            # Not a frame, whatever it is: pass it on as the garbage it is rather
            # than let it grow. The delimiter closes it off from what follows.
            joined, cut = joined + DELIMITER, len(joined) + 1
        whole, self._tail = joined[:cut], joined[cut:]
        if whole and self._at_start:
            self._at_start = False
            return self._without_broken_start(whole)
        return whole

    def lose_link(self) -> int:
        """Drop the unfinished tail, whose rest will never come; return its bytes."""
        dropped = len(self._tail)
        self.dropped_bytes_total += dropped
        self._tail = b""
        self._at_start = True
        return dropped

    def forget_tail(self) -> None:
        """Drop the unfinished tail without counting it: its rest comes, but nobody listens."""
        self._tail = b""

    def _without_broken_start(self, whole: bytes) -> bytes:
        piece, _, rest = whole.partition(DELIMITER)
        try:
            if piece:
                decode_frame(piece)
        except FrameError:
            self.skipped_bytes_total += len(piece)
            return rest
        return whole  # the link happened to open between two frames
