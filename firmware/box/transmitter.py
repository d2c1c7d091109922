"""Hand frames to the port, never waiting for it."""

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
        outbox = self._outbox
        queue = self._queue
        if not (outbox.count or queue.count):
            return False
        for sent in range(_SLOTS_A_STEP):
            if not self._has_room():
                self._note_stall()
                return sent > 0
            self._stalled = False
            if outbox.count:
                self._write_slot(outbox.oldest_slot())
                if outbox.release():
                    self.frames_sent_total += 1
            else:
                self._write_slot(queue.take())
                self.frames_sent_total += 1
            if not (outbox.count or queue.count):
                break
        return True

    def can_send(self):
        """True when a frame waits and the port would take it."""
        return bool(self._outbox.count or self._queue.count) and self._has_room()

    def _note_stall(self):
        if not self._stalled:  # one stall, however often it is looked at
            self._stalled = True
            self.link_stalls_total += 1
