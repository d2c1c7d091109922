"""Sealing a frame in machine code: the same bytes as `box.seal.seal_bytecode`, off the heap.

A module of its own because a port without the native emitter refuses the
decorator when it compiles the file, and the importer then falls back.
"""

from array import array
from binascii import crc32

import micropython

_ALL = 0xFFFFFFFF


def _table():
    """What each byte does to a CRC-32: 1 KB, made of the native one."""
    return array("I", (crc32(bytes((byte,)), _ALL) ^ _ALL for byte in range(256)))


_TABLE = _table()


# The marks of the arguments are viper's own: a byte pointer and a machine integer.
@micropython.viper
def seal(frame: ptr8, content, size: int):  # noqa: F821
    table = ptr32(_TABLE)  # noqa: F821
    crc = -1
    index = 1
    while index <= size:
        crc = ((crc >> 8) & 0xFFFFFF) ^ table[(crc ^ frame[index]) & 0xFF]
        index += 1
    crc ^= -1
    end = size + 5
    while index < end:
        frame[index] = crc
        crc >>= 8
        index += 1
    frame[end] = 0
    following = end
    index = size + 4
    while index > 0:
        if frame[index] == 0:
            frame[index] = following - index
            following = index
        index -= 1
    frame[0] = following
