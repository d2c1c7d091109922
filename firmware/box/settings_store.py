"""Two copies of the settings, so that a write cut short never loses both.

Each copy: magic, version counter, length, the payload, CRC-32.  The valid copy
with the higher counter counts; a write goes to the other one.
"""

from binascii import crc32
from struct import pack, unpack_from

_NAMES = ("settings.a", "settings.b")
_MAGIC = b"BOX1"
_HEADER = "<4sIH"
_HEADER_BYTES = 10
_CRC_BYTES = 4


def _open_copy(data):
    """The (counter, payload) of a sound copy, else None."""
    if len(data) < _HEADER_BYTES + _CRC_BYTES:
        return None
    magic, counter, length = unpack_from(_HEADER, data, 0)
    end = _HEADER_BYTES + length
    if magic != _MAGIC or len(data) != end + _CRC_BYTES:
        return None
    if unpack_from("<I", data, end)[0] != crc32(data[:end]):
        return None
    return counter, bytes(data[_HEADER_BYTES:end])


class SettingsStore:
    """`damaged_total`: copies that `load` found damaged."""

    def __init__(self, storage):
        self._storage = storage
        self._counter = 0
        self._next = 0
        self.damaged_total = 0

    def load(self):
        """The newest sound payload, or None when there is none."""
        newest = None
        for index, name in enumerate(_NAMES):
            copy = self._read(name)
            if copy is None:
                continue
            if newest is None or copy[0] > self._counter:
                self._counter, newest = copy
                self._next = 1 - index
        return newest

    def _read(self, name):
        """The (counter, payload) of a copy; None when there is none or it is torn: then counted."""
        try:
            data = self._storage.read(name)
            if data is None:
                return None
            copy = _open_copy(data)
        except OSError:
            copy = None  # a copy that cannot be read is as good as torn: the other one counts
        if copy is None:
            self.damaged_total += 1
        return copy

    def save(self, payload):
        """Write `payload` over the older copy and read it back.  Raises OSError."""
        name = _NAMES[self._next]
        body = pack(_HEADER, _MAGIC, self._counter + 1, len(payload)) + payload
        data = body + pack("<I", crc32(body))
        self._storage.write(name, data)
        if self._storage.read(name) != data:
            raise OSError("%s does not read back as written" % name)
        self._counter += 1
        self._next = 1 - self._next
