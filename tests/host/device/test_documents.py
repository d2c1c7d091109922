"""Texts in the box over the port, and boxes and hosts of different minor versions."""

from __future__ import annotations

import json
import struct
from pathlib import Path
from typing import Any
from zlib import crc32

import pytest
from steelyard.device import Box
from steelyard.device.documents import (
    describe_document,
    erase_document,
    store_document,
    stored_document,
)
from steelyard.errors import DeviceDocumentError, DeviceRejectedError
from steelyard.simulator.port import SimulatedPort, open_simulated_port
from steelyard_protocol.codec import decode_payload
from steelyard_protocol.frame import decode_frame
from steelyard_protocol.records import DocumentKind, Outcome, SampleFlags

ROOT = Path(__file__).resolve().parents[3]
TEXT = json.dumps({"made": "up", "values": list(range(700))}).encode()
HASH_1_0 = bytes.fromhex("27867d0539dd1256")
SINCE_1_1 = (0x47, 0x48, 0x49, 0x4A, 0x4B)


def open_box(options: str = "") -> tuple[Box, SimulatedPort]:
    port = open_simulated_port(f"heron?speed=max&task=weights{options}")
    return Box.open(port), port


def stream(box: Box, seconds: float) -> bytes:
    """Let the box stream for so long; all that came."""
    clock, raw = box.transport.clock, bytearray()
    end_ns = clock.monotonic_ns() + round(seconds * 1e9)
    box.start_stream()
    while clock.monotonic_ns() < end_ns:
        raw += box.poll(0.1).raw
    box.stop_stream()
    return bytes(raw)


def test_a_text_goes_in_and_survives_power_and_firmware() -> None:
    box, port = open_box()
    assert stored_document(box, 0) is None
    kept = store_document(box, 0, DocumentKind.CALIBRATION, TEXT)
    assert (kept.length, kept.crc32) == (len(TEXT), crc32(TEXT))
    port.box.power_off()
    port.box.power_on()
    box.identify()
    found = stored_document(box, 0)
    assert found is not None
    assert found[1] == TEXT
    assert found[0].kind == DocumentKind.CALIBRATION
    erase_document(box, 0)
    assert stored_document(box, 0) is None


def test_the_same_text_is_not_written_again() -> None:
    box, port = open_box()
    store_document(box, 255, DocumentKind.MACHINE, TEXT)
    port.box.storage.full = True
    store_document(box, 255, DocumentKind.MACHINE, TEXT)
    with pytest.raises(DeviceRejectedError, match="could not store"):
        store_document(box, 255, DocumentKind.MACHINE, TEXT[1:])
    port.box.storage.full = False
    found = stored_document(box, 255)
    assert found is not None
    assert found[1] == TEXT  # the old one stays


def test_a_bad_link_costs_repetitions_and_no_letter() -> None:
    box, port = open_box()
    port.box.link.corrupt(0.0005)
    store_document(box, 1, DocumentKind.NOTE, TEXT)
    found = stored_document(box, 1)
    assert found is not None
    assert found[1] == TEXT
    assert box.counters.retries_total > 0


def test_what_the_box_does_not_take() -> None:
    box, _ = open_box()
    limit = describe_document(box, 0).length_limit
    for text in (b"", b"x" * (limit + 1)):
        with pytest.raises(DeviceDocumentError, match=f"the box takes 1 to {limit}"):
            store_document(box, 0, DocumentKind.NOTE, text)
    with pytest.raises(DeviceRejectedError, match="names 7"):
        store_document(box, 7, DocumentKind.NOTE, b"no such channel")
    box.start_stream()
    with pytest.raises(DeviceRejectedError, match="Stop the stream"):
        stored_document(box, 0)


def test_a_text_that_fell_to_pieces_in_the_flash_is_not_handed_out() -> None:
    box, port = open_box()
    store_document(box, 0, DocumentKind.NOTE, TEXT)
    blobs = port.box.storage.blobs
    blobs["document0.a"] = blobs["document0.a"].replace(b"made", b"fade")
    with pytest.raises(DeviceDocumentError, match="CRC"):
        stored_document(box, 0)
    port.box.power_off()  # and a box that starts on it does not count it as a text
    port.box.power_on()
    box.identify()
    assert stored_document(box, 0) is None


def test_flag_totals_by_channel() -> None:
    box, _ = open_box("&faults=magnet_weak@0.5,data_high.1@0.5")
    stream(box, 3.0)
    arm, restraint = box.read_flag_totals(2), box.read_flag_totals(1)
    assert {flag for flag, total in arm.items() if total} == {SampleFlags.MAGNET_WEAK}
    assert arm[SampleFlags.MAGNET_WEAK] > 300
    assert restraint[SampleFlags.NO_CONVERSION] > 10
    assert restraint[SampleFlags.LINE_HELD] == 0


# --- versions ---------------------------------------------------------------------------------


@pytest.fixture
def old_box(monkeypatch: pytest.MonkeyPatch) -> Box:
    """A box that speaks 1.0: says so, and knows none of the later requests."""
    box, port = open_box()
    firmware = port.box._app
    introduction = __import__("box.introduction").introduction
    monkeypatch.setattr(introduction, "PROTOCOL_MINOR", 0)
    monkeypatch.setattr(introduction, "LAYOUT_HASH", HASH_1_0)
    for request in SINCE_1_1:
        del firmware._requests._answers[request]  # type: ignore[union-attr]
    box.identify()
    return box


def test_a_new_host_and_an_old_box(old_box: Box) -> None:
    assert old_box.description.protocol_version == "1.0"
    assert any("older" in remark for remark in old_box.description.remarks)
    for work in (lambda: stored_document(old_box, 0), lambda: old_box.read_flag_totals(0)):
        with pytest.raises(DeviceRejectedError, match="firmware is older") as caught:
            work()
        assert caught.value.outcome == Outcome.UNKNOWN_REQUEST
    assert len(stream(old_box, 2.0)) > 2 * 300 * 32  # all that 1.0 can do goes on as ever
    assert len(old_box.run_self_test()) == 4


class DecoderOf10:
    """What a host of 1.0 reads: written from the frozen snapshot alone."""

    def __init__(self) -> None:
        path = ROOT / "protocol" / "snapshots" / "1.0.json"
        self.snapshot: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        self.messages = {item["id"]: (n, item) for n, item in self.snapshot["messages"].items()}

    def decode(self, payload: bytes) -> tuple[str, list[Any]] | None:
        if payload[0] not in self.messages:
            return None  # skipped and counted
        name, layout = self.messages[payload[0]]
        assert len(payload) == layout["size"]
        return name, [self._value(payload, field) for field in layout["fields"]]

    def _value(self, payload: bytes, field: dict[str, Any]) -> Any:
        kind, _, count = field["type"].partition("[")
        number = int(count.rstrip("]") or 0)
        at = field["offset"]
        if kind == "bytes":
            return payload[at : at + number]
        letter = {"u8": "B", "u16": "H", "u32": "I", "u64": "Q", "i16": "h", "i32": "i"}[kind]
        found = struct.unpack_from(f"<{max(1, number)}{letter}", payload, at)
        return found if number else found[0]


def test_an_old_host_and_a_new_box() -> None:
    """Every frame that a host of 1.0 can cause reads the same; a flag of 1.1 is a bit it keeps."""
    box, port = open_box("&faults=clock_low@1+2,bus_stuck@1+2,clock_pulse.1@2")
    raw = stream(box, 4.0)
    box.run_self_test()
    raw += box.drain().raw
    old, seen, flags = DecoderOf10(), set(), 0
    for piece in filter(None, raw.split(b"\x00")[:-1]):
        payload = decode_frame(piece)
        found = old.decode(payload)
        assert found is not None, f"id {payload[0]:#x} comes unasked"
        name, values = found
        record = decode_payload(payload)
        assert values == list(record)
        seen.add(name)
        if name == "load_sample":
            flags |= values[1]
    assert {"load_sample", "angle_sample", "status", "event", "self_test_result"} <= seen
    assert flags & SampleFlags.LINE_HELD
    known = old.snapshot["values"]["SampleFlags"]["names"].values()
    assert flags & ~sum(known) == SampleFlags.LINE_HELD
    assert port.box.boots_total == 1
