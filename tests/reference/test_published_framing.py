"""CRC-32 and COBS against published values and general libraries.

CRC: RevEng catalogue of parametrised CRC algorithms; PyPI crccheck.
COBS: Cheshire & Baker 1999 and the test list of PyPI cobs; PyPI cobs itself.
"""

from __future__ import annotations

import json
import random
from pathlib import Path
from zlib import crc32

import numpy as np
import pytest
from cobs import cobs
from crccheck.crc import Crc32
from hypothesis import given
from hypothesis import strategies as st
from steelyard_protocol.column_work import crc_tables
from steelyard_protocol.frame import FrameError, cobs_decode, cobs_encode

HERE = Path(__file__).parent
CATALOGUE = json.loads((HERE / "crc_catalogue.json").read_text(encoding="utf-8"))["algorithms"][0]
EXAMPLES = json.loads((HERE / "cobs_examples.json").read_text(encoding="utf-8"))


def message(text: str) -> bytes:
    return bytes(range(255)) if text == "range(255)" else bytes.fromhex(text)


def test_the_frame_check_is_the_catalogues_crc_32() -> None:
    assert CATALOGUE["name"] == "CRC-32/ISO-HDLC"
    assert crc32(b"123456789") == int(CATALOGUE["check"], 16) == 0xCBF43926
    for text, expected in CATALOGUE["vectors_hex"].items():
        assert crc32(message(text)) == int(expected, 16), text


@given(st.binary(min_size=1, max_size=250))
def test_crc_agrees_with_crccheck_and_with_the_bulk_tables(data: bytes) -> None:
    assert crc32(data) == Crc32.calc(data)
    constant, tables = crc_tables(len(data))
    positions = np.arange(len(data))
    by_tables = constant ^ int(np.bitwise_xor.reduce(tables[positions, np.frombuffer(data, "u1")]))
    assert by_tables == crc32(data)


@pytest.mark.parametrize("example", EXAMPLES["examples"], ids=lambda e: e["encoded"][:16])
def test_published_cobs_examples(example: dict[str, str]) -> None:
    decoded, encoded = bytes.fromhex(example["decoded"]), bytes.fromhex(example["encoded"])
    assert cobs_encode(decoded) == encoded
    assert cobs_decode(encoded) == decoded


@pytest.mark.parametrize("text", EXAMPLES["invalid_encodings_A"])
def test_published_invalid_encodings_are_refused(text: str) -> None:
    with pytest.raises(FrameError):
        cobs_decode(bytes.fromhex(text))


def test_the_published_bound_of_the_overhead_holds() -> None:
    for size in (1, 253, 254, 255, 508, 509):
        assert len(cobs_encode(b"\x01" * size)) == size + -(-size // 254)


@given(st.binary(max_size=1200))
def test_cobs_agrees_with_the_cobs_package(data: bytes) -> None:
    assert cobs_encode(data) == cobs.encode(data)
    assert cobs_decode(cobs_encode(data)) == data


def test_arbitrary_bytes_decode_as_the_cobs_package_decodes_them() -> None:
    source = random.Random(5)
    for _ in range(20_000):
        data = bytes(source.randrange(0, 7) for _ in range(source.randrange(1, 12)))
        try:
            theirs = cobs.decode(data)
        except cobs.DecodeError:
            theirs = None
        try:
            ours = cobs_decode(data)
        except FrameError:
            ours = None
        assert ours == theirs, data
