"""One message on its way to the consumers: made once, encoded once, shared by all."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from functools import cached_property
from typing import Any, Final

_TEXT: Final = 0x81
_BINARY: Final = 0x82


class Kind(Enum):
    """What a message is about; the value is its ``type`` in JSON."""

    METADATA = "metadata"
    SAMPLES = "samples"
    EVENT = "event"
    GAP = "gap"
    LOSS = "loss"
    LINK = "link"
    STATUS = "status"
    RECORDING = "recording"
    WIRE = "wire"
    """The box's own frames; never JSON."""


LASTING: Final = (Kind.METADATA, Kind.LINK, Kind.RECORDING)
"""What a consumer must know the latest of, whatever else it missed; in the order of telling."""


@dataclass(frozen=True)
class Bulletin:
    """A message, in the forms in which the servers send it.

    ``body`` is one JSON object without a line break, or for `Kind.WIRE` whole
    frames as they came.  ``samples_total`` is how many samples are lost with it.
    """

    kind: Kind
    body: bytes
    samples_total: int = 0

    @cached_property
    def line(self) -> bytes:
        """The JSON object as a line of its own."""
        return self.body + b"\n"

    @cached_property
    def socket_frame(self) -> bytes:
        """The message as one unmasked WebSocket frame (RFC 6455, section 5.2)."""
        first = _BINARY if self.kind is Kind.WIRE else _TEXT
        size = len(self.body)
        if size < 126:
            head = bytes((first, size))
        elif size < 1 << 16:
            head = bytes((first, 126)) + size.to_bytes(2, "big")
        else:
            head = bytes((first, 127)) + size.to_bytes(8, "big")
        return head + self.body


def json_bulletin(kind: Kind, content: Mapping[str, Any], samples_total: int = 0) -> Bulletin:
    """A message from plain data; ``type`` comes first."""
    text = json.dumps(
        {"type": kind.value, **content}, separators=(",", ":"), allow_nan=False, ensure_ascii=True
    )
    return Bulletin(kind, text.encode("ascii"), samples_total)


def loss_bulletin(where: str, missed: int, messages: int, missed_total: int) -> Bulletin:
    """Says in the stream itself what is missing from it at this place.

    ``where`` is ``consumer`` (this consumer did not read in time) or ``broker``
    (the broker itself was too slow, for everybody).
    """
    return json_bulletin(
        Kind.LOSS,
        {
            "where": where,
            "samples_missed": missed,
            "messages_missed": messages,
            "samples_missed_total": missed_total,
        },
    )
