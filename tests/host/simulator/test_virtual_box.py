"""The real firmware in a virtual box: its frames, its flags under each fault, its life."""

from __future__ import annotations

import time
from collections import Counter
from itertools import pairwise

import pytest
from host.simulator.driver import Stream, streaming
from steelyard.simulator.box import VirtualBox
from steelyard.simulator.faults import KINDS, make_fault
from steelyard.simulator.options import parse_options
from steelyard.simulator.world import World
from steelyard_protocol.codec import encode
from steelyard_protocol.records import (
    ChannelDescription,
    EventKind,
    Identity,
    Outcome,
    ReadSetting,
    Reply,
    ResetCause,
    SampleFlags,
    Setting,
    SettingKey,
    StartStream,
    WriteSetting,
)

# The firmware calls an angle stale after 50 ms; a fault's edge shows within that.
NO_COUNTS = -(1 << 31)


def test_a_streaming_box_gives_whole_frames_without_gaps() -> None:
    stream = streaming("heron?task=session", settle_seconds=0.5)
    stream.run(20.0)
    assert stream.corrupt == []
    assert stream.gaps == []
    assert {m.flags for m in [*stream.loads(0), *stream.loads(1), *stream.angles(2)]} == {0}
    rates = [len(stream.loads(0)) / 20, len(stream.loads(1)) / 20]
    chips = [1e6 / chip.period_us for chip in stream.box.bench.amplifiers]
    assert rates == pytest.approx(chips, abs=0.1)
    assert all(80.0 <= rate <= 94.0 for rate in rates)
    assert len(stream.angles(2)) / 20 == pytest.approx(200.0, abs=0.5)
    assert len(stream.angles(3)) / 20 == pytest.approx(20.0, abs=0.1)


def test_the_firmware_clocks_the_amplifiers_within_the_data_sheet() -> None:
    stream = streaming("heron?task=session")
    stream.run(10.0)
    for chip in stream.box.bench.amplifiers:
        assert chip.violations == []
        assert chip.torn_total == 0
        assert chip.conversions_total > 800


def test_counts_are_those_of_the_true_load_cell() -> None:
    stream = streaming("heron?task=weights&masses=0,20&dwell=12&seed=4")
    stream.run(11.0)
    zero = [m.load_counts for m in stream.loads(0)][-200:]
    stream.clear()
    stream.run(12.0)
    loaded = [m.load_counts for m in stream.loads(0)][-200:]
    cell = stream.box.world.cells[0].truth
    force = stream.box.world.weights.still_newtons(20.0)
    span = sum(loaded) / 200 - sum(zero) / 200
    expected = cell.counts(force) - cell.counts(0.0)
    # Noise of two means of 200 (39 counts each), creep and half the loop besides.
    allowed = 3 * 39 * (2 / 200) ** 0.5 + 0.0004 * cell.counts_per_newton() * cell.rated_newtons
    assert span == pytest.approx(expected, abs=allowed)


def test_load_samples_carry_the_angle_of_their_moment() -> None:
    stream = streaming("heron?task=session")
    stream.run(30.0)
    angles = {m.device_ticks_us: m.angle_counts for m in stream.angles(2)}
    for sample in stream.loads(0)[50:]:
        assert sample.angle_age_us < 6000
        assert sample.angle_counts in angles.values()


def test_angle_follows_the_arm() -> None:
    stream = streaming("heron?task=session")
    stream.run(30.0)
    world = stream.box.world
    counts = stream.angles(2)[-1].angle_counts
    degrees = world.shaft_degrees(stream.box.now_us)
    assert counts * 360 / 4096 == pytest.approx(degrees % 360, abs=0.3)


def test_identity_at_start_names_the_box_and_its_channels() -> None:
    stream = Stream(VirtualBox(parse_options("heron?seed=3")))
    stream.run(0.4)
    (identity,) = [m for m in stream.messages if isinstance(m, Identity)]
    channels = [m for m in stream.messages if isinstance(m, ChannelDescription)]
    assert identity.channel_count == len(channels) == 4
    assert identity.boot_id < 1 << 30
    other = Stream(VirtualBox(parse_options("heron?seed=4")))
    other.run(0.4)
    (another,) = [m for m in other.messages if isinstance(m, Identity)]
    assert another.box_id != identity.box_id


def test_the_same_seed_gives_the_same_bytes() -> None:
    def raw(seed: int) -> bytes:
        stream = streaming(f"heron?seed={seed}&faults=torn@2,corrupt=0.001@1+5")
        stream.run(5.0)
        return bytes(stream.raw)

    assert raw(5) == raw(5)
    assert raw(5) != raw(6)


def test_how_often_time_is_cut_up_does_not_change_a_byte() -> None:
    def run(cut_us: int) -> tuple[World, bytes]:
        box = VirtualBox(parse_options("wren"))
        box.link.send(encode(StartStream(1)))
        raw = bytearray()
        while box.now_us < 10_000_000:
            box.run_until(min(10_000_000, box.now_us + cut_us))
            raw += box.link.take()
        return box.world, bytes(raw)

    coarse, fine = run(333_333), run(1_009)
    assert coarse[0].truth == fine[0].truth
    assert coarse[1] == fine[1]
    assert len(coarse[1]) > 100_000


def test_ten_virtual_seconds_take_a_small_part_of_real_ones() -> None:
    stream = streaming("heron?task=session")
    started = time.perf_counter()
    stream.box.run_until(stream.box.now_us + 10_000_000)
    # About 60 times faster than life on one core; the bound leaves room for a busy machine.
    assert time.perf_counter() - started < 2.5


def test_ticks_wrap_without_a_gap() -> None:
    stream = streaming(f"heron?task=rest&ticks={(1 << 30) - 3_000_000}")
    stream.run(5.0)
    ticks = [m.device_ticks_us for m in stream.loads(0)]
    assert max(ticks) > (1 << 30) - 50_000
    assert min(ticks) < 50_000
    assert stream.gaps == []
    steps = [(b - a) % (1 << 30) for a, b in pairwise(ticks)]
    assert max(steps) < 14_000


# --- faults ---------------------------------------------------------------------------------


def struck(
    name: str, seconds: float = 1.0, *, channel: int = 0, value: float | None = None
) -> Stream:
    """A streaming box with a fault in force, from just after it struck."""
    stream = streaming()
    fault = make_fault(
        name,
        stream.box.now_us / 1e6,
        seconds if KINDS[name].lasting else None,
        channel=channel,
        value=value,
    )
    stream.box.plan(fault)
    stream.run(seconds)
    return stream


def flags_of(samples: list[object]) -> Counter[SampleFlags]:
    return Counter(SampleFlags(m.flags) for m in samples)  # type: ignore[attr-defined]


@pytest.mark.parametrize("channel", [0, 1])
@pytest.mark.parametrize(
    ("name", "flag"),
    [
        ("data_high", SampleFlags.NO_CONVERSION),
        ("data_low", SampleFlags.DESYNC),
        ("saturate_high", SampleFlags.SATURATED_HIGH),
        ("saturate_low", SampleFlags.SATURATED_LOW),
        ("torn", SampleFlags.SUSPECT),
        ("clock_cut", SampleFlags.DESYNC),
    ],
)
def test_a_fault_of_an_amplifier_is_flagged_on_its_channel_only(
    name: str, flag: SampleFlags, channel: int
) -> None:
    stream = struck(name, channel=channel)
    struck_flags = flags_of(list(stream.loads(channel)))
    assert any(flag in flags for flags in struck_flags)
    assert set(flags_of(list(stream.loads(1 - channel)))) == {SampleFlags(0)}
    assert stream.gaps == []


@pytest.mark.parametrize("name", ["data_high", "data_low"])
def test_no_value_is_made_up_while_the_line_is_stuck(name: str) -> None:
    stream = struck(name)
    late = stream.loads(0)[-5:]
    assert late
    assert {m.load_counts for m in late} == {NO_COUNTS}


@pytest.mark.parametrize(
    "name", ["data_high", "data_low", "saturate_high", "saturate_low", "clock_cut"]
)
def test_an_amplifier_recovers_by_itself(name: str) -> None:
    stream = struck(name)
    stream.run(1.0)
    stream.clear()
    stream.run(1.0)
    assert set(flags_of(list(stream.loads(0)))) == {SampleFlags(0)}
    assert len(stream.loads(0)) == pytest.approx(
        1e6 / stream.box.bench.amplifiers[0].period_us, abs=2
    )
    kinds = [event.kind for event in stream.events()]
    assert EventKind.FAULT_RAISED not in kinds


@pytest.mark.parametrize(
    ("name", "flag"),
    [
        ("magnet_missing", SampleFlags.MAGNET_MISSING),
        ("magnet_weak", SampleFlags.MAGNET_WEAK),
        ("magnet_strong", SampleFlags.MAGNET_STRONG),
        ("bus_fail", SampleFlags.BUS_ERROR),
        ("bus_stuck", SampleFlags.BUS_ERROR),
    ],
)
def test_a_fault_of_the_angle_sensor_is_flagged_and_force_goes_on(
    name: str, flag: SampleFlags
) -> None:
    stream = struck(name)
    flagged = [m for m in stream.angles(2) if flag in SampleFlags(m.flags)]
    assert len(flagged) > 150
    measures = name in ("magnet_weak", "magnet_strong")
    assert all((m.angle_counts != NO_COUNTS) == measures for m in flagged)
    assert len(stream.loads(0)) == pytest.approx(
        1e6 / stream.box.bench.amplifiers[0].period_us, abs=2
    )
    assert all(m.load_counts != NO_COUNTS for m in stream.loads(0))
    assert set(flags_of(list(stream.angles(3)))) == {SampleFlags(0)}
    stream.run(1.5)  # the longest pause between two tries of a bus is 1 s
    stream.clear()
    stream.run(0.5)
    assert set(flags_of(list(stream.angles(2)))) == {SampleFlags(0)}


def test_an_open_wiper_is_flagged() -> None:
    stream = struck("open_wiper")
    flagged = [m for m in stream.angles(3) if SampleFlags.OPEN_CIRCUIT in SampleFlags(m.flags)]
    assert len(flagged) >= 19
    assert {m.angle_counts for m in flagged} == {NO_COUNTS}


def test_an_amplifier_that_resets_by_itself_leaves_no_gap() -> None:
    stream = struck("chip_reset")
    assert stream.gaps == []
    assert stream.box.bench.amplifiers[0].resets_total == 3  # power, start of the app, this one


def test_the_button_is_an_event_and_a_flag() -> None:
    stream = struck("button", 0.5)
    stream.run(0.5)
    kinds = [event.kind for event in stream.events()]
    assert kinds.count(EventKind.BUTTON_PRESSED) == 1
    assert kinds.count(EventKind.BUTTON_RELEASED) == 1
    held = [m for m in stream.loads(0) if SampleFlags.BUTTON_HELD in SampleFlags(m.flags)]
    assert len(held) == pytest.approx(0.5 * len(stream.loads(0)), abs=5)


def test_a_deaf_host_loses_the_oldest_and_is_told_how_many() -> None:
    stream = struck("deaf", 4.0)
    stream.run(2.0)
    missing = Counter[int]()
    for gap in stream.gaps:
        missing[gap.channel] += gap.missing
    dropped = stream.last_status().dropped_total
    assert sum(missing.values()) > 500
    assert [missing[channel] for channel in range(4)] == list(dropped[:4])
    assert stream.corrupt == []
    assert stream.last_status().link_stalls_total > 0


def test_spoiled_bytes_are_corrupt_frames_and_their_samples_are_missed() -> None:
    stream = struck("corrupt", 5.0, value=0.002)
    spoiled = stream.box.link.corrupted_total
    assert spoiled > 50
    assert 0.5 * spoiled < len(stream.corrupt) <= 2 * spoiled
    assert stream.gaps


def test_a_reboot_is_a_new_boot_and_settings_survive() -> None:
    stream = Stream(VirtualBox(parse_options("heron?task=rest")))
    stream.run(0.4)
    stream.box.link.send(
        encode(WriteSetting(2, SettingKey.BOX_NAME, 255, 0, b"bench".ljust(16, b"\0")))
    )
    stream.run(0.2)
    first = [m for m in stream.messages if isinstance(m, Identity)][-1]
    stream.clear()
    stream.box.plan(make_fault("reboot", stream.box.now_us / 1e6))
    stream.run(0.5)
    second = [m for m in stream.messages if isinstance(m, Identity)][-1]
    assert second.boot_id != first.boot_id
    assert second.box_id == first.box_id
    assert stream.last_status().reset_cause == ResetCause.WATCHDOG
    assert second.box_name.rstrip(b"\0") == b"bench"


def test_a_full_flash_is_refused_in_an_answer() -> None:
    stream = Stream(VirtualBox(parse_options("heron?task=rest&faults=flash_full@0")))
    stream.run(0.4)
    stream.box.link.send(
        encode(WriteSetting(9, SettingKey.BOX_NAME, 255, 0, b"x".ljust(16, b"\0")))
    )
    stream.run(0.2)
    (reply,) = [m for m in stream.messages if isinstance(m, Reply)]
    assert (reply.correlation_id, reply.outcome) == (9, Outcome.STORAGE_FAILED)


def test_an_unplugged_box_is_off_and_starts_anew() -> None:
    stream = streaming("heron?task=rest&faults=unplug@2+1")
    stream.run(2.0)
    assert not stream.box.powered
    conversions = stream.box.bench.amplifiers[0].conversions_total
    stream.run(0.3)
    assert stream.box.bench.amplifiers[0].conversions_total == conversions
    stream.run(1.0)
    assert stream.box.powered
    assert stream.box.boots_total == 2
    stream.clear()
    stream.start()
    stream.run(1.0)
    assert stream.loads(0)


def test_requests_on_their_way_are_lost_with_the_cable() -> None:
    stream = Stream(VirtualBox(parse_options("heron?task=rest")))
    stream.run(0.4)
    stream.box.link.send(encode(ReadSetting(3, SettingKey.BOX_NAME, 255)))
    stream.box.link.connect(False)
    stream.box.link.connect(True)
    stream.run(0.3)
    assert not [m for m in stream.messages if isinstance(m, Setting)]
