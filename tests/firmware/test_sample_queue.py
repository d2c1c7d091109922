"""The ring of samples: order, drop-oldest, counters."""

from __future__ import annotations

from box.sample_queue import SampleQueue
from box.wire import pack_load_sample
from hypothesis import given
from hypothesis import strategies as st
from steelyard_protocol.decoder import Message, StreamDecoder


def _put(queue: SampleQueue, channel: int, sequence: int) -> None:
    pack_load_sample(queue.claim(), 1, channel, 0, 1, sequence, 0, 0, 0, 0)


def _drain(queue: SampleQueue) -> int:
    """Take the oldest sample; its sequence."""
    (message,) = StreamDecoder().feed(bytes(queue.take()))
    assert isinstance(message, Message)
    return int(message.record.sequence)


def test_first_in_first_out() -> None:
    queue = SampleQueue(4, 1)
    for sequence in range(3):
        _put(queue, 0, sequence)
    assert queue.count == queue.high_water == 3
    for sequence in range(3):
        assert _drain(queue) == sequence
    assert queue.count == 0
    assert queue.high_water == 3


def test_a_full_ring_drops_the_oldest_and_counts_its_channel() -> None:
    queue = SampleQueue(3, 3)
    for channel in (2, 0, 1):
        _put(queue, channel, channel)
    _put(queue, 1, 10)
    _put(queue, 1, 11)
    assert queue.dropped_total == [1, 0, 1]
    assert [_drain(queue) for _ in range(3)] == [1, 10, 11]


@given(
    capacity=st.integers(1, 9),
    actions=st.lists(st.one_of(st.integers(0, 3), st.none()), max_size=80),
)
def test_against_a_plain_list(capacity: int, actions: list[int | None]) -> None:
    queue = SampleQueue(capacity, 4)
    model: list[tuple[int, int]] = []
    dropped = [0, 0, 0, 0]
    for sequence, channel in enumerate(actions):
        if channel is not None:
            if len(model) == capacity:
                dropped[model.pop(0)[0]] += 1
            model.append((channel, sequence))
            _put(queue, channel, sequence)
        elif model:
            assert _drain(queue) == model.pop(0)[1]
        assert queue.count == len(model)
    assert queue.dropped_total == dropped
