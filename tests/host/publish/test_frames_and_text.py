"""Encodings that we write by hand, read back with other people's code and the schema."""

from __future__ import annotations

import dataclasses
import json
import math
from datetime import UTC, datetime
from typing import Any

import jsonschema
import numpy as np
import pytest
from host.calibration.synthetic import Bench
from host.device.scripted_box import channel, identity
from hypothesis import given, settings
from hypothesis import strategies as st
from steelyard.calibration import (
    AngleCalibration,
    AnglePoint,
    AnyCalibration,
    Binding,
    ForceCalibration,
    calibrate_angle,
    calibrate_force,
    calibrate_torque,
)
from steelyard.device import Poll
from steelyard.device.description import BoxDescription, describe
from steelyard.errors import WrongBoxError
from steelyard.publish.arrivals import WIRE_LIMIT_BYTES, Arrivals
from steelyard.publish.bulletin import Bulletin, Kind
from steelyard.publish.live_clock import LiveClock
from steelyard.publish.message_schema import live_schema
from steelyard.publish.metadata import metadata_bulletin
from steelyard.publish.sample_text import MESSAGE_SAMPLES, Sample, samples_bulletins
from steelyard.publish.scales import BoxScales, check_channels
from steelyard.strength.machine_profile import Channels, MachineProfile
from steelyard.strength.profile_file import ready_profile
from steelyard_protocol.codec import encode
from steelyard_protocol.decoder import StreamDecoder
from steelyard_protocol.messages import NO_COUNTS
from steelyard_protocol.records import (
    AngleSample,
    ChannelKind,
    LoadSample,
    SampleFlags,
    TimeMark,
)
from websockets.frames import Opcode
from websockets.streams import StreamReader

NOW = datetime(2025, 7, 1, 12, 0, tzinfo=UTC)
SCHEMA = jsonschema.Draft202012Validator(live_schema())


def description() -> BoxDescription:
    channels = [channel(0, 1111, ChannelKind.LOAD), channel(1, 1111, ChannelKind.ARM_ANGLE)]
    made = describe(identity(), channels)
    assert made is not None
    return made


def binding(number: int) -> Binding:
    return Binding(description().box_id_text, number, f"SN-{number}", 128, "0.1.7")


def force(taken_at: str = "2025-06-01", bound_to: Binding | None = None) -> ForceCalibration:
    bench = Bench(1, taken_at=taken_at)
    bound = bound_to or binding(0)
    return calibrate_force(bench.points(), bench.conditions, bound, weights=bench.by_name)


def angle() -> AngleCalibration:
    points = [AnglePoint(a, 1000.0 + a * 4096 / 360) for a in (-30.0, 0.0, 30.0, 60.0)]
    return calibrate_angle(points, binding(1), counts_per_turn=4096)


def load(**changes: Any) -> LoadSample:
    return LoadSample(0, 0, 1111, 5, 40_000, 500_000, 1100, 900)._replace(**changes)


def arm(**changes: Any) -> AngleSample:
    return AngleSample(1, 0, 1111, 6, 41_000, 1100, 0x20, 60, 0)._replace(**changes)


def told(
    samples: list[Sample], *calibrations: AnyCalibration, profile: MachineProfile | None = None
) -> list[dict[str, Any]]:
    clock = LiveClock()
    clock.add(TimeMark(1111, 30_000, 5_000_000_000, 1_751_371_200_000_000_000, 200))
    scales = BoxScales(calibrations, description(), NOW, profile)
    messages = [json.loads(item.body) for item in samples_bulletins(samples, clock, scales)]
    for message in messages:
        SCHEMA.validate(message)
    return messages


@pytest.mark.parametrize("size", [0, 1, 125, 126, 65_535, 65_536, 70_001])
@pytest.mark.parametrize("kind", [Kind.STATUS, Kind.WIRE])
def test_a_websocket_frame_is_one(size: int, kind: Kind) -> None:
    from websockets.frames import Frame

    reader = StreamReader()
    reader.feed_data(Bulletin(kind, b"a" * size).socket_frame)
    reader.feed_eof()
    parser = Frame.parse(reader.read_exact, mask=False)
    with pytest.raises(StopIteration) as ended:
        next(parser)
    frame = ended.value.value
    assert frame.data == b"a" * size
    assert frame.fin
    assert frame.opcode is (Opcode.BINARY if kind is Kind.WIRE else Opcode.TEXT)
    with pytest.raises(StopIteration):
        next(reader.at_eof())


def test_raw_samples_say_no_more_than_they_know() -> None:
    (message,) = told([load(), arm()])
    first, second = message["samples"]
    assert first == {
        "channel": 0,
        "sequence": 5,
        "device_us": 40_000,
        "unix_us": 1_751_371_200_010_000,
        "counts": 500_000,
        "sound": True,
        "flags": [],
        "arm_angle_counts": 1100,
        "arm_angle_age_us": 900,
    }
    assert second["counts"] == 1100
    assert "angle_degrees" not in second


def test_calibrated_values_are_those_of_the_calibration() -> None:
    force_scale, angle_scale = force(), angle()
    (message,) = told([load(), arm(angle_counts=1200)], force_scale, angle_scale)
    first, second = message["samples"]
    age_days = force_scale.age_days(NOW.isoformat())
    read = force_scale.force([500_000], age_days=age_days)
    assert first["force_newtons"] == pytest.approx(float(read.force_newtons[0]), rel=1e-6)
    u = float(read.standard_uncertainty_newtons[0])
    assert first["force_standard_uncertainty_newtons"] == pytest.approx(u, rel=0.01)
    carried, own = angle_scale.angle([1100, 1200]).angle_degrees
    assert first["arm_angle_degrees"] == pytest.approx(carried, rel=1e-6)
    assert second["angle_degrees"] == pytest.approx(own, rel=1e-6)


def test_torque_has_names_of_its_own() -> None:
    bench = Bench(2, taken_at="2025-06-01")
    made = calibrate_torque(
        bench.points(), bench.arm, bench.conditions, binding(0), weights=bench.by_name
    )
    (message,) = told([load()], made)
    sample = message["samples"][0]
    assert sample["torque_newton_metres"] == pytest.approx(
        float(made.torque([500_000]).torque_newton_metres[0]), rel=1e-6
    )
    assert "force_newtons" not in sample


def test_a_profile_gives_torque_and_joint_angle() -> None:
    heron = ready_profile("heron")
    row = told([load()], FORCE, profile=heron)[0]["samples"][0]
    arm = heron.moment_arm
    force_newtons, u = row["force_newtons"], row["force_standard_uncertainty_newtons"]
    assert row["torque_newton_metres"] == pytest.approx(force_newtons * arm.length_metres, rel=1e-5)
    assert row["torque_standard_uncertainty_newton_metres"] == pytest.approx(
        math.hypot(u * arm.length_metres, force_newtons * arm.standard_uncertainty_metres),
        rel=0.02,
    )
    angles = heron.angle_zero.degrees_at(np.array([1100], np.int32))
    assert row["joint_angle_degrees"] == pytest.approx(float(angles[0]), abs=1e-4)
    assert row["joint_angle_standard_uncertainty_degrees"] == pytest.approx(
        math.hypot(
            heron.angle_zero.standard_uncertainty_degrees,
            heron.angle_periodic_degrees / math.sqrt(2),
        ),
        rel=0.02,
    )
    assert "arm_angle_degrees" not in row, "there is no calibration of the angle"


def test_a_calibrated_angle_goes_before_the_profiles_one_angle() -> None:
    heron = dataclasses.replace(ready_profile("heron"), channels=Channels(0, 1))
    row = told([load()], ANGLE, profile=heron)[0]["samples"][0]
    assert row["joint_angle_degrees"] == row["arm_angle_degrees"]
    assert "torque_newton_metres" not in row, "no force is known"


def test_an_angle_beyond_the_machines_travel_or_missing_says_so() -> None:
    heron = ready_profile("heron")
    zero = heron.angle_zero
    far = round(zero.counts + (heron.travel_degrees[1] + 5 - zero.degrees) / 360 * 4096)
    samples: list[Sample] = [
        load(angle_counts=far),
        load(angle_counts=NO_COUNTS, flags=int(SampleFlags.ANGLE_STALE)),
    ]
    beyond, missing = told(samples, FORCE, profile=heron)[0]["samples"]
    assert beyond["joint_angle_extrapolated"] is True
    assert missing["joint_angle_degrees"] is None
    assert missing["torque_newton_metres"] is not None


@pytest.mark.parametrize("calibrated", [False, True])
def test_metadata_name_torque_and_joint(calibrated: bool) -> None:
    wren = ready_profile("wren")
    scales = BoxScales([FORCE] if calibrated else [], description(), NOW, wren)
    body = metadata_bulletin(description(), scales, "saltmarsh", "Wren", wren).body
    metadata = json.loads(body)
    SCHEMA.validate(metadata)
    assert metadata["profile"]["joint"] == "cervical"
    loaded, turned = metadata["channels"]
    assert (loaded["torque_value"] is not None) == calibrated
    assert loaded["joint_angle_value"]["key"] == "joint_angle_degrees"
    assert turned["joint_angle_value"] is None


@pytest.mark.parametrize(
    "sample",
    [
        load(load_counts=NO_COUNTS, flags=int(SampleFlags.NO_CONVERSION)),
        load(load_counts=0x7FFFFF, flags=int(SampleFlags.SATURATED_HIGH)),
        load(flags=int(SampleFlags.SETTLING)),
    ],
)
def test_an_unsound_reading_has_no_value(sample: LoadSample) -> None:
    (message,) = told([sample], force())
    row = message["samples"][0]
    assert row["sound"] is False
    assert row["force_newtons"] is None
    assert row["force_standard_uncertainty_newtons"] is None
    assert len(row["flags"]) == 1
    assert (row["counts"] is None) == (sample.load_counts == NO_COUNTS)


def test_a_stale_angle_leaves_the_load_sound() -> None:
    sample = load(angle_counts=NO_COUNTS, flags=int(SampleFlags.ANGLE_STALE))
    row = told([sample], force(), angle())[0]["samples"][0]
    assert row["sound"] is True
    assert row["force_newtons"] is not None
    assert row["arm_angle_degrees"] is None
    assert row["arm_angle_counts"] is None


def test_a_value_beyond_the_weights_says_so() -> None:
    rows = told([load(load_counts=2_000_000), load(load_counts=500_000)], force())[0]["samples"]
    assert rows[0]["extrapolated"] is True
    assert "extrapolated" not in rows[1]


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.one_of(
            st.builds(
                LoadSample,
                st.integers(0, 7),
                st.integers(0, 0xFFFF),
                st.integers(1111, 1113),
                st.integers(0, (1 << 30) - 1),
                st.integers(0, (1 << 30) - 1),
                st.integers(-(1 << 31), (1 << 31) - 1),
                st.integers(-(1 << 31), (1 << 31) - 1),
                st.integers(0, 0xFFFF),
            ),
            st.builds(
                AngleSample,
                st.integers(0, 7),
                st.integers(0, 0xFFFF),
                st.integers(1111, 1113),
                st.integers(0, (1 << 30) - 1),
                st.integers(0, (1 << 30) - 1),
                st.integers(-(1 << 31), (1 << 31) - 1),
                st.integers(0, 255),
                st.integers(0, 255),
                st.integers(0, (1 << 32) - 1),
            ),
        ),
        min_size=1,
        max_size=12,
    )
)
def test_any_sample_gives_json_of_the_schema(samples: list[Sample]) -> None:
    messages = told(samples, FORCE, ANGLE, profile=HERON)
    rows = [(message["boot_id"], row) for message in messages for row in message["samples"]]
    assert [(sample.boot_id, sample.channel, sample.sequence) for sample in samples] == [
        (boot_id, row["channel"], row["sequence"]) for boot_id, row in rows
    ]


FORCE, ANGLE, HERON = force(), angle(), ready_profile("heron")


@pytest.mark.parametrize("noise", [b"", b"\x07" * 50_000 + b"\x00"])
def test_what_gathered_while_the_computer_stood_still_comes_in_messages_of_bounded_length(
    noise: bytes,
) -> None:
    samples = [load(sequence=number) for number in range(5000)]
    raw = noise + b"".join(map(encode, samples))
    poll = Poll(raw, list(StreamDecoder().feed(raw)))
    found = Arrivals().bulletins(poll, BoxScales((), description(), NOW))
    texts = [json.loads(one.body)["samples"] for one in found if one.kind is Kind.SAMPLES]
    assert [sample["sequence"] for text in texts for sample in text] == list(range(5000))
    assert max(map(len, texts)) == MESSAGE_SAMPLES
    wire = [one for one in found if one.kind is Kind.WIRE]
    assert b"".join(one.body for one in wire) == raw
    assert max(len(one.body) for one in wire) <= WIRE_LIMIT_BYTES
    assert sum(one.samples_total for one in wire) == 5000


def test_metadata_name_units_and_calibrations() -> None:
    scales = BoxScales([FORCE], description(), NOW)
    metadata = json.loads(metadata_bulletin(description(), scales, "saltmarsh", "Heron").body)
    SCHEMA.validate(metadata)
    load_channel, angle_channel = metadata["channels"]
    assert load_channel["value"]["unit"] == "N"
    assert load_channel["value"]["key"] == "force_newtons"
    assert load_channel["calibration"]["calibration_id"] == FORCE.calibration_id
    assert load_channel["calibration"]["state"] == "in_force"
    assert load_channel["arm_angle_value"] is None
    assert angle_channel["value"] is None
    assert angle_channel["calibration"] == {"state": "none"}


@pytest.mark.parametrize(
    ("taken_at", "state"),
    [("", "undated"), ("2025-06-01", "in_force"), ("2020-06-01", "overdue")],
)
def test_the_state_of_a_calibration(taken_at: str, state: str) -> None:
    scales = BoxScales([force(taken_at)], description(), NOW)
    assert scales.state(0)["state"] == state
    assert scales.of(0) is not None


@pytest.mark.parametrize("change", [{"sensor_serial": "SN-9"}, {"gain": 64}, {"box_id": "00" * 8}])
def test_a_calibration_of_another_sensor_is_refused(change: dict[str, Any]) -> None:
    wrong = dataclasses.replace(FORCE, binding=dataclasses.replace(FORCE.binding, **change))
    scales = BoxScales([wrong], description(), NOW)
    assert scales.of(0) is None
    assert scales.state(0)["state"] == "refused"
    metadata = json.loads(metadata_bulletin(description(), scales, "saltmarsh", "").body)
    SCHEMA.validate(metadata)
    with pytest.raises(WrongBoxError):
        check_channels([wrong], description())


def test_two_calibrations_for_one_channel_or_none_of_the_box() -> None:
    with pytest.raises(WrongBoxError, match="Two of the calibrations"):
        check_channels([FORCE, FORCE], description())
    elsewhere = dataclasses.replace(FORCE, binding=binding(5))
    with pytest.raises(WrongBoxError, match="no channel 5"):
        check_channels([elsewhere], description())
