"""Turn a packed message into a frame, in place: CRC-32, then COBS, then the delimiter.

A frame buffer holds, from its first byte:

    [0]             room for the COBS code byte
    [1 .. size]     id + body
    [size+1 .. +4]  room for the CRC-32
    [size+5]        room for the delimiter

`box.seal_viper` does both in machine code where the port can compile it, and
allocates nothing.  Elsewhere the code below gives the same bytes: its CRC is
native, too, but the result can be 2**30 or more, which is the one small number
that sending a frame then allocates (the sampling path does not come here).
"""

from binascii import crc32
from struct import pack_into

OVERHEAD_BYTES = 6  # COBS code, CRC-32, delimiter
LONGEST_CONTENT_BYTES = 249  # with its CRC 253: COBS then adds exactly one byte


def stuff_bytecode(frame, end):
    """COBS in place: replace each zero before `end` by the distance to the next one.

    Walking backwards, the next zero is always known already, so one pass with
    one comparison a byte does it.  The distance is below 255 because a frame
    is never longer than 254 bytes before its delimiter.
    """
    frame[end] = 0
    following = end
    for index in range(end - 1, 0, -1):
        if not frame[index]:
            frame[index] = following - index
            following = index
    frame[0] = following


def seal_bytecode(frame, content, size):
    """Seal `size` bytes of id + body; `content` is a memoryview of just those bytes."""
    pack_into("<I", frame, size + 1, crc32(content))
    stuff_bytecode(frame, size + 5)


try:
    from box.seal_viper import seal
except (ImportError, SyntaxError, AttributeError):
    # CPython has no `micropython`; the virtual machine refuses viper code.
    seal = seal_bytecode
