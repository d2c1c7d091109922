"""Control messages: whole frames, in order, bounded."""

from __future__ import annotations

import pytest
from box.outbox import Outbox
from box.sample_queue import SampleQueue
from box.transmitter import Transmitter
from box.wire import pack_load_sample
from firmware.rig import HostEnd
from hypothesis import given
from hypothesis import strategies as st
from steelyard_protocol.frame import encode_frame


def _post(outbox: Outbox, content: bytes) -> bool:
    outbox.scratch[1 : 1 + len(content)] = content
    return bool(outbox.post(len(content)))


@given(st.lists(st.binary(min_size=1, max_size=120), max_size=12))
def test_slots_are_the_frames_with_their_padding(contents: list[bytes]) -> None:
    outbox = Outbox(64)
    sent = b""
    expected = b""
    ends = 0
    for content in contents:
        assert _post(outbox, content)
        expected += encode_frame(content)
    while outbox.count:
        sent += bytes(outbox.oldest_slot())
        ends += outbox.release()
    assert sent == expected
    assert ends == len(contents)


def test_a_frame_without_room_is_not_posted_in_part() -> None:
    outbox = Outbox(4)
    assert _post(outbox, bytes(90))  # 96 bytes with its overhead: three slots
    assert not _post(outbox, bytes(40))
    assert outbox.count == 3
    assert _post(outbox, bytes(26))
    assert outbox.count == 4


def test_content_longer_than_any_frame_is_refused() -> None:
    with pytest.raises(ValueError, match="250 bytes"):
        Outbox().post(250)


def test_control_goes_before_samples_and_long_frames_stay_together() -> None:
    port = HostEnd()
    outbox = Outbox()
    queue = SampleQueue(8, 1)
    transmitter = Transmitter(port, outbox, queue)
    pack_load_sample(queue.claim(), 1, 0, 0, 1, 5, 0, 0, 0, 0)
    long_content = bytes(range(1, 121))
    _post(outbox, long_content)
    while transmitter.pump():
        pass
    assert bytes(port.to_host).startswith(encode_frame(long_content))
    assert len(port.to_host) == 4 * 32 + 32
    assert transmitter.frames_sent_total == 2


def test_a_full_port_is_one_stall_however_often_it_is_looked_at() -> None:
    port = HostEnd(slots=1)
    outbox = Outbox()
    transmitter = Transmitter(port, outbox, SampleQueue(8, 1))
    for _ in range(3):
        _post(outbox, b"abc")
    for _ in range(5):
        transmitter.pump()
    assert transmitter.link_stalls_total == 1
    assert not transmitter.can_send()
    port.to_host.clear()
    assert transmitter.can_send()
    transmitter.pump()
    transmitter.pump()
    assert transmitter.link_stalls_total == 2
    assert transmitter.frames_sent_total == 2
