"""Texts that a box keeps for its channels: put there, taken out, checked on the way."""

from __future__ import annotations

from typing import Final
from zlib import crc32

from steelyard_protocol import records
from steelyard_protocol.messages import DOCUMENT_PIECE_BYTES
from steelyard_protocol.records import DocumentKind

from steelyard.device.box import Box
from steelyard.errors import DeviceDocumentError

FLASH_TIMEOUT_SECONDS: Final = 2.0
"""After the last piece the box reads the whole text back before it answers."""


def describe_document(box: Box, channel: int) -> records.StoredDocument:
    """What the box keeps for ``channel`` (255: for itself): kind, bytes, CRC-32; 0 bytes: nothing.

    Raises:
        DeviceRejectedError: the box streams, has no such channel, or its
            firmware keeps no texts.
    """
    return box.ask(
        lambda number: records.DescribeDocument(number, channel),
        records.StoredDocument,
        FLASH_TIMEOUT_SECONDS,
    )


def store_document(
    box: Box, channel: int, kind: DocumentKind, text: bytes
) -> records.StoredDocument:
    """Put ``text`` into the box, in place of what is kept for ``channel``.

    What is there already is not written again.  Until the last piece stands
    in the box's flash, the old text stays in force, whatever happens.

    Raises:
        DeviceRejectedError: as `describe_document`, or the flash refused.
        DeviceDocumentError: empty, longer than the box takes, or not the text
            that the box then says it keeps.
    """
    wanted = (kind, len(text), crc32(text))
    found = describe_document(box, channel)
    if _named(found) == wanted:
        return found
    if not 0 < len(text) <= found.length_limit:
        raise DeviceDocumentError(
            f"The text has {len(text)} bytes; the box takes 1 to {found.length_limit}.",
            "Keep it in a folder on the computer; the box can do without it.",
        )
    for part in range(_part_count(len(text))):
        _write_part(box, channel, wanted, part, text)
    kept = describe_document(box, channel)
    if _named(kept) != wanted:
        raise DeviceDocumentError(
            f"The box keeps {kept.length} bytes for channel {channel}, CRC {kept.crc32:08x}; sent"
            f" were {len(text)} bytes, CRC {wanted[2]:08x}.",
            "Another program may have written at the same time: close it and try again.",
        )
    return kept


def stored_document(box: Box, channel: int) -> tuple[records.StoredDocument, bytes] | None:
    """What is kept for ``channel``, and its text; None when there is none.

    Raises:
        DeviceRejectedError: as `describe_document`.
        DeviceDocumentError: the pieces do not give the text that the box named.
    """
    found = describe_document(box, channel)
    if not found.length:
        return None
    text = b"".join(_read_part(box, channel, part) for part in range(_part_count(found.length)))
    if len(text) != found.length or crc32(text) != found.crc32:
        raise DeviceDocumentError(
            f"The text of channel {channel} came out of the box with {len(text)} bytes, CRC"
            f" {crc32(text):08x}; the box had named {found.length} bytes, CRC {found.crc32:08x}.",
            "Try again; if it comes again, put the text into the box anew from its folder.",
        )
    return found, text


def erase_document(box: Box, channel: int) -> None:
    """Have the box forget what it keeps for ``channel``.  Raises as `describe_document`."""
    box.ask(
        lambda number: records.EraseDocument(number, channel),
        records.Reply,
        FLASH_TIMEOUT_SECONDS,
    )


def _named(found: records.StoredDocument) -> tuple[int, int, int]:
    return found.kind, found.length, found.crc32


def _part_count(length: int) -> int:
    return -(-length // DOCUMENT_PIECE_BYTES)


def _write_part(
    box: Box, channel: int, named: tuple[int, int, int], part: int, text: bytes
) -> None:
    at = part * DOCUMENT_PIECE_BYTES
    piece = text[at : at + DOCUMENT_PIECE_BYTES].ljust(DOCUMENT_PIECE_BYTES, b"\x00")
    box.ask(
        lambda number: records.WriteDocument(number, channel, *named, part, piece),
        records.Reply,
        FLASH_TIMEOUT_SECONDS,
    )


def _read_part(box: Box, channel: int, part: int) -> bytes:
    answer = box.ask(
        lambda number: records.ReadDocument(number, channel, part),
        records.DocumentPart,
        FLASH_TIMEOUT_SECONDS,
    )
    return answer.text[: min(answer.length, DOCUMENT_PIECE_BYTES)]
