"""What makes a file a recording: suffix, format version, first frame."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from typing import Final

from steelyard_protocol import codec, records
from steelyard_protocol.layout import layout_hash
from steelyard_protocol.messages import PROTOCOL_MAJOR, PROTOCOL_MINOR

from steelyard import __version__
from steelyard.errors import RecordingFormatError
from steelyard.transport.port import HostClock

SUFFIX: Final = ".steelyard"
FORMAT_MAJOR: Final = 1
FORMAT_MINOR: Final = 1
LABEL_BYTES: Final = 16
"""Room for a machine name or a client code in the header."""


@dataclass(frozen=True)
class Subject:
    """What a recording is of: a machine, and a client by code, never by name.

    Both are ASCII, at most 16 characters.
    """

    machine: str = ""
    client_code: str = ""


def label_bytes(what: str, text: str) -> bytes:
    """Fit a short name into the header.

    Raises:
        RecordingFormatError: not ASCII, or longer than 16 characters.
    """
    if not text.isascii() or len(text) > LABEL_BYTES or "\x00" in text:
        raise RecordingFormatError(
            f"The {what} {text!r} does not fit into a recording's header ({len(text)} characters).",
            f"Use at most {LABEL_BYTES} plain ASCII characters.",
        )
    return codec.padded_text(text, LABEL_BYTES)


def new_header(subject: Subject, clock: HostClock) -> records.RecordingHeader:
    """Make the first frame of a new recording, with a fresh random id.

    Raises:
        RecordingFormatError: machine or client code do not fit.
    """
    return records.RecordingHeader(
        format_major=FORMAT_MAJOR,
        format_minor=FORMAT_MINOR,
        protocol_major=PROTOCOL_MAJOR,
        protocol_minor=PROTOCOL_MINOR,
        layout_hash=layout_hash(),
        recording_id=uuid.uuid4().bytes,
        host_unix_ns=clock.unix_ns(),
        host_monotonic_ns=clock.monotonic_ns(),
        software=label_bytes("software version", f"steelyard {__version__}"[:LABEL_BYTES]),
        machine=label_bytes("machine name", subject.machine),
        client_code=label_bytes("client code", subject.client_code),
    )


def version_problem(header: records.RecordingHeader) -> str:
    """Say why a recording of this version must not be read; empty when it may.

    A larger minor version only adds messages, which readers skip and count.
    """
    if header.format_major != FORMAT_MAJOR:
        found, known, what = header.format_major, FORMAT_MAJOR, "format"
    elif header.protocol_major != PROTOCOL_MAJOR:
        found, known, what = header.protocol_major, PROTOCOL_MAJOR, "protocol"
    else:
        return ""
    return f"recording {what} version {found}, this program reads version {known}"
