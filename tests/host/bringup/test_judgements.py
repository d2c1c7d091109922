"""Single judgements on made-up observations: what the virtual box cannot be made to do."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from steelyard.bringup import LoadScale, Severity
from steelyard.bringup.angle_checks import AngleChannel, check_angle
from steelyard.bringup.link_checks import LinkSeen, check_link
from steelyard.bringup.load_channel import LoadChannel
from steelyard.bringup.load_checks import check_load
from steelyard.bringup.observation import ChannelObservation, Observation
from steelyard.device.encoder_zero import INDEX_ASTRAY, INDEX_SEEN
from steelyard_protocol.messages import SEQUENCE_PERIOD, TICKS_PERIOD_US
from steelyard_protocol.records import (
    AngleSample,
    ChannelDescription,
    ChannelKind,
    Identity,
    LoadSample,
    SensorKind,
    Status,
)

LOAD = ChannelDescription(
    0, 7, 0, ChannelKind.LOAD, SensorKind.HX711, 128, 80_000, -(1 << 23), (1 << 23) - 1, 0, 2, b""
)
ARM = ChannelDescription(
    0, 7, 2, ChannelKind.ARM_ANGLE, SensorKind.AS5600, 1, 200_000, 0, 4095, 4096, 255, b""
)
ENCODER = ARM._replace(sensor=SensorKind.QUADRATURE, counts_per_turn=4000)
IDENTITY = Identity(0, 1, 0, (1, 0, 0), b"", b"", 7, TICKS_PERIOD_US, 4, 256, b"", b"")
STATUS = Status(7, 0, 0, 1, 1, 3, (0,) * 8, (0,) * 8, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 2500, 120_000)


def load_channel(
    counts: list[int], period_us: int = 11_500, ticks_us: int = 0, **changes: object
) -> LoadChannel:
    seen = ChannelObservation()
    for index, value in enumerate(counts):
        ticks = (ticks_us + index * period_us) % TICKS_PERIOD_US
        sequence = (SEQUENCE_PERIOD - 3 + index) % SEQUENCE_PERIOD
        seen.add(LoadSample(0, 0, 7, sequence, ticks, value, 0, 0))
    return replace(LoadChannel(LOAD, seen), **changes)  # type: ignore[arg-type]


def noisy(count: int, sigma: float = 38.65, mean: float = 0.0, slope: float = 0.0) -> list[int]:
    source = random.Random(5)
    return [round(mean + slope * index + source.gauss(0.0, sigma)) for index in range(count)]


def angle_channel(
    counts: list[int],
    gain: int = 64,
    description: ChannelDescription = ARM,
    invalid: int = 0,
    period_us: int = 5_000,
    status: int = 0x20,
) -> AngleChannel:
    seen = ChannelObservation()
    for index, value in enumerate(counts):
        seen.add(AngleSample(2, 0, 7, index, index * period_us, value, status, gain, invalid))
    return AngleChannel(description, seen, 200.0)


def only_code(findings: list) -> str:  # type: ignore[type-arg]
    assert len(findings) == 1, findings
    return str(findings[0].code)


def test_time_and_sequence_go_on_through_a_wrap() -> None:
    channel = load_channel(noisy(800), ticks_us=TICKS_PERIOD_US - 2_000_000)
    assert channel.seen.rate_hz == pytest.approx(1e6 / 11_500)
    assert set(channel.seen.intervals_us) == {11_500}
    assert check_load(channel) == []


@given(sigma=st.floats(20.0, 400.0), slope=st.floats(-50.0, 50.0))
def test_noise_is_measured_and_drift_is_not_noise(sigma: float, slope: float) -> None:
    channel = load_channel(noisy(870, sigma, slope=slope))
    assert channel.seen.noise_counts() == pytest.approx(sigma, rel=0.12)


def test_a_stuck_amplifier() -> None:
    assert only_code(check_load(load_channel([1234] * 800))) == "stuck"
    assert check_load(load_channel([1234] * 5)) == []  # too few to say


@pytest.mark.parametrize(
    ("sigma", "severity"), [(100.0, None), (200.0, Severity.WARNING), (2000.0, Severity.FAULT)]
)
def test_noise_has_two_limits(sigma: float, severity: Severity | None) -> None:
    scale = LoadScale(2147.0, "calibrated")
    found = check_load(load_channel(noisy(800, sigma), scale=scale))
    assert [item.severity for item in found] == ([severity] if severity else [])
    if found:
        assert "N (calibrated)" in found[0].measured


def test_the_supply_of_the_amplifier_changes_what_is_expected() -> None:
    at_3v2 = load_channel(noisy(800), excitation_volts=3.2)
    assert at_3v2.expected_noise_counts == pytest.approx(38.654705664 * 5.0 / 3.2)


def test_a_zero_far_off() -> None:
    assert only_code(check_load(load_channel(noisy(800, mean=3e6)))) == "zero_far_off"


def test_a_clock_that_is_off() -> None:
    assert only_code(check_load(load_channel(noisy(400), period_us=18_000))) == "wrong_rate"
    slow = load_channel(noisy(100, sigma=21.5), period_us=100_000)
    assert only_code(check_load(slow)) == "rate_pin_low"


def test_channels_that_say_nothing() -> None:
    assert only_code(check_load(LoadChannel(LOAD, ChannelObservation()))) == "no_samples"
    assert only_code(check_angle(AngleChannel(ARM, ChannelObservation(), 200.0))) == "no_samples"


@pytest.mark.parametrize("gain", [0, 5, 125, 128])
def test_a_magnet_at_the_edge_of_the_gain(gain: int) -> None:
    found = check_angle(angle_channel([2000] * 400, gain))
    assert only_code(found) == "magnet_gain_at_edge"
    assert ("away" in found[0].advice) is (gain < 64)


def test_an_arm_that_shakes_and_one_that_crosses_zero() -> None:
    source = random.Random(3)
    shaking = [2000 + round(source.gauss(0.0, 20.0)) for _ in range(400)]
    assert only_code(check_angle(angle_channel(shaking))) == "angle_unsteady"
    crossing = [value % 4096 for value in (4094, 4095, 4096, 4097)] * 100
    steps = [abs(degrees) for _, degrees in angle_channel(crossing).steps()]
    assert max(steps) < 1.0


def test_jumps_of_a_slipping_coupling() -> None:
    found = check_angle(angle_channel([1000] * 200 + [2000] * 200))
    assert "angle_jump" in [item.code for item in found]


def test_impossible_steps_of_an_encoder() -> None:
    found = check_angle(angle_channel([100] * 400, 0, ENCODER, invalid=12, status=INDEX_SEEN))
    assert only_code(found) == "invalid_transitions"
    assert "12" in found[0].measured


@pytest.mark.parametrize(
    ("description", "status", "codes"),
    [
        (ENCODER, 0, ["encoder_zero_unknown"]),
        (ENCODER, INDEX_SEEN, []),
        (ENCODER, INDEX_SEEN | INDEX_ASTRAY, ["index_astray"]),
        (ARM, 0x20, []),
        (ARM, 0x21, []),  # another part's status means other things
    ],
)
def test_the_zero_of_an_encoder(
    description: ChannelDescription, status: int, codes: list[str]
) -> None:
    found = check_angle(angle_channel([100] * 400, 64, description, status=status))
    assert [item.code for item in found] == codes


def link(before: Status | None = STATUS, **changes: object) -> list[str]:
    statuses = [STATUS._replace(**changes)] if before is not None else []
    seen = Observation({}, statuses=statuses)
    return [item.code for item in check_link(LinkSeen(IDENTITY, before, seen))]


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, []),
        ({"temperature_centicelsius": 8500}, ["temperature"]),
        ({"temperature_centicelsius": -32768}, []),
        ({"heap_free_bytes": 4000}, ["memory_low"]),
        ({"heap_free_bytes": 0}, []),
        ({"queue_high_water": 200}, ["queue_filling"]),
        ({"garbage_bytes_total": 8}, ["garbage_received"]),
        ({"dropped_total": (0, 5, 0, 0, 0, 0, 0, 0)}, ["samples_dropped"]),
        ({"dropped_total": (0, 5, 0, 0, 0, 0, 0, 0), "boot_id": 9}, []),
    ],
)
def test_the_heartbeat_is_judged(changes: dict[str, object], expected: list[str]) -> None:
    assert link(**changes) == expected


def test_a_missing_heartbeat_and_a_watchdog_restart() -> None:
    assert link(None) == ["no_status"]
    assert link(STATUS._replace(reset_cause=2)) == ["watchdog_restart"]


def test_losses_that_the_box_knows_nothing_of() -> None:
    seen = Observation({}, statuses=[STATUS], missing=4)
    assert only_code(check_link(LinkSeen(IDENTITY, STATUS, seen))) == "samples_missing"
