"""Everything that is not a sample waits here: answers, status, events.

A message is packed into `scratch` at offset 1 and posted; its frame is cut
into slots that leave in order, before any sample, so that the parts of a long
frame stay together.

The room is bounded, and what happens when it runs out depends on the message:
an answer is never lost, because a request is only read while ANSWER_SLOTS are
free; a status waits for an empty outbox (the next one carries the same
counters); an event that finds no room is gone, and the gap in the event
sequence says so.
"""

from box.seal import LONGEST_CONTENT_BYTES, OVERHEAD_BYTES, seal
from box.wire import SLOT_BYTES

ANSWER_SLOTS = 24
"""The longest answer: identity (3 slots) and eight descriptions of 2, or eight results of 2."""

_SCRATCH_BYTES = 256


class Outbox:
    def __init__(self, capacity=64):
        ring = memoryview(bytearray(capacity * SLOT_BYTES))
        self._slots = [ring[at : at + SLOT_BYTES] for at in range(0, len(ring), SLOT_BYTES)]
        self._ends_frame = bytearray(capacity)
        self.scratch = bytearray(_SCRATCH_BYTES)
        self._scratch_view = memoryview(self.scratch)
        self.capacity = capacity
        self.count = 0
        self._oldest = 0

    def has_room(self, slots):
        return self.capacity - self.count >= slots

    def post(self, size):
        """Frame the `size` bytes of id + body at `scratch[1:]`; False when there is no room."""
        if size > LONGEST_CONTENT_BYTES:
            raise ValueError("%d bytes of content; the limit is %d" % (size, LONGEST_CONTENT_BYTES))
        slots = (size + OVERHEAD_BYTES + SLOT_BYTES - 1) // SLOT_BYTES
        if not self.has_room(slots):
            return False
        view = self._scratch_view
        seal(self.scratch, view[1 : 1 + size], size)
        for index in range(size + OVERHEAD_BYTES, slots * SLOT_BYTES):
            view[index] = 0  # padding: extra delimiters, empty frames to the receiver
        for part in range(slots):
            self._append(view[part * SLOT_BYTES : (part + 1) * SLOT_BYTES], part == slots - 1)
        return True

    def _append(self, part, ends_frame):
        at = (self._oldest + self.count) % self.capacity
        self._slots[at][:] = part
        self._ends_frame[at] = ends_frame
        self.count += 1

    def oldest_slot(self):
        return self._slots[self._oldest]

    def release(self):
        """Forget the oldest slot; True when it was the last of its frame."""
        ended = self._ends_frame[self._oldest]
        self._oldest = (self._oldest + 1) % self.capacity
        self.count -= 1
        return ended == 1
