"""Sealing gives the frames that the host's codec gives."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from box.seal import LONGEST_CONTENT_BYTES, OVERHEAD_BYTES, seal, stuff_bytecode
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st
from steelyard_protocol.frame import encode_frame

# Source of each example: named in the file (the `cobs` package's published test
# list among them).  A box never stuffs more than 253 bytes at once.
_REFERENCE = Path(__file__).parents[1] / "reference" / "cobs_examples.json"
_EXAMPLES = [
    example
    for example in json.loads(_REFERENCE.read_text())["examples"]
    if 1 <= len(example["decoded"]) // 2 <= 253
]

_contents = st.one_of(
    st.binary(min_size=1, max_size=LONGEST_CONTENT_BYTES),
    st.lists(st.sampled_from([0, 0, 0, 1, 255]), min_size=1, max_size=60).map(bytes),
)


def _sealed(content: bytes) -> bytes:
    frame = bytearray(b"\xaa" * (len(content) + OVERHEAD_BYTES))
    frame[1 : 1 + len(content)] = content
    seal(frame, memoryview(frame)[1 : 1 + len(content)], len(content))
    return bytes(frame)


@given(_contents)
def test_a_sealed_frame_is_the_host_codecs_frame(content: bytes) -> None:
    padded = encode_frame(content)
    assert padded.startswith(_sealed(content))
    assert set(padded[len(content) + OVERHEAD_BYTES :]) <= {0}


@given(st.binary(min_size=1, max_size=253))
def test_stuffing_agrees_with_the_cobs_package(data: bytes) -> None:
    # An independent implementation: PyPI `cobs`.
    frame = bytearray(b"\x00" + data + b"\x55")
    stuff_bytecode(frame, len(data) + 1)
    assert bytes(frame) == cobs.encode(data) + b"\x00"


@pytest.mark.parametrize("example", _EXAMPLES, ids=lambda example: example["decoded"][:24] or "-")
def test_stuffing_reproduces_the_published_examples(example: dict[str, str]) -> None:
    data = bytes.fromhex(example["decoded"])
    frame = bytearray(b"\x00" + data + b"\x55")
    stuff_bytecode(frame, len(data) + 1)
    assert bytes(frame) == bytes.fromhex(example["encoded"]) + b"\x00"


def test_there_are_published_examples_to_reproduce() -> None:
    assert len(_EXAMPLES) >= 5
