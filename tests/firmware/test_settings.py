"""Settings: ranges, survival of torn writes, defaults."""

from __future__ import annotations

from typing import Any

import pytest
from box.settings import BadSettingError, Settings
from box.settings_store import SettingsStore
from firmware.rig import Files, Rig
from hypothesis import given
from hypothesis import strategies as st
from steelyard_protocol.codec import padded_text
from steelyard_protocol.records import SettingKey

BOX = 255
NO_TEXT = bytes(16)


@pytest.fixture
def channels() -> list[Any]:
    return list(Rig().board.channels)


@pytest.mark.parametrize(
    ("key", "channel", "number"),
    [
        (SettingKey.STATUS_PERIOD_MS, BOX, 100),
        (SettingKey.STATUS_PERIOD_MS, BOX, 1000),
        (SettingKey.ANGLE_RATE_MILLIHERTZ, 2, 50_000),
        (SettingKey.ANGLE_RATE_MILLIHERTZ, 3, 1_000),
        (SettingKey.ANGLE_RATE_MILLIHERTZ, 3, 500_000),
        (SettingKey.OVERLOAD_COUNTS, 0, 0),
        (SettingKey.OVERLOAD_COUNTS, 1, 0x7FFFFF),
        (SettingKey.LOAD_GAIN, 1, 64),
    ],
)
def test_values_within_range_survive_a_restart(
    channels: list[Any], key: int, channel: int, number: int
) -> None:
    files = Files()
    Settings(channels, files).write(key, channel, number, NO_TEXT)
    assert Settings(channels, files).read(key, channel) == (number, NO_TEXT)


@pytest.mark.parametrize(
    ("key", "channel", "number", "refused"),
    [
        (SettingKey.STATUS_PERIOD_MS, BOX, 99, 99),
        (SettingKey.STATUS_PERIOD_MS, BOX, 1001, 1001),  # the host needs one a second
        (SettingKey.STATUS_PERIOD_MS, 0, 500, 0),
        (SettingKey.ANGLE_RATE_MILLIHERTZ, 2, 49_999, 49_999),
        (SettingKey.ANGLE_RATE_MILLIHERTZ, 3, 0, 0),
        (SettingKey.ANGLE_RATE_MILLIHERTZ, 3, 500_001, 500_001),
        (SettingKey.ANGLE_RATE_MILLIHERTZ, 0, 100_000, 0),
        (SettingKey.OVERLOAD_COUNTS, 0, -1, -1),
        (SettingKey.OVERLOAD_COUNTS, 2, 5, 2),
        (SettingKey.LOAD_GAIN, 0, 16, 16),
        (SettingKey.LOAD_GAIN, 4, 128, 4),
        (SettingKey.SENSOR_SERIAL, BOX, 0, BOX),
        (0, BOX, 0, 0),
        (7, 0, 0, 7),
        (200, 0, 0, 200),
    ],
)
def test_what_does_not_exist_or_fit_is_refused_by_value(
    channels: list[Any], key: int, channel: int, number: int, refused: int
) -> None:
    files = Files()
    settings = Settings(channels, files)
    with pytest.raises(BadSettingError) as caught:
        settings.write(key, channel, number, NO_TEXT)
    assert caught.value.value == refused
    assert files.writes_total == 0


@pytest.mark.parametrize("text", [b"a\x00b" + bytes(13), b"\x07" + bytes(15), b"\xc3\xa9" * 8])
def test_text_must_be_printable_and_padded(channels: list[Any], text: bytes) -> None:
    with pytest.raises(BadSettingError):
        Settings(channels, Files()).write(SettingKey.BOX_NAME, BOX, 0, text)


def test_a_value_already_in_force_is_not_written_again(channels: list[Any]) -> None:
    files = Files()
    settings = Settings(channels, files)
    for _ in range(3):
        settings.write(SettingKey.BOX_NAME, BOX, 0, padded_text("Heron 1", 16))
    assert files.writes_total == 1


def test_what_cannot_be_saved_is_not_in_force(channels: list[Any]) -> None:
    files = Files()
    settings = Settings(channels, files)
    settings.write(SettingKey.LOAD_GAIN, 0, 64, NO_TEXT)
    files.failing = True
    with pytest.raises(OSError, match="no space"):
        settings.write(SettingKey.LOAD_GAIN, 0, 128, NO_TEXT)
    assert settings.read(SettingKey.LOAD_GAIN, 0) == (64, NO_TEXT)


def test_storage_that_does_not_keep_what_it_was_given_is_an_error() -> None:
    class Forgetful(Files):
        def write(self, name: str, data: bytes) -> None:
            super().write(name, data[:-1])

    with pytest.raises(OSError, match="does not read back"):
        SettingsStore(Forgetful()).save(b"payload")


@given(payloads=st.lists(st.binary(max_size=40), min_size=2, max_size=6), cut=st.integers(0, 200))
def test_a_write_cut_short_leaves_the_one_before(payloads: list[bytes], cut: int) -> None:
    files = Files()
    store = SettingsStore(files)
    for payload in payloads:
        store.save(payload)
    newest = "settings.a" if len(payloads) % 2 else "settings.b"
    whole = files.files[newest]
    files.files[newest] = whole[: min(cut, len(whole) - 1)]
    reopened = SettingsStore(files)
    assert reopened.load() == payloads[-2]
    reopened.save(b"next")
    assert files.files[newest] != whole  # the torn copy is the one replaced
    assert SettingsStore(files).load() == b"next"


def _stored_bytes(channels: list[Any]) -> int:
    files = Files()
    Settings(channels, files).write(SettingKey.LOAD_GAIN, 0, 64, NO_TEXT)
    return max(map(len, files.files.values()))


class PowerCut(Files):
    """Flash that loses its power after `cut` bytes of the next write.

    `over`: what was there shines through behind the cut, as in a page written
    over; else the file ends there.
    """

    cut: int | None = None
    over = False

    def write(self, name: str, data: bytes) -> None:
        if self.cut is not None:
            old = self.files.get(name, b"")
            data = data[: self.cut] + (old[self.cut :] if self.over else b"")
            super().write(name, data)
            raise OSError(5, "power lost")
        super().write(name, data)


def _torn(files: Files, whole: Files, after: int) -> int:
    """How many copies are neither as before nor, the newest, in force."""
    changed = [name for name, data in files.files.items() if whole.files.get(name) != data]
    in_force = Files()
    in_force.files = {name: files.files[name] for name in changed}
    return len(changed) - (SettingsStore(in_force).load() is not None)


@pytest.mark.parametrize("over", [False, True])
@pytest.mark.parametrize("writes_before", [0, 1, 2, 3])
def test_power_cut_at_every_byte_leaves_the_old_or_the_new(
    channels: list[Any], writes_before: int, over: bool
) -> None:
    def write_gain(files: Files, gain: int) -> None:
        Settings(channels, files).write(SettingKey.LOAD_GAIN, 0, gain, NO_TEXT)

    gains = [64, 128, 64, 128]
    whole = Files()
    for gain in gains[:writes_before]:
        write_gain(whole, gain)
    old = Settings(channels, whole).load_gain[0]
    new = gains[writes_before]
    found = set()
    for cut in range(_stored_bytes(channels) + 1):
        files = PowerCut()
        files.files = dict(whole.files)
        files.cut, files.over = cut, over
        with pytest.raises(OSError, match="power lost"):
            write_gain(files, new)
        files.cut = None
        restarted = Settings(channels, files)
        after = restarted.load_gain[0]
        assert restarted.read(SettingKey.DAMAGED_TOTAL, 255)[0] == _torn(files, whole, after)
        assert after in (old, new)  # never neither, never the default by accident
        found.add(after)
        write_gain(files, 64 if after == 128 else 128)  # and it can be written again
        assert Settings(channels, files).load_gain[0] != after
    assert found == {old, new}


def test_a_box_with_ruined_settings_starts_with_its_defaults() -> None:
    files = Files()
    files.files = {"settings.a": b"\xff" * 500, "settings.b": b""}
    rig = Rig(files=files)
    rig.run_ms(100)
    rig.take()
    rig.start()
    assert rig.load_samples(200)
    assert rig.status().streaming == 1


def test_a_box_whose_files_cannot_be_read_starts_all_the_same() -> None:
    class Unreadable(Files):
        def read(self, name: str) -> bytes | None:
            raise OSError(5, "bad block")

    rig = Rig(files=Unreadable())
    rig.run_ms(100)
    rig.take()
    rig.start()
    assert rig.load_samples(200)


@given(st.binary(max_size=80), st.binary(max_size=80))
def test_any_stored_bytes_give_settings_in_range(first: bytes, second: bytes) -> None:
    files = Files()
    files.files = {"settings.a": first, "settings.b": second}
    assert SettingsStore(files).load() is None


@given(st.binary(max_size=200))
def test_a_sound_copy_of_nonsense_leaves_the_defaults(payload: bytes) -> None:
    rig_channels = _CHANNELS
    files = Files()
    SettingsStore(files).save(payload)
    settings = Settings(rig_channels, files)
    assert 100 <= settings.status_period_ms <= 1000
    assert settings.load_gain[0] in (64, 128)
    assert 50_000 <= settings.angle_rate_millihertz[2] <= 500_000


_CHANNELS: list[Any] = list(Rig().board.channels)


def test_settings_of_a_larger_board_serve_a_smaller_one(channels: list[Any]) -> None:
    files = Files()
    larger = Settings(channels, files)
    larger.write(SettingKey.LOAD_GAIN, 0, 64, NO_TEXT)
    smaller = Settings(channels[:1], files)
    assert smaller.load_gain == [64]
