"""Samples waiting for the port: a ring of 32-byte slots, each one whole frame.

A sample is packed straight into its slot and sealed there just before it is
sent.  When the ring is full the oldest sample makes room, whole, and is
counted: the newest data are worth most, and sampling must never wait.
"""

from box.seal import seal
from box.wire import LOAD_SAMPLE_BYTES, SLOT_BYTES

_CHANNEL_AT = 2  # code byte, message id, then the channel: the same in every sample


class SampleQueue:
    def __init__(self, capacity, channel_count):
        ring = memoryview(bytearray(capacity * SLOT_BYTES))
        # Every view is made once, here: slicing later would allocate.
        self._slots = [ring[at : at + SLOT_BYTES] for at in range(0, len(ring), SLOT_BYTES)]
        self._contents = [slot[1 : 1 + LOAD_SAMPLE_BYTES] for slot in self._slots]
        self.capacity = capacity
        self.count = 0
        self.high_water = 0
        self.dropped_total = [0] * channel_count
        self._oldest = 0

    def claim(self):
        """Give the slot for a new sample, dropping the oldest when there is none free.

        It counts at once: pack the sample at offset 1 before anything else is done.
        """
        count = self.count
        if count == self.capacity:
            self.dropped_total[self._slots[self._oldest][_CHANNEL_AT]] += 1
            self._forget()
            count -= 1
        at = self._oldest + count
        if at >= self.capacity:
            at -= self.capacity
        count += 1
        self.count = count
        if count > self.high_water:
            self.high_water = count
        return self._slots[at]

    def take(self):
        """Give the oldest sample, sealed, and forget it: its slot is good until the next claim."""
        at = self._oldest
        slot = self._slots[at]
        # Only now: a sealed slot no longer shows its channel.
        seal(slot, self._contents[at], LOAD_SAMPLE_BYTES)
        self._forget()
        return slot

    def _forget(self):
        at = self._oldest + 1
        self._oldest = 0 if at == self.capacity else at
        self.count -= 1
