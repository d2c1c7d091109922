"""The bytes printed in OVERVIEW.md are real: built by the codec, found on the page."""

from __future__ import annotations

import re
from typing import Any
from zlib import crc32

from steelyard_protocol import codec
from steelyard_protocol.frame import cobs_decode, cobs_encode
from steelyard_protocol.layout import layout_hash, layouts
from steelyard_protocol.records import Identify, Identity, LoadSample
from vector_files import ROOT, load

PAGE = (ROOT / "protocol" / "OVERVIEW.md").read_text(encoding="utf-8")


def printed_message(after: str) -> bytes:
    """The message bytes of the first block after a heading: hex columns up to the CRC line."""
    block = PAGE[PAGE.index(after) :].split("```")[1]
    rows = block[: block.index("CRC-32")].strip("\n").split("\n")
    found = [re.match(r"(?:message)?\s*((?:[0-9a-f]{2} ?)+)(?:\s|$)", row) for row in rows]
    return bytes.fromhex("".join(match.group(1) for match in found if match))


def spaced(data: bytes) -> str:
    return data.hex(" ")


def test_the_load_sample() -> None:
    sample = LoadSample(0, 0, 0x2F5A9C31, 4711, 50_123_456, 181_250, 2047, 1830)
    payload = codec.encode_payload(sample)
    assert printed_message("### One load sample") == payload
    assert spaced(codec.encode(sample)) in PAGE
    assert f"0x{crc32(payload):08x}" in PAGE


def test_the_handshake() -> None:
    request = Identify(0x1234)
    assert spaced(codec.encode(request)[:9]) + ", then 23 more 00" in PAGE
    assert len(codec.encode(request)) == 32
    answer = Identity(
        0x1234,
        1,
        2,
        (0, 1, 0),
        layout_hash(),
        bytes.fromhex("e6614103e7452d2f"),
        0x2F5A9C31,
        1 << 30,
        4,
        256,
        codec.padded_text("rp2040-pico", 16),
        codec.padded_text("Heron 1", 16),
    )
    payload = codec.encode_payload(answer)
    assert printed_message("Answer: one `identity`") == payload
    assert spaced(crc32(payload).to_bytes(4, "little")) in PAGE


def test_the_printed_cobs_decoder_works() -> None:
    code = PAGE[PAGE.index("```python") + 9 :].split("```")[0]
    names: dict[str, object] = {}
    exec(code, names)
    printed = names["cobs_decode"]
    assert callable(printed)
    for data in (b"", b"\x00", b"abc", bytes(100), bytes(range(254)), b"\x07" * 254):
        assert printed(cobs_encode(data)) == data == cobs_decode(cobs_encode(data))


def test_every_request_is_explained() -> None:
    for layout in layouts():
        if layout.origin.name == "REQUEST":
            assert f"`{layout.name}`" in PAGE


def test_the_printed_unwrapping_works() -> None:
    code = PAGE[PAGE.index("PERIOD = 1 << 30") :].split("```")[0]
    names: dict[str, Any] = {}
    exec(code, names)
    for case in load("times.json")["cases"]:
        last = None
        for ticks, expected in zip(case["device_ticks_us"], case["device_us"], strict=True):
            last = names["unwrap"](last, ticks)
            assert last == expected, case["name"]
