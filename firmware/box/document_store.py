"""Texts that a host keeps in the box, one for each channel and one for the box: calibrations.

Each has two files, as the settings have: a write goes to the one not in force,
which takes over once the whole text stands in it and reads back right.  So a
power cut at any byte leaves the old text or the new one, never neither.  A text
comes in pieces and each is appended as it comes: no more than a piece is ever
in memory.

A file: magic, version counter, kind, length, CRC-32 of the text, CRC-32 of all
that; then the text.  Length 0 stands for an erased text.
"""

from binascii import crc32
from struct import pack, unpack_from

from box.wire import DOCUMENT_PIECE_BYTES as PIECE_BYTES
from box.wire import NO_CHANNEL

LENGTH_LIMIT = 65536
"""A calibration with 33 readings takes 12 KB, each further reading 0.23 KB (measured)."""

_MAGIC = b"DOC1"
_HEADER = "<4sIBII"
_HEADER_BYTES = 17
_CRC_BYTES = 4
_TEXT_AT = _HEADER_BYTES + _CRC_BYTES
_NOTHING = (0, 0, 0, 0)


class BadDocumentError(ValueError):
    """A piece that does not fit; `value` is what was refused."""

    def __init__(self, value):
        super().__init__(value)
        self.value = value


def _check(value, sound):
    if not sound:
        raise BadDocumentError(value)


class DocumentStore:
    """`storage`: read_part(name, offset, length), write(name, data), append(name, data)."""

    def __init__(self, storage, channel_count):
        self._storage = storage
        self._channel_count = channel_count
        self._in_force = {}  # channel to (index of its file, (counter, kind, length, crc))
        self._upload = None
        self._next_part = 0

    def describe(self, channel):
        """The (kind, length, CRC-32) stored for a channel, zeros for none.

        Raises BadDocumentError for a channel that the box has not.
        """
        _check(channel, channel < self._channel_count or channel == NO_CHANNEL)
        return self._find(channel)[1][1:]

    def read(self, channel, part):
        """One piece of the text, as it is.  Raises BadDocumentError, OSError."""
        length = self.describe(channel)[1]
        at = part * PIECE_BYTES
        _check(part, at < length)
        piece = self._piece(self._name(channel, self._find(channel)[0]), at, length)
        if len(piece) != min(PIECE_BYTES, length - at):
            raise OSError("the text of channel %d is shorter than it was" % channel)
        return piece

    def write(self, channel, kind, length, crc, part, text):
        """Take one piece; the last one puts the whole in force.

        Pieces come in order; a piece that was just taken may come again.
        Raises BadDocumentError, or OSError when the flash refuses: then the
        old text stays.
        """
        self.describe(channel)
        _check(length, 0 < length <= LENGTH_LIMIT)
        upload = (channel, kind, length, crc)
        if upload == self._upload and part == self._next_part - 1:
            return
        at = part * PIECE_BYTES
        _check(part, part == 0 or (upload == self._upload and part == self._next_part))
        _check(part, at < length)
        self._upload = None  # until this piece stands
        if part == 0:
            self._begin(channel, kind, length, crc)
        name = self._name(channel, 1 - self._find(channel)[0])
        self._storage.append(name, text[: min(PIECE_BYTES, length - at)])
        if at + PIECE_BYTES >= length:
            self._put_in_force(channel)
        self._upload = upload
        self._next_part = part + 1

    def erase(self, channel):
        """Forget the text of a channel.  Raises BadDocumentError, OSError."""
        if self.describe(channel)[1]:
            self._upload = None
            self._begin(channel, 0, 0, 0)
            self._put_in_force(channel)

    def _name(self, channel, index):
        return "document%d.%s" % (channel, "ab"[index])

    def _begin(self, channel, kind, length, crc):
        index, found = self._find(channel)
        header = pack(_HEADER, _MAGIC, found[0] + 1, kind, length, crc)
        self._storage.write(self._name(channel, 1 - index), header + pack("<I", crc32(header)))

    def _put_in_force(self, channel):
        index = 1 - self._find(channel)[0]
        opened = self._open(self._name(channel, index))
        if opened is None:
            raise OSError("the text of channel %d does not read back as sent" % channel)
        self._in_force[channel] = (index, opened)

    def _find(self, channel):
        """The file in force and its header; looked up in the flash once."""
        if channel not in self._in_force:
            newest = (1, _NOTHING)  # so that the first write goes to file a
            for index in range(2):
                opened = self._open(self._name(channel, index))
                if opened is not None and opened[0] > newest[1][0]:
                    newest = (index, opened)
            self._in_force[channel] = newest
        return self._in_force[channel]

    def _open(self, name):
        """(counter, kind, length, CRC-32) of a sound file, else None."""
        try:
            header = self._storage.read_part(name, 0, _TEXT_AT)
            if header is None or len(header) != _TEXT_AT:
                return None
            magic, counter, kind, length, crc = unpack_from(_HEADER, header, 0)
            if magic != _MAGIC or unpack_from("<I", header, _HEADER_BYTES)[0] != crc32(
                header[:_HEADER_BYTES]
            ):
                return None
            sound = self._checks(name, length, crc)
        except OSError:
            return None  # a file that cannot be read is as good as torn: the other one counts
        return (counter, kind, length, crc) if sound else None

    def _checks(self, name, length, crc):
        """Whether exactly the text that the header names is in the file."""
        found = 0
        at = 0
        while at < length:
            piece = self._piece(name, at, length)
            if not piece:
                return False
            found = crc32(piece, found)
            at += len(piece)
        return found == crc and not self._storage.read_part(name, _TEXT_AT + length, 1)

    def _piece(self, name, at, length):
        return self._storage.read_part(name, _TEXT_AT + at, min(PIECE_BYTES, length - at)) or b""
