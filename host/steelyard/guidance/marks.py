"""Remarks for the recording: where a step began and ended, what slipped, who pressed stop."""

from __future__ import annotations

from typing import Final

MARK_BYTES: Final = 160
"""What a recording takes as one remark (``recording.writer.ANNOTATION_BYTES``)."""


def fitted(text: str) -> str:
    """The text, cut to what a remark may hold as UTF-8; never within a character."""
    data = text.encode("utf-8", "replace")
    if len(data) <= MARK_BYTES:
        return data.decode("utf-8")
    return data[: MARK_BYTES - 3].decode("utf-8", "ignore") + "…"
