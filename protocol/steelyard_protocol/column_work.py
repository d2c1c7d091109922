"""Work on byte columns: one byte position of thousands of frames at a time.

1. COBS: where a frame's next code is due the decoded byte is zero, and the code
   says where the next one is.
2. CRC-32 is linear over GF(2): the CRC of a message of fixed length is a
   constant XOR one table entry for each byte position (256 entries each).
   Most positions hardly ever change; their usual value is folded into the
   constant and only the exceptions are looked up.  The others are looked up
   two at a time.
3. Fields are put together from their bytes; bytes that never change are not
   even touched.
"""

from __future__ import annotations

from functools import cache, lru_cache
from typing import Any, Final
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from .columns import field_dtype
from .layout import CRC_BYTES, MessageLayout

U8 = NDArray[np.uint8]
U32 = NDArray[np.uint32]

_TURN_ROWS: Final = 2048
_PAIRS_PAY: Final = 8192
"""Frames from which on it is quicker to look two bytes up at once, in tables of 256 KB."""


@cache
def crc_tables(length: int) -> tuple[int, U32]:
    """Constant and per-position tables of the CRC-32 of messages of ``length`` bytes."""
    constant = crc32(bytes(length))
    tables = np.empty((length, 256), np.uint32)
    for position in range(length):
        after = bytes(length - position - 1)
        before = bytes(position)
        for bit in range(8):
            tables[position, 1 << bit] = constant ^ crc32(before + bytes((1 << bit,)) + after)
        tables[position, 0] = 0
        for value in range(1, 256):
            lowest = value & -value
            tables[position, value] = tables[position, lowest] ^ tables[position, value ^ lowest]
    return constant, tables


def turned(rows: U8, chosen: NDArray[np.int64] | None = None) -> U8:
    """Frames (n, length), or those chosen of them, as byte columns (length, n).

    A few thousand frames at a time: what is picked is turned while it is in the
    processor's nearest cache.
    """
    count = len(rows) if chosen is None else len(chosen)
    columns = np.empty((rows.shape[1], count), np.uint8)
    for first in range(0, count, _TURN_ROWS):
        part = slice(first, first + _TURN_ROWS)
        picked = rows[part] if chosen is None else rows.take(chosen[part], axis=0)
        columns[:, part] = picked.T
    return columns


def decode_cobs(columns: U8) -> NDArray[np.bool_]:
    """Decode frames in place; ``columns[i]`` is byte i of every frame.

    Returns:
        Which frames were sound COBS.  Row 0 keeps the first code byte.
    """
    length, count = columns.shape
    # Index of the next code byte. Code bytes are never zero, so it grows at each one;
    # a code that points past the end is never met, and the end is then missed.
    due = columns[0].copy()
    is_code = np.empty(count, np.bool_)
    code = np.empty(count, np.uint8)
    for position in range(1, length):
        column = columns[position]
        np.equal(due, position, out=is_code)
        if not is_code.any():
            continue
        np.multiply(column, is_code.view(np.uint8), out=code)
        np.add(due, code, out=due)
        np.subtract(column, code, out=column)
    sound: NDArray[np.bool_] = due == length
    return sound


def constant_bytes(columns: U8) -> list[int | None]:
    """The value of each byte that is the same in every frame; None where it is not."""
    middle = columns.shape[1] // 2
    found: list[int | None] = []
    for column, first, other, last in zip(
        columns,
        columns[:, 0].tolist(),
        columns[:, middle].tolist(),
        columns[:, -1].tolist(),
        strict=True,
    ):
        # Most of those that change are seen to at once.
        alike = first == other == last and bool((column == first).all())
        found.append(first if alike else None)
    return found


def crc_matches(payload: U8, constants: list[int | None], sent: U8) -> NDArray[np.bool_]:
    """Which frames carry the right CRC: ``sent`` holds its four bytes."""
    folded, tables = crc_tables(len(payload))
    crc = gather_integer(sent, [None] * CRC_BYTES, "I")
    varied: list[int] = []
    for position, (column, constant) in enumerate(zip(payload, constants, strict=True)):
        table = tables[position]
        if constant is not None:
            folded ^= int(table[constant])
            continue
        usual = column[len(column) // 2]
        differs = column != usual
        if np.count_nonzero(differs) * 8 > len(column):
            varied.append(position)
            continue
        folded ^= int(table[usual])
        others = np.flatnonzero(differs)
        crc[others] ^= table[column[others]] ^ table[usual]
    if len(crc) >= _PAIRS_PAY:
        while len(varied) > 1:
            low, high = varied.pop(), varied.pop()
            pair = payload[high].astype(np.uint16)
            pair <<= 8
            pair |= payload[low]
            np.bitwise_xor(crc, _pair_table(len(payload), low, high).take(pair), out=crc)
    for position in varied:
        np.bitwise_xor(crc, tables[position].take(payload[position]), out=crc)
    matches: NDArray[np.bool_] = crc == np.uint32(folded)
    return matches


@lru_cache(maxsize=32)
def _pair_table(length: int, low: int, high: int) -> U32:
    """The entries of two byte positions in one; index: byte at ``high`` * 256 + byte at ``low``."""
    _, tables = crc_tables(length)
    both: U32 = (tables[high][:, None] ^ tables[low][None, :]).reshape(-1)
    return both


def gather_integer(rows: U8, constants: list[int | None], code: str) -> NDArray[Any]:
    """Little-endian integers whose byte i is ``rows[i]`` (or constant: nothing to move)."""
    unsigned = np.dtype(f"u{len(rows)}")
    fixed = 0
    gathered: NDArray[Any] | None = None
    for index, (row, constant) in enumerate(zip(rows, constants, strict=True)):
        if constant is not None:
            fixed |= constant << (8 * index)
            continue
        piece = row.astype(unsigned)
        if index:
            piece <<= unsigned.type(8 * index)
        if gathered is None:
            gathered = piece
        else:
            gathered |= piece
    if gathered is None:
        # One value that stands for all of them: nothing is written, and few will look.
        gathered = np.broadcast_to(np.array(fixed, unsigned), rows.shape[1:])
    elif fixed:
        gathered |= unsigned.type(fixed)
    return gathered.view(f"i{len(rows)}") if code.islower() else gathered


def extract(
    message: MessageLayout, columns: U8, constants: list[int | None]
) -> dict[str, NDArray[Any]]:
    """Field columns of sound frames of one message; row 0 is the message id."""
    result: dict[str, NDArray[Any]] = {}
    for item in message.fields:
        place = slice(item.offset, item.offset + item.size)
        if item.is_bytes or item.is_array:
            packed = np.ascontiguousarray(columns[place].T)
            dtype = field_dtype(item)
            values = packed.view(dtype.base if item.is_array else dtype)
            result[item.name] = values if item.is_array else values[:, 0]
        else:
            result[item.name] = gather_integer(columns[place], constants[place], item.format)
    return result
