"""Hand frames to the port, never waiting for it."""

from box.seal import seal
from box.wire import LOAD_SAMPLE_BYTES

_SLOTS_A_STEP = 4
"""Few, so that a conversion that becomes ready meanwhile is read soon after."""


class Transmitter:
    def __init__(self, link, outbox, queue):
        self._has_room = link.has_room
        self._write_slot = link.write_slot
        self._outbox = outbox
        self._queue = queue
        self._stalled = False
        self.frames_sent_total = 0
        self.link_stalls_total = 0

    def pump(self):
        """Send a few slots if the port has room.  True when anything was sent."""
        if not self.waiting():
            return False
        for sent in range(_SLOTS_A_STEP):
            if not self.waiting():
                break
            if not self._has_room():
                self._note_stall()
                return sent > 0
            self._stalled = False
            self._send_one()
        return True

    def waiting(self):
        return self._outbox.count or self._queue.count

    def can_send(self):
        """True when a frame waits and the port would take it."""
        return bool(self.waiting()) and self._has_room()

    def _send_one(self):
        outbox = self._outbox
        if outbox.count:
            self._write_slot(outbox.oldest_slot())
            if outbox.release():
                self.frames_sent_total += 1
            return
        queue = self._queue
        slot = queue.oldest_slot()
        # Sealed here and at once sent: a sealed slot no longer shows its channel.
        seal(slot, queue.oldest_content(), LOAD_SAMPLE_BYTES)
        self._write_slot(slot)
        queue.release()
        self.frames_sent_total += 1

    def _note_stall(self):
        if not self._stalled:  # one stall, however often it is looked at
            self._stalled = True
            self.link_stalls_total += 1
