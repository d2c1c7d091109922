"""Requests out of arbitrary bytes."""

from __future__ import annotations

from box.inbox import Inbox
from firmware.rig import HostEnd
from hypothesis import given
from hypothesis import strategies as st
from steelyard.simulator.clock import VirtualClock
from steelyard_protocol import codec, records

_REQUEST = codec.encode(records.ReadSetting(correlation_id=300, key=1, channel=255))
_PAYLOAD = bytes([0x44]) + (300).to_bytes(2, "little") + bytes([1, 255])


def _inbox() -> tuple[Inbox, HostEnd, VirtualClock]:
    port = HostEnd()
    clock = VirtualClock()
    return Inbox(port, clock), port, clock


def _read_all(inbox: Inbox, port: HostEnd) -> list[bytes]:
    found = []
    while port.to_box:
        size = inbox.poll()
        if size:
            found.append(bytes(inbox.frame[1 : 1 + size]))
    return found


def test_a_request_comes_out_as_it_went_in() -> None:
    inbox, port, _ = _inbox()
    port.to_box += _REQUEST * 3
    assert _read_all(inbox, port) == [_PAYLOAD] * 3
    assert inbox.garbage_bytes_total == 0


def test_byte_by_byte() -> None:
    inbox, port, clock = _inbox()
    found = []
    for byte in _REQUEST:
        port.to_box.append(byte)
        found += _read_all(inbox, port)
        clock.sleep_ms(1)
    assert found == [_PAYLOAD]


def test_text_from_a_modem_probe_does_not_spoil_the_next_request() -> None:
    inbox, port, clock = _inbox()
    port.to_box += b"AT\r\nATI\r\n"
    assert _read_all(inbox, port) == []
    clock.sleep_ms(500)
    port.to_box += _REQUEST
    assert _read_all(inbox, port) == [_PAYLOAD]
    assert inbox.garbage_bytes_total == 9


def test_a_frame_too_long_is_garbage_to_its_delimiter() -> None:
    inbox, port, _ = _inbox()
    port.to_box += b"\x01" * 1000 + b"\x00" + _REQUEST
    assert _read_all(inbox, port) == [_PAYLOAD]
    assert inbox.garbage_bytes_total == 1001


@given(
    flip=st.integers(0, 8 * (_REQUEST.index(0) + 1) - 1),
)
def test_no_single_bit_error_passes(flip: int) -> None:
    inbox, port, _ = _inbox()
    damaged = bytearray(_REQUEST)
    damaged[flip // 8] ^= 1 << flip % 8
    port.to_box += damaged
    assert _PAYLOAD not in _read_all(inbox, port) or flip // 8 == _REQUEST.index(0)
    port.to_box += b"\x00" + _REQUEST
    assert _read_all(inbox, port)[-1] == _PAYLOAD


@given(st.binary(max_size=600))
def test_any_bytes_are_either_a_frame_or_counted(noise: bytes) -> None:
    inbox, port, _ = _inbox()
    port.to_box += noise + b"\x00" + _REQUEST
    found = _read_all(inbox, port)
    assert found[-1] == _PAYLOAD
    if len(found) == 1:
        zeros = noise.count(0) + 1
        counted = inbox.garbage_bytes_total
        assert len(noise) + 1 - zeros <= counted <= len(noise) + 1


def test_the_time_of_a_request_is_that_of_its_delimiter() -> None:
    inbox, port, clock = _inbox()
    port.to_box += _REQUEST[:5]
    inbox.poll()
    clock.sleep_ms(7)
    port.to_box += _REQUEST[5:]
    before = clock.ticks_us()
    inbox.poll()
    assert before <= inbox.received_ticks_us <= before + 100
