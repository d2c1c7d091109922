"""The quadrature program, instruction by instruction, in an RP2040 emulator (npm rp2040js)."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import pytest
from firmware.pio_rig import driver, emulate

# B above A, in the order of a turn that counts up: x4 decoding, common practice, no source.
STATES = (0, 1, 3, 2)
START = 31  # what the count of nonsense begins at, counting down


@pytest.fixture(scope="module")
def quadrature_pio() -> Any:
    return driver("quadrature_pio")


@pytest.fixture
def run(node: Path, quadrature_pio: Any) -> Any:
    def run(positions: list[tuple[float, int]], read_us: list[float]) -> list[tuple[int, int]]:
        """(count, nonsense) of the last of five words at each time of reading."""
        found = emulate(
            node,
            quadrature_pio.quadrature_program,
            quadrature_pio.FREQUENCY_HZ,
            levels=[[at, STATES[position & 3]] for at, position in positions],
            execute=[
                quadrature_pio._CLEAR_X,
                quadrature_pio._SET_Y | START,
                quadrature_pio._MOVE_PINS_TO_OSR,
            ],
            read_us=[at + 2.0 * word for at in read_us for word in range(5)],  # 2 us for a call
            read_words=1,
            end_us=read_us[-1] + 20,
        )
        words = [word for _, word in found["words"]]
        assert len(words) == 5 * len(read_us)
        assert max(words) < 1 << 30
        return [_decode(word) for word in words[4::5]]

    return run


def _decode(word: int) -> tuple[int, int]:
    count = word & 0xFFFF
    return count - 0x10000 if count & 0x8000 else count, (START - (word >> 16)) & 0xFFF


def _walk(steps: list[int], every_us: float, start_us: float = 20.0) -> list[tuple[float, int]]:
    position, at = 0, start_us
    walked = [(0.0, 0)]
    for step in steps:
        position += step
        walked.append((at, position))
        at += every_us
    return walked


def test_the_table_stands_where_the_jump_goes(quadrature_pio: Any) -> None:
    # MOV PC takes five bits, 1 and both states: RP2040 data sheet, section 3.4.8.
    words = quadrature_pio.quadrature_program.words
    assert len(words) <= 32
    table = 32 - 16
    assert 32 - len(words) + words.index(0xA0A6) < table  # mov(pc, isr) is before it
    assert all(word >> 13 == 0 for word in words[-16:])  # and it is jumps to the last


@pytest.mark.parametrize("direction", [1, -1])
def test_it_counts_both_ways_and_below_zero(run: Any, direction: int) -> None:
    walked = _walk([direction] * 100, 10.0)
    assert run(walked, [1100.0]) == [(100 * direction, 0)]


def test_there_and_back_through_zero(run: Any) -> None:
    walked = _walk([1] * 30 + [-1] * 60 + [1] * 30, 8.0)
    reads = [20 + 8 * 30.0, 20 + 8 * 60.0 - 3, 20 + 8 * 90.0, 20 + 8 * 120.0 + 5]
    # A reading takes 10 us and ends with what was there when it began, or later.
    found = [count for count, _ in run(walked, reads)]
    for count, expected in zip(found, [30, 0, -30, 0], strict=True):
        assert abs(count - expected) <= 2
    assert found[-1] == 0


@pytest.mark.parametrize("every_us", [50.0, 10.0, 4.0, 2.0])
def test_a_random_walk_is_followed_at_every_pace(run: Any, every_us: float) -> None:
    # Edges every 2 us are 500 000 a second; pin interrupts in Python lose them below 40 us.
    source = random.Random(7)
    steps = [source.choice((1, -1)) for _ in range(400)]
    walked = _walk(steps, every_us)
    assert run(walked, [walked[-1][0] + 20]) == [(sum(steps), 0)]


def test_both_lines_at_once_are_nonsense_and_counted(run: Any) -> None:
    walked = _walk([1, 1, 2, 1, -2, 1, 2, 2], 20.0)
    assert run(walked, [300.0]) == [(4, 4)]


def test_what_is_read_is_new_however_long_nobody_read(run: Any) -> None:
    walked = _walk([1] * 40, 100.0)
    reads = [30.0, 4050.0]  # the FIFO was full of the first words for 4 ms
    assert [count for count, _ in run(walked, reads)] == [1, 40]


def test_the_count_wraps_at_sixteen_bits(run: Any, quadrature_pio: Any) -> None:
    # -1 and what is below are the upper half: the driver's business is to unwrap.
    assert run(_walk([-1], 10.0), [100.0]) == [(-1, 0)]
