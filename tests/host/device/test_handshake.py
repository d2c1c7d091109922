"""The handshake: what it passes over, what it refuses, and in which words."""

from __future__ import annotations

import pytest
from host.device import scripted_box
from host.device.scripted_box import BANNER, BOX_ID, ScriptedBox, ScriptedPort, identity
from steelyard.device import Box
from steelyard.errors import (
    DeviceDisconnectedError,
    DeviceNotFoundError,
    ProtocolMessageError,
    ProtocolVersionError,
    WrongDeviceError,
)
from steelyard_protocol.codec import encode
from steelyard_protocol.messages import PROTOCOL_MAJOR, PROTOCOL_MINOR
from steelyard_protocol.records import ChannelDescription, ChannelKind, SensorKind


def test_describes_the_box() -> None:
    box = Box.open(ScriptedPort(ScriptedBox()))
    assert box.description.box_id_text == BOX_ID.hex()
    assert box.description.name == "bench"
    assert box.description.firmware_version == "0.1.0"
    assert box.description.protocol_version == f"{PROTOCOL_MAJOR}.{PROTOCOL_MINOR}"
    assert box.description.sensor_serial(1) == "SN-1"
    assert [item.channel for item in box.description.channels_of(ChannelKind.LOAD)] == [0]
    assert box.boot_id == 1111
    assert box.description.remarks == ()


@pytest.mark.parametrize("sensor", [SensorKind.QUADRATURE, SensorKind.AS5600])
def test_an_angle_that_starts_anew_with_the_box_is_said(
    sensor: SensorKind, monkeypatch: pytest.MonkeyPatch
) -> None:
    described = scripted_box.channel

    def with_sensor(number: int, boot_id: int, kind: ChannelKind) -> ChannelDescription:
        made = described(number, boot_id, kind)
        return made if kind == ChannelKind.LOAD else made._replace(sensor=sensor)

    monkeypatch.setattr(scripted_box, "channel", with_sensor)
    port = ScriptedPort(ScriptedBox())
    box = Box.open(port)
    assert len(box.description.remarks) == (sensor == SensorKind.QUADRATURE)
    port.box.identity = identity(boot_id=1112)  # it restarts, and is asked again
    again = box.identify().remarks
    assert again == box.description.remarks
    assert not again or "Channel 1 is an incremental encoder" in again[0]


def test_passes_over_garbage_a_banner_and_half_a_frame() -> None:
    port = ScriptedPort(ScriptedBox())
    half = encode(port.box.sample())[:13]
    port.send(bytes(range(256)) + BANNER + port.box.samples(3) + half)
    box = Box.open(port)
    assert len(box.channels) == 2
    assert box.counters.corrupt_frames_total > 0


def test_everything_that_came_during_the_handshake_is_kept() -> None:
    port = ScriptedPort(ScriptedBox())
    before = BANNER + b"\x00" + port.box.samples(3)
    port.send(before)
    poll = Box.open(port).poll(0)
    assert poll.raw.startswith(before)
    assert len([event for event in poll.events if hasattr(event, "record")]) == 6


@pytest.mark.parametrize("lost", range(1, 9))
def test_asks_again_when_the_answer_is_lost(lost: int) -> None:
    port = ScriptedPort(ScriptedBox(drop_answers=lost))
    box = Box.open(port, timeout_seconds=5.0)
    assert box.counters.retries_total == lost
    asked = {request.correlation_id for request in port.box.requests}  # type: ignore[union-attr]
    assert len(asked) == 1


def test_asks_again_when_one_channel_is_damaged() -> None:
    port = ScriptedPort(ScriptedBox())
    first = b"".join(encode(item) for item in port.box.describe()[:2])
    port.send(first)
    port.box.corrupt_answers = 1
    assert len(Box.open(port).channels) == 2


def test_channels_of_an_earlier_boot_do_not_complete_an_identity() -> None:
    port = ScriptedPort(ScriptedBox())
    original = port.box.describe

    def describe(correlation_id: int = 0) -> list[object]:
        answers = original(correlation_id)
        if not port.box.requests[1:]:
            answers[-1] = answers[-1]._replace(boot_id=5)  # type: ignore[call-arg]
        return answers  # type: ignore[return-value]

    port.box.describe = describe  # type: ignore[method-assign,assignment]
    box = Box.open(port)
    assert box.counters.retries_total == 1
    assert {item.boot_id for item in box.channels} == {1111}


def test_a_silent_port_is_no_box() -> None:
    port = ScriptedPort(ScriptedBox(deaf=True))
    with pytest.raises(DeviceNotFoundError, match=r"within 2 s.*Not a single byte") as caught:
        Box.open(port, timeout_seconds=2.0)
    assert "right port" in str(caught.value)
    assert port.closed


def test_a_talking_stranger_is_shown() -> None:
    port = ScriptedPort(ScriptedBox(deaf=True))
    port.send(b"ok T:21.3\r\n\x00")
    with pytest.raises(DeviceNotFoundError, match=r"12 bytes came, none of them a frame: 'ok T"):
        Box.open(port, timeout_seconds=1.0)


def test_a_box_that_sends_but_does_not_listen_is_told_apart() -> None:
    port = ScriptedPort(ScriptedBox(deaf=True))
    port.send(port.box.samples(4))
    with pytest.raises(DeviceNotFoundError, match="4 sound frames"):
        Box.open(port, timeout_seconds=1.0)


@pytest.mark.parametrize(
    ("change", "side", "advice"),
    [
        ({"protocol_major": PROTOCOL_MAJOR + 1}, "speaks a newer", "Update this program"),
        ({"protocol_major": PROTOCOL_MAJOR - 1}, "speaks an older", "Load the firmware"),
        ({"layout_hash": b"\xde\xad\xbe\xef\0\0\0\0"}, "laid out differently", "deadbeef"),
    ],
)
def test_a_version_that_does_not_match_names_the_older_side(
    change: dict[str, object], side: str, advice: str
) -> None:
    port = ScriptedPort(ScriptedBox(identity(**change)))
    with pytest.raises(ProtocolVersionError) as caught:
        Box.open(port)
    assert side in str(caught.value)
    assert advice in str(caught.value)
    assert port.closed


def test_a_newer_minor_version_with_its_own_layout_is_welcome_with_a_remark() -> None:
    newer = identity(protocol_minor=PROTOCOL_MINOR + 1, layout_hash=b"12345678")
    box = Box.open(ScriptedPort(ScriptedBox(newer)))
    (remark,) = box.description.remarks
    assert "newer" in remark


@pytest.mark.parametrize("change", [{"channel_count": 9}, {"ticks_period_us": 1 << 20}])
def test_an_identity_that_cannot_be_meant(change: dict[str, object]) -> None:
    port = ScriptedPort(ScriptedBox(identity()))
    changed = port.box.identity._replace(**change)  # type: ignore[arg-type]
    # The codec of the protocol may refuse to make such a thing; then nothing can send it.
    try:
        encode(changed)
    except ValueError:
        from steelyard.device.description import describe

        with pytest.raises(ProtocolMessageError):
            describe(changed, [])
        return
    port.box.identity = changed
    with pytest.raises(ProtocolMessageError):
        Box.open(port)


def test_another_box_is_refused_by_id() -> None:
    port = ScriptedPort(ScriptedBox())
    with pytest.raises(WrongDeviceError, match=f"{BOX_ID.hex()}, not {'00' * 8}"):
        Box.open(port, box_id=bytes(8))
    assert port.closed


def test_a_port_that_dies_in_the_handshake_is_closed() -> None:
    port = ScriptedPort(ScriptedBox())
    port.fail_with = DeviceDisconnectedError("gone")
    with pytest.raises(DeviceDisconnectedError):
        Box.open(port)
    assert port.closed


def test_requests_of_the_handshake_hold_no_control_codes() -> None:
    """So that a starting box's interpreter is not interrupted (see correlation.py)."""
    for _ in range(200):
        port = ScriptedPort(ScriptedBox())
        Box.open(port)
        assert not set(port.written) & {1, 2, 3, 4, 5}
