"""Requests out of whatever bytes arrive.

Anything may arrive: half frames, a modem probe's text, noise.  A frame counts
when its COBS code and CRC-32 agree; every other byte is counted as garbage.
An unfinished frame is given up when no byte came for a while, so that text
sent by some other program cannot spoil the first request after it.
"""

from binascii import crc32
from struct import unpack_from

_LONGEST_FRAME_BYTES = 254  # code byte, 253 bytes of content and CRC
_BYTES_A_STEP = 64
_GIVE_UP_AFTER_US = 200000
_CRC_BYTES = 4


class Inbox:
    """After `poll`, the request is `frame[1 : 1 + size]`: its id and body."""

    def __init__(self, link, clock):
        self._read_byte = link.read_byte
        self._ticks_us = clock.ticks_us
        self._ticks_diff = clock.ticks_diff
        self.frame = bytearray(_LONGEST_FRAME_BYTES)
        self._view = memoryview(self.frame)
        self._length = 0
        self._too_long = False
        self._last_byte_us = 0
        self.received_ticks_us = 0
        self.garbage_bytes_total = 0

    def poll(self):
        """Read what has arrived, up to one frame; its size without CRC, or 0 when none is whole."""
        read_byte = self._read_byte
        for count in range(_BYTES_A_STEP):
            byte = read_byte()
            if byte < 0:
                return 0
            if count == 0:
                self._note_time()
            if byte:
                self._append(byte)
            elif self._length:
                self.received_ticks_us = self._ticks_us()
                size = self._finish()
                if size:
                    return size
        return 0

    def refuse(self, size):
        """Count a frame as garbage after all: sound, but nothing a box is ever sent."""
        self.garbage_bytes_total += size + _CRC_BYTES + 2

    def _note_time(self):
        now = self._ticks_us()
        if self._length and self._ticks_diff(now, self._last_byte_us) > _GIVE_UP_AFTER_US:
            self.garbage_bytes_total += self._length
            self._length = 0
            self._too_long = False
        self._last_byte_us = now

    def _append(self, byte):
        if self._length < _LONGEST_FRAME_BYTES:
            self.frame[self._length] = byte
            self._length += 1
        else:
            self._too_long = True
            self.garbage_bytes_total += 1

    def _finish(self):
        length = self._length
        sound = not self._too_long and self._unstuff(length) and self._checks(length)
        self._length = 0
        self._too_long = False
        if sound:
            return length - 1 - _CRC_BYTES
        self.garbage_bytes_total += length + 1
        return 0

    def _unstuff(self, length):
        """Put the zeros back in place; False when the distances do not lead to the end."""
        frame = self.frame
        at = 0
        while at < length:
            distance = frame[at]
            frame[at] = 0
            at += distance
        return at == length

    def _checks(self, length):
        content = length - 1 - _CRC_BYTES
        if content < 1:
            return False
        return crc32(self._view[1 : 1 + content]) == unpack_from("<I", self.frame, 1 + content)[0]
