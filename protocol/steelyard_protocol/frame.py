"""Frames: COBS around id + body + CRC-32, ended by 0x00, padded to whole slots.

COBS: Cheshire & Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM
Transactions on Networking 7(2), 1999.  CRC-32: CRC-32/ISO-HDLC of the RevEng
catalogue, the one in zlib, sent low byte first.
"""

from __future__ import annotations

from typing import Final
from zlib import crc32

from .layout import CRC_BYTES
from .messages import SLOT_BYTES

DELIMITER: Final = b"\x00"
PAYLOAD_LIMIT: Final = 250
"""Longest id + body that a frame may carry."""
ENCODED_FRAME_LIMIT: Final = PAYLOAD_LIMIT + CRC_BYTES + 1
"""Longest run of bytes between two delimiters that can be a frame."""
_BLOCK: Final = 254
_CRC_RESIDUE: Final = 0x2144DF1C
"""CRC-32 over any bytes and their own CRC, low byte first.  Why so: one pass and no copies.
RevEng lists the residue 0xDEBB20E3, before the final inversion that zlib has done already."""


class FrameError(ValueError):
    """Bytes that are no frame; the message is the reason in a few words."""


def cobs_encode(data: bytes) -> bytes:
    """Encode any bytes so that no 0x00 remains; the delimiter is not included."""
    encoded = bytearray()
    runs = data.split(DELIMITER)
    for index, run in enumerate(runs):
        last = index == len(runs) - 1
        while len(run) >= _BLOCK:
            encoded.append(0xFF)
            encoded += run[:_BLOCK]
            run = run[_BLOCK:]  # noqa: PLW2901 - what is left of this run
            if last and not run:
                return bytes(encoded)
        encoded.append(len(run) + 1)
        encoded += run
    return bytes(encoded)


def cobs_decode(encoded: bytes) -> bytes:
    """Undo `cobs_encode`.

    Raises:
        FrameError: empty input, a 0x00 inside, or a code that points past the end.
    """
    size = len(encoded)
    if not size or DELIMITER in encoded:
        raise FrameError("not COBS")
    position = encoded[0]
    if position == 0xFF or size > _BLOCK + 1:
        return _cobs_decode_long(encoded)
    # Short form, the only one this protocol sends: each code byte becomes the zero it
    # stands for. A block of 254 without a zero (code 0xFF) cannot occur below 255 bytes.
    data = bytearray(encoded)
    while position < size:
        step = data[position]
        data[position] = 0
        position += step
    if position != size:
        raise FrameError("not COBS")
    del data[0]
    return bytes(data)


def _cobs_decode_long(encoded: bytes) -> bytes:
    data = bytearray()
    position = 0
    while position < len(encoded):
        code = encoded[position]
        end = position + code
        if end > len(encoded):
            raise FrameError("not COBS")
        data += encoded[position + 1 : end]
        position = end
        if code != 0xFF and position < len(encoded):
            data.append(0)
    return bytes(data)


def encode_frame(payload: bytes) -> bytes:
    """Frame one id + body: CRC, COBS, delimiter and padding to whole 32-byte slots.

    Raises:
        ValueError: the payload is empty or longer than `PAYLOAD_LIMIT`.
    """
    if not 0 < len(payload) <= PAYLOAD_LIMIT:
        raise ValueError(f"payload of {len(payload)} bytes; a frame takes 1 to {PAYLOAD_LIMIT}")
    checked = payload + crc32(payload).to_bytes(CRC_BYTES, "little")
    frame = cobs_encode(checked) + DELIMITER
    return frame + bytes(-len(frame) % SLOT_BYTES)


def decode_frame(encoded: bytes) -> bytes:
    """Return the id + body held by the bytes between two delimiters.

    Raises:
        FrameError: too long, too short, not COBS, or the CRC does not match.
    """
    if len(encoded) > ENCODED_FRAME_LIMIT:
        raise FrameError("too long")
    checked = cobs_decode(encoded)
    if len(checked) <= CRC_BYTES:
        raise FrameError("too short")
    if crc32(checked) != _CRC_RESIDUE:
        raise FrameError("CRC")
    return checked[:-CRC_BYTES]
