"""Samples waiting for the port: a ring of 32-byte slots, each one whole frame.

A sample is packed straight into its slot and sealed there just before it is
sent.  When the ring is full the oldest sample makes room, whole, and is
counted: the newest data are worth most, and sampling must never wait.
"""

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

        The sample goes at offset 1 of the slot and counts once `commit` is called.
        """
        if self.count == self.capacity:
            self.dropped_total[self._slots[self._oldest][_CHANNEL_AT]] += 1
            self.release()
        at = self._oldest + self.count
        if at >= self.capacity:
            at -= self.capacity
        return self._slots[at]

    def commit(self):
        self.count += 1
        if self.count > self.high_water:
            self.high_water = self.count

    def oldest_slot(self):
        return self._slots[self._oldest]

    def oldest_content(self):
        return self._contents[self._oldest]

    def release(self):
        """Forget the oldest sample: it was sent, or had to make room."""
        self._oldest += 1
        if self._oldest == self.capacity:
            self._oldest = 0
        self.count -= 1
