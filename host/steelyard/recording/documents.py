"""Longer texts inside a recording: calibrations, machine profiles, client data, notes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from steelyard_protocol import records

from steelyard.errors import RecordingFormatError

PART_BYTES: Final = 192
PART_LIMIT: Final = 0xFFFF
DOCUMENT_LIMIT: Final = 256


@dataclass(frozen=True)
class Document:
    """One text and what it is; ``kind`` is a ``records.DocumentKind``."""

    kind: int
    text: str


def document_frames(documents: Iterable[Document]) -> Iterator[records.RecordingDocument]:
    """Cut texts into the parts that a recording stores.

    Raises:
        RecordingFormatError: more than 256 texts, or one longer than 12 MB.
    """
    for index, document in enumerate(documents):
        data = document.text.encode("utf-8")
        part_count = max(1, -(-len(data) // PART_BYTES))
        if index >= DOCUMENT_LIMIT or part_count > PART_LIMIT:
            raise RecordingFormatError(
                f"Document {index} ({len(data)} bytes) does not fit into a recording, which "
                f"holds {DOCUMENT_LIMIT} texts of at most {PART_BYTES * PART_LIMIT} bytes.",
                "Leave the text out or shorten it.",
            )
        for part in range(part_count):
            piece = data[part * PART_BYTES : (part + 1) * PART_BYTES]
            yield records.RecordingDocument(
                kind=document.kind,
                document=index,
                part=part,
                part_count=part_count,
                length=len(piece),
                text=piece.ljust(PART_BYTES, b"\x00"),
            )


class DocumentAssembler:
    """Puts parts back together, in whatever order they come.

    ``problems()`` names what is missing: a text with a missing part is left
    out whole, because half a calibration is none.
    """

    def __init__(self) -> None:
        self._parts: dict[int, dict[int, records.RecordingDocument]] = {}

    def add(self, part: records.RecordingDocument) -> None:
        """Take in one part."""
        self._parts.setdefault(part.document, {}).setdefault(part.part, part)

    def documents(self) -> tuple[Document, ...]:
        """Return every complete text, in order."""
        found = (self._joined(index)[0] for index in sorted(self._parts))
        return tuple(document for document in found if document is not None)

    def problems(self) -> tuple[str, ...]:
        """Say what is wrong with each text that could not be put together."""
        return tuple(
            problem for index in sorted(self._parts) if (problem := self._joined(index)[1])
        )

    def _joined(self, index: int) -> tuple[Document | None, str]:
        parts = self._parts[index]
        first = parts[min(parts)]
        missing = [part for part in range(first.part_count) if part not in parts]
        if missing or any(
            (part.kind, part.part_count) != (first.kind, first.part_count)
            for part in parts.values()
        ):
            return None, (
                f"document {index}: {len(parts)} of {first.part_count} parts fit together"
            )
        data = b"".join(parts[part].text[: parts[part].length] for part in range(first.part_count))
        try:
            return Document(first.kind, data.decode("utf-8")), ""
        except UnicodeDecodeError as error:
            return None, f"document {index}: byte {error.start} is not UTF-8"
