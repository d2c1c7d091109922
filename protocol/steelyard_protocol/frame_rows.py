"""Finds the frames of many bytes at once, and has those that are alike decoded as columns.

1. Rows.  Senders fill whole 32-byte slots, so nearly every row of the buffer
   seen as an (n, 32) array is exactly one sample frame: last byte zero, none
   before.  The other rows (longer frames, padding, damage) are few; they are
   packed together and split at their delimiters.  After damage that shifts the
   grid everything takes that second way, until a recorder's padding heals it.
2. Columns.  Rows alike are turned, and ``column_work`` decodes, checks and
   takes them apart.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from .column_work import U8, constant_bytes, crc_matches, decode_cobs, extract, turned
from .decoder import CorruptFrame
from .frame import ENCODED_FRAME_LIMIT, cobs_decode
from .layout import CRC_BYTES, SAMPLE_BYTES, layouts, layouts_by_id
from .messages import SLOT_BYTES
from .tables import I64, Part, Table

_SAMPLE_ENCODED: Final = SAMPLE_BYTES + CRC_BYTES + 1
_BLOCK_ROWS: Final = 1 << 18
"""Frames worked on at once: eight megabytes of columns.  Why not what fits into a cache:
numpy lets other threads run during a call, so calls must last, or two threads spend
their time on handing over."""
_SECTION_BYTES: Final = _BLOCK_ROWS * SLOT_BYTES
"""Bytes worked on at once, one block."""
_LEFTOVER_BYTES: Final = 1 << 21
_COLUMN_WORK_PAYS: Final = 32
"""Frames alike from which on a column at a time is quicker than a frame at a time."""


def last_zero(buffer: U8) -> int:
    """Index of the last 0x00, or -1."""
    for end in range(len(buffer), 0, -4096):
        start = max(0, end - 4096)
        zeros = np.flatnonzero(buffer[start:end] == 0)
        if len(zeros):
            return start + int(zeros[-1])
    return -1


@dataclass
class _Leftovers:
    """Rows that are no sample frame, of several sections, each a short stream of its own.

    Why kept: the work on columns costs by the call, so the heartbeats and time marks
    of half a million samples are decoded at once.
    """

    packed: list[U8] = field(default_factory=list)
    origins: list[I64] = field(default_factory=list)

    def add(self, packed: U8, origins: I64) -> list[Part]:
        """Keep them; decodes what is kept when it has become too much."""
        self.packed.append(packed)
        self.origins.append(origins)
        return self.split() if sum(map(len, self.packed)) > _LEFTOVER_BYTES else []

    def split(self) -> list[Part]:
        """Decode everything kept."""
        packed, origins = self.packed, self.origins
        self.packed, self.origins = [], []
        if not packed:
            return []
        return _split(np.concatenate(packed), np.concatenate(origins), SLOT_BYTES)


def decode_delimited(buffer: U8, base: int) -> list[Part]:
    """Decode bytes that start after a delimiter and end with one, section by section."""
    parts: list[Part] = []
    left = _Leftovers()
    start = 0
    while start < len(buffer):
        end = start + last_zero(buffer[start : start + _SECTION_BYTES]) + 1
        if end == start:
            end = len(buffer)  # no delimiter for so long: not a stream of ours
        parts += _decode_section(buffer[start:end], base + start, left)
        start = end
    return parts + left.split()


def _decode_section(buffer: U8, base: int, leftovers: _Leftovers) -> list[Part]:
    """Decode bytes that start after a delimiter and end with one."""
    rows = buffer[: len(buffer) // SLOT_BYTES * SLOT_BYTES].reshape(-1, SLOT_BYTES)
    # A row is one sample frame if a delimiter ends it and the row before it, and none is
    # inside. The id comes second and is never zero, so COBS leaves it as it is.
    ends = rows[:, -1] == 0
    bounded = ends.copy()
    bounded[1:] &= ends[:-1]
    if 4 * np.count_nonzero(bounded) < 3 * len(rows):
        return _split(buffer, np.array([base]), len(buffer))
    ids = rows[:, 1].copy()
    ids *= bounded
    parts: list[Part] = []
    taken = np.zeros(len(rows), np.bool_)
    for message in layouts():
        if message.size != SAMPLE_BYTES:
            continue
        chosen = np.flatnonzero(ids == message.message_id)
        taken[chosen] = True
        for first in range(0, len(chosen), _BLOCK_ROWS):
            block = chosen[first : first + _BLOCK_ROWS]
            parts.append(_decode_rows(rows, block, base, taken))
    # What is left (longer frames, padding, damage) comes in runs that start after a
    # delimiter and end with one: packed together they are a short stream of their own.
    left = np.flatnonzero(~taken)
    if rows.size == len(buffer):
        return parts + leftovers.add(rows[left].reshape(-1), left * SLOT_BYTES + base)
    packed = np.concatenate([rows[left].reshape(-1), buffer[rows.size :]])
    return parts + _split(packed, np.append(left, len(rows)) * SLOT_BYTES + base, SLOT_BYTES)


def _decode_rows(rows: U8, chosen: I64, base: int, taken: NDArray[np.bool_]) -> Part:
    """Decode rows that are one frame each; give back in ``taken`` those that are not."""
    columns = turned(rows, chosen)[:_SAMPLE_ENCODED]
    lowest = columns.min(axis=0)
    if not lowest.all():
        taken[chosen[lowest == 0]] = False
        whole = np.flatnonzero(lowest)
        chosen, columns = chosen[whole], columns.take(whole, axis=1)
    return _decode_frames(columns, chosen * SLOT_BYTES + base)


def _split(packed: U8, origins: I64, piece: int) -> list[Part]:
    """Decode frames of any length, finding every delimiter.

    ``packed`` is made of pieces of ``piece`` bytes (the last may differ), which come
    from the stream positions ``origins``.
    """
    # Where bytes begin and end that are no delimiters: padding makes most of those.
    filled = np.empty(len(packed) + 1, np.bool_)
    filled[0] = False
    np.not_equal(packed, 0, out=filled[1:])
    edges = np.flatnonzero(filled[1:] != filled[:-1])
    starts, lengths = edges[::2], edges[1::2] - edges[::2]
    if len(origins) == 1:
        offsets = starts + origins[0]
    else:
        which_piece = np.minimum(starts // piece, len(origins) - 1)
        offsets = origins[which_piece] + (starts - which_piece * piece)
    # The second byte of a frame is its message id. Frames alike are decoded as columns.
    ids = packed[np.minimum(starts + 1, len(packed) - 1)].astype(np.int64)
    groups = np.minimum(lengths, ENCODED_FRAME_LIMIT + 1) * 256 + ids
    frames_in_group = np.bincount(groups, minlength=1)
    frames_in_group[ENCODED_FRAME_LIMIT * 256 + 256 :] = 0
    parts: list[Part] = []
    for group in np.flatnonzero(frames_in_group >= _COLUMN_WORK_PAYS).tolist():
        chosen, length = np.flatnonzero(groups == group), group // 256
        # The frame that starts at each byte; numpy copies such items whole.
        frames = np.ndarray((len(packed) - length + 1,), f"V{length}", packed, strides=(1,))
        for first in range(0, len(chosen), _BLOCK_ROWS):
            block = chosen[first : first + _BLOCK_ROWS]
            alike = frames[starts[block]].view(np.uint8).reshape(-1, length)
            parts.append(_decode_frames(turned(alike), offsets[block]))
    odd = np.flatnonzero(frames_in_group[groups] < _COLUMN_WORK_PAYS)
    return parts + _decode_odd(packed, starts[odd], lengths[odd], offsets[odd])


def _decode_odd(packed: U8, starts: I64, lengths: I64, offsets: I64) -> list[Part]:
    """Decode frames of all sorts, most of them garbage that is not even COBS."""
    due = np.zeros(len(starts), np.int64)
    limit = np.minimum(lengths, ENCODED_FRAME_LIMIT + 1)
    going = np.arange(len(starts))
    while len(going):
        due[going] += packed[starts[going] + due[going]]
        going = going[due[going] < limit[going]]
    short = lengths <= ENCODED_FRAME_LIMIT
    sound = (due == lengths) & short
    refused = Part()
    refused.refuse(np.flatnonzero(~short), offsets, lengths, "too long")
    refused.refuse(np.flatnonzero(short & ~sound), offsets, lengths, "not COBS")
    parts = [refused]
    places = zip(
        starts[sound].tolist(), lengths[sound].tolist(), offsets[sound].tolist(), strict=True
    )
    for start, length, offset in places:
        frame = packed[start : start + length]
        # Columns of one row are slow going, so garbage is seen off first.
        checked = cobs_decode(frame.tobytes())
        if crc32(checked[:-CRC_BYTES]) == int.from_bytes(checked[-CRC_BYTES:], "little"):
            parts.append(_decode_frames(frame.reshape(-1, 1).copy(), np.array([offset])))
        else:
            reason = "CRC" if length > CRC_BYTES + 1 else "too short"
            refused.corrupt.append(CorruptFrame(offset, length, reason))
    return parts


def _decode_frames(columns: U8, offsets: I64) -> Part:
    """Decode frames of one encoded length and one message id.

    ``columns[i]`` is byte i of every frame; it is overwritten.
    """
    part, length = Part(), len(columns)
    if not len(offsets):
        return part
    sound = decode_cobs(columns)
    if length <= CRC_BYTES + 1:
        part.refuse(np.flatnonzero(sound), offsets, length, "too short")
        part.refuse(np.flatnonzero(~sound), offsets, length, "not COBS")
        return part
    payload = columns[1:-CRC_BYTES]
    constants = constant_bytes(payload)
    good = crc_matches(payload, constants, columns[-CRC_BYTES:])
    good &= sound
    if not good.all():
        bad = np.flatnonzero(~good)
        part.refuse(bad[sound[bad]], offsets, length, "CRC")
        part.refuse(bad[~sound[bad]], offsets, length, "not COBS")
    if good.any():
        _add_payloads(part, payload, constants, offsets, good)
    return part


def _add_payloads(
    part: Part,
    payload: U8,
    constants: list[int | None],
    offsets: I64,
    sound: NDArray[np.bool_],
) -> None:
    message_id = int(payload[0, int(np.argmax(sound))])
    message = layouts_by_id().get(message_id)
    if message is None:
        part.unknown += [(offset, message_id) for offset in offsets[sound].tolist()]
    elif message.size != len(payload):
        length = len(payload) + CRC_BYTES + 1
        part.refuse(np.flatnonzero(sound), offsets, length, "wrong length")
    else:
        columns = extract(message, payload, constants)
        if not sound.all():
            keep = np.flatnonzero(sound)
            columns = {name: values.take(keep, axis=0) for name, values in columns.items()}
            offsets = offsets.take(keep)
        part.tables.append((message.name, Table(columns, offsets)))
