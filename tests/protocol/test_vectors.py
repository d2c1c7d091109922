"""One set of golden bytes, four codecs: construct, host codec, device codec, bulk decoder."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np
import pytest
from steelyard_protocol import codec, records
from steelyard_protocol.bulk import BulkDecoder
from steelyard_protocol.decoder import CorruptFrame, Gap, Message, StreamDecoder
from steelyard_protocol.frame import FrameError, encode_frame
from steelyard_protocol.generators.vectors import payload_by_construct
from steelyard_protocol.layout import MessageLayout, layouts, layouts_by_id
from steelyard_protocol.messages import MESSAGES, Origin
from vector_files import case_id, load, message_cases, record_values

STRUCTS = {definition.name: definition.body for definition in MESSAGES}
CASES = message_cases()
every_case = pytest.mark.parametrize(("layout", "case"), CASES, ids=case_id)


@every_case
def test_construct_builds_the_payload(layout: MessageLayout, case: dict[str, Any]) -> None:
    assert payload_by_construct(layout, case["fields"]).hex() == case["payload"]


@every_case
def test_construct_parses_the_payload(layout: MessageLayout, case: dict[str, Any]) -> None:
    parsed = STRUCTS[layout.name].parse(bytes.fromhex(case["payload"])[1:])
    for item, expected in zip(layout.fields, record_values(layout, case["fields"]), strict=True):
        found = parsed[item.name]
        if item.enumeration is not None and item.enumeration.is_flags:
            found = sum(bit for name, bit in item.enumeration.values if found[name])
        elif item.is_array:
            found = tuple(found)
        elif not item.is_bytes:
            found = int(found)
        assert found == expected, item.name


@every_case
def test_host_codec_both_ways(layout: MessageLayout, case: dict[str, Any]) -> None:
    record_type = getattr(records, layout.class_name)
    record = record_type(*record_values(layout, case["fields"]))
    assert codec.encode(record).hex() == case["frame"]
    assert codec.decode(bytes.fromhex(case["frame"]).rstrip(b"\x00")) == record
    assert codec.message_id(record) == layout.message_id


@every_case
def test_device_codec(layout: MessageLayout, case: dict[str, Any], wire: ModuleType) -> None:
    values = record_values(layout, case["fields"])
    payload = bytes.fromhex(case["payload"])
    if layout.origin is Origin.DEVICE:
        buffer = bytearray(len(payload) + 6)
        size = getattr(wire, f"pack_{layout.name}")(buffer, 3, *values)
        assert size == len(payload) == getattr(wire, f"{layout.name.upper()}_BYTES")
        assert bytes(buffer) == bytes(3) + payload + bytes(3)
    elif layout.origin is Origin.REQUEST:
        unpacked = getattr(wire, f"unpack_{layout.name}")(b"\xff" + payload, 1)
        assert list(unpacked) == values
        assert wire.REQUEST_BYTES[layout.message_id] == len(payload)
    else:
        assert not hasattr(wire, f"pack_{layout.name}")


@every_case
@pytest.mark.parametrize("copies", [1, 100])
def test_bulk_decoder(layout: MessageLayout, case: dict[str, Any], copies: int) -> None:
    frame = bytes.fromhex(case["frame"])
    batch = BulkDecoder().feed(frame * copies)
    assert not batch.corrupt
    table = batch.tables[layout.name]
    assert table.offsets.tolist() == [len(frame) * index for index in range(copies)]
    for item, expected in zip(layout.fields, record_values(layout, case["fields"]), strict=True):
        column = table.columns[item.name]
        wanted = expected.rstrip(b"\x00") if item.is_bytes else expected
        assert (column == np.array([wanted] * copies, column.dtype)).all(), item.name


@every_case
def test_every_frame_fills_whole_slots(layout: MessageLayout, case: dict[str, Any]) -> None:
    frame = bytes.fromhex(case["frame"])
    assert len(frame) == layout.wire_bytes
    assert len(frame) % 32 == 0
    assert 0 not in frame.rstrip(b"\x00")


def test_samples_are_one_slot() -> None:
    by_name = {layout.name: layout for layout in layouts()}
    assert by_name["load_sample"].wire_bytes == by_name["angle_sample"].wire_bytes == 32


@pytest.mark.parametrize("case", load("corrupt.json")["cases"], ids=case_id)
def test_corrupt_bytes_are_refused_alike(case: dict[str, Any]) -> None:
    encoded = bytes.fromhex(case["bytes"])
    with pytest.raises(FrameError, match=case["reason"]):
        codec.decode(encoded)
    expected = [CorruptFrame(0, len(encoded), case["reason"])]
    assert StreamDecoder().feed(encoded + b"\x00") == expected
    assert BulkDecoder().feed(encoded + b"\x00").corrupt == expected
    many = BulkDecoder().feed((encoded + b"\x00") * 50).corrupt
    assert [item.reason for item in many] == [case["reason"]] * 50


def _plain(event: object) -> list[Any]:
    match event:
        case Message(codec.UnknownMessage(message_id, _), offset):
            return ["unknown", message_id, offset]
        case Message(record, offset):
            return ["message", layouts_by_id()[codec.message_id(record)].name, offset]
        case CorruptFrame(offset, length, _):
            return ["corrupt", offset, length]
        case Gap(offset, _, channel, message_id, expected, found, missing):
            name = layouts_by_id()[message_id].name
            return ["gap", name, channel, offset, expected, found, missing]
    raise TypeError(event)


@pytest.mark.parametrize("case", load("streams.json")["cases"], ids=case_id)
def test_streams(case: dict[str, Any]) -> None:
    data = bytes.fromhex(case["bytes"])
    assert [_plain(event) for event in StreamDecoder().feed(data)] == case["events"]
    decoder = StreamDecoder()
    one_by_one = [event for byte in data for event in decoder.feed(bytes((byte,)))]
    assert [_plain(event) for event in one_by_one] == case["events"]


@pytest.mark.parametrize("case", load("unknown_values.json")["cases"], ids=case_id)
def test_values_without_a_name_are_kept(case: dict[str, Any]) -> None:
    frame = bytes.fromhex(case["frame"])
    record = codec.decode(frame.rstrip(b"\x00"))
    assert getattr(record, case["field"]) == case["value"]
    assert codec.encode(record).hex() == case["frame"]  # type: ignore[arg-type]
    column = BulkDecoder().feed(frame).tables[case["message"]].columns[case["field"]]
    assert column.tolist() == [case["value"]]


@pytest.mark.parametrize("case", load("times.json")["cases"], ids=case_id)
def test_ticks_unwrap(case: dict[str, Any]) -> None:
    from steelyard.time_sync import TickUnwrapper

    unwrapper = TickUnwrapper()
    ticks = case["device_ticks_us"]
    assert [unwrapper.unwrap(7, value) for value in ticks] == case["device_us"]


def test_fields_of_a_message_cannot_be_swapped_unnoticed() -> None:
    for layout in layouts():
        case = next(
            case
            for case in load(f"message_{layout.name}.json")["cases"]
            if case["name"] == "counting"
        )
        alike: dict[str, list[str]] = {}
        for item in layout.fields:
            alike.setdefault(item.type_name, []).append(str(case["fields"][item.name]))
        for kind, values in alike.items():
            assert kind == "u8" or len(set(values)) == len(values), (layout.name, kind)


def test_the_codec_refuses_what_does_not_fit() -> None:
    sample = records.AngleSample(2, 0, 1, 2, 3, 4, 5, 6, 7)
    with pytest.raises(codec.MessageValueError, match=r"angle_sample.channel = 8; .* 0 to 7"):
        codec.encode(sample._replace(channel=8))
    with pytest.raises(codec.MessageValueError, match=r"sequence = 1073741824"):
        codec.encode(sample._replace(sequence=1 << 30))
    setting = records.Setting(1, 2, 1, 255, 0, b"too short")
    with pytest.raises(codec.MessageValueError, match="text has 9 elements; it takes 16"):
        codec.encode(setting)


def test_the_device_codec_refuses_what_struct_would_wrap(wire: ModuleType) -> None:
    buffer = bytearray(64)
    with pytest.raises(ValueError, match="angle_age_us = 70000; the range is 0 to 65535"):
        wire.pack_load_sample(buffer, 0, 0, 0, 1, 2, 3, 4, 5, 70000)
    values = [1, 2, 3, 0, 0, 0, (0,) * 8, (0,) * 7 + (-1,), *([0] * 12)]
    with pytest.raises(ValueError, match="dropped_total = -1"):
        wire.pack_status(bytearray(200), 0, *values)
    with pytest.raises(ValueError, match=r"len\(text\) = 3; the range is 16 to 16"):
        wire.pack_setting(buffer, 0, 1, 2, 3, 4, 5, b"abc")
    assert bytes(buffer) == bytes(64)


@pytest.mark.parametrize("length", [0, 251, 1000])
def test_a_frame_has_a_longest_payload(length: int) -> None:
    with pytest.raises(ValueError, match=f"payload of {length} bytes"):
        encode_frame(bytes(length))


def test_text_fields() -> None:
    assert codec.padded_text("Heron", 8) == b"Heron\x00\x00\x00"
    assert codec.plain_text(b"Heron\x00\x00\x00") == "Heron"
    assert codec.plain_text(b"\xff\x00") == "\\xff"
    with pytest.raises(codec.MessageValueError, match="9 letters; the field takes 8"):
        codec.padded_text("Heron-two", 8)
    with pytest.raises(codec.MessageValueError, match="ASCII"):
        codec.padded_text("Mäuschen", 8)
