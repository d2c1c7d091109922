"""Gaps, repeats and disorder are counted exactly, wherever the batches are cut."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from steelyard.recording import sample_tally
from steelyard.recording.sample_tally import SampleTally
from steelyard_protocol.bulk import Table
from steelyard_protocol.decoder import SequenceTracker
from steelyard_protocol.messages import NO_COUNTS, SEQUENCE_PERIOD
from steelyard_protocol.records import LoadSample, SampleFlags

NO_OPENINGS = np.empty(0, np.int64)


def _table(sequences: list[int], first_offset: int = 0, boot_id: int = 7) -> Table:
    count = len(sequences)
    columns = {
        "channel": np.zeros(count, np.uint8),
        "flags": np.zeros(count, np.uint16),
        "boot_id": np.full(count, boot_id, np.uint32),
        "sequence": np.array(sequences, np.uint32),
        "device_ticks_us": np.arange(count, dtype=np.uint32) * 12_500,
        "load_counts": np.arange(count, dtype=np.int32),
    }
    return Table(columns, np.arange(count, dtype=np.int64) * 32 + first_offset)


def _tally(*tables: Table, openings: np.ndarray = NO_OPENINGS) -> SampleTally:
    tally = SampleTally("load_sample", 0)
    for table in tables:
        tally.add(table, openings)
    return tally


def test_an_unbroken_run() -> None:
    tally = _tally(_table(list(range(100))))
    assert (tally.samples_total, tally.gaps_total, tally.missing_total) == (100, 0, 0)
    assert (tally.duplicates_total, tally.out_of_order_total) == (0, 0)
    assert tally.spans[7].steps == 99


def test_a_gap_is_placed_and_counted() -> None:
    tally = _tally(_table([4, 5, 9, 10]))
    (gap,) = tally.gaps
    assert (gap.missing, gap.first_missing_sequence) == (3, 6)
    assert (gap.previous_offset, gap.offset) == (32, 64)
    assert gap.boot_id == 7
    assert not gap.across_link_change


def test_numbers_wrap_without_a_gap_and_with_one() -> None:
    last = SEQUENCE_PERIOD - 1
    assert _tally(_table([last - 1, last, 0, 1])).missing_total == 0
    (gap,) = _tally(_table([last - 1, 2])).gaps
    assert (gap.missing, gap.first_missing_sequence) == (3, last)


def test_a_repeat_and_a_latecomer_are_no_gaps() -> None:
    tally = _tally(_table([1, 2, 2, 3, 1, 4]))
    assert (tally.duplicates_total, tally.out_of_order_total) == (1, 1)
    assert tally.missing_total == 0
    assert tally.spans[7].steps == 3


def test_a_gap_between_batches_and_one_across_a_link() -> None:
    openings = np.array([1500], np.int64)
    tally = _tally(_table([0, 1]), _table([4], 1000), _table([8], 2000), openings=openings)
    assert [gap.across_link_change for gap in tally.gaps] == [False, True]
    assert tally.missing_across_links_total == 3
    assert tally.missing_total == 5


def test_boots_are_counted_apart() -> None:
    tally = _tally(_table([100, 101]), _table([0, 1], 500, boot_id=8), _table([102], 900))
    assert tally.missing_total == 0
    assert set(tally.spans) == {7, 8}
    assert tally.spans[7].samples_total == 3


def test_flags_and_missing_readings() -> None:
    table = _table(list(range(4)))
    table.columns["flags"][1] = SampleFlags.SATURATED_HIGH | SampleFlags.BUTTON_HELD
    table.columns["flags"][2] = 0x8000
    table.columns["load_counts"][3] = NO_COUNTS
    tally = _tally(table)
    assert tally.flags() == {"saturated_high": 1, "button_held": 1, "line_held": 1}
    assert tally.no_reading_total == 1


def test_totals_go_on_when_the_list_is_full(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sample_tally, "GAPS_LISTED", 5)
    tally = _tally(_table(list(range(0, 40, 2))))
    assert len(tally.gaps) == 5
    assert (tally.gaps_total, tally.missing_total) == (19, 19)


@given(
    steps=st.lists(st.integers(1, 5), min_size=1, max_size=60),
    start=st.integers(0, SEQUENCE_PERIOD - 1),
    cuts=st.lists(st.integers(0, 60), max_size=4),
)
def test_same_totals_however_cut_and_the_same_as_the_live_decoders(
    steps: list[int], start: int, cuts: list[int]
) -> None:
    sequences = [start]
    for step in steps:
        sequences.append((sequences[-1] + step) % SEQUENCE_PERIOD)
    edges = sorted({0, len(sequences), *(cut for cut in cuts if cut < len(sequences))})
    pieces = [_table(sequences[first:last], 32 * first) for first, last in pairwise(edges)]
    tally = _tally(*pieces)
    tracker = SequenceTracker()
    live = [
        gap
        for index, number in enumerate(sequences)
        if (gap := tracker.follow(LoadSample(0, 0, 7, number, 0, 0, 0, 0), 32 * index))
    ]
    assert [(gap.offset, gap.missing) for gap in tally.gaps] == [
        (gap.offset, gap.missing) for gap in live
    ]
    assert tally.missing_total == sum(steps) - len(steps)
