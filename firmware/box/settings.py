"""What the owner may change: checked, kept in memory, saved in two copies."""

from struct import calcsize, pack, unpack_from

from box.settings_store import SettingsStore
from box.wire import (
    NO_CHANNEL,
    SETTING_KEY_ANGLE_RATE_MILLIHERTZ,
    SETTING_KEY_BOX_NAME,
    SETTING_KEY_DAMAGED_TOTAL,
    SETTING_KEY_LOAD_GAIN,
    SETTING_KEY_OVERLOAD_COUNTS,
    SETTING_KEY_SENSOR_SERIAL,
    SETTING_KEY_STATUS_PERIOD_MS,
)

_OF_THE_BOX = (SETTING_KEY_BOX_NAME, SETTING_KEY_STATUS_PERIOD_MS, SETTING_KEY_DAMAGED_TOTAL)
_NO_TEXT = bytes(16)
_BOX_FORMAT = "<H16sI"
_CHANNEL_FORMAT = "<16siii"
_STATUS_PERIOD_MS = 500
_STATUS_PERIOD_LOW_MS = 100
_STATUS_PERIOD_HIGH_MS = 1000  # the host unwraps the clock by it and calls silence a fault


class BadSettingError(ValueError):
    """A setting that does not exist or a value out of range; `value` is what was refused."""

    def __init__(self, value):
        super().__init__(value)
        self.value = value


def _check(value, sound):
    if not sound:
        raise BadSettingError(value)


def _check_text(text):
    """Printable ASCII, then zeros to the end."""
    ended = False
    for code in text:
        if code == 0:
            ended = True
        else:
            _check(code, not ended and 0x20 <= code <= 0x7E)


class Settings:
    """Per-channel settings are lists by channel index; 0 or empty where they do not apply."""

    def __init__(self, channels, storage):
        self._channels = channels
        self._store = SettingsStore(storage)
        self.box_name = _NO_TEXT
        self.status_period_ms = _STATUS_PERIOD_MS
        self.sensor_serial = [_NO_TEXT for _ in channels]
        self.angle_rate_millihertz = [
            0 if facts.is_load else facts.nominal_rate_millihertz for facts in channels
        ]
        self.overload_counts = [
            facts.default_overload_counts if facts.is_load else 0 for facts in channels
        ]
        self.load_gain = [facts.gains[0] if facts.is_load else 0 for facts in channels]
        self._numbers = {
            SETTING_KEY_ANGLE_RATE_MILLIHERTZ: self.angle_rate_millihertz,
            SETTING_KEY_OVERLOAD_COUNTS: self.overload_counts,
            SETTING_KEY_LOAD_GAIN: self.load_gain,
        }
        payload = self._store.load()
        if payload is not None:
            self._take_over(payload)

    def read(self, key, channel):
        """The (number, text) in force.  Raises BadSettingError."""
        self._check_place(key, channel)
        if key == SETTING_KEY_BOX_NAME:
            return 0, self.box_name
        if key == SETTING_KEY_SENSOR_SERIAL:
            return 0, self.sensor_serial[channel]
        if key == SETTING_KEY_STATUS_PERIOD_MS:
            return self.status_period_ms, _NO_TEXT
        if key == SETTING_KEY_DAMAGED_TOTAL:
            return self._store.damaged_total, _NO_TEXT
        return self._numbers[key][channel], _NO_TEXT

    def write(self, key, channel, number, text):
        """Change one setting and save.  Raises BadSettingError, or OSError if it cannot be saved.

        A value already in force is not saved again: a repeated request costs
        the flash nothing.  What cannot be saved is not in force either.
        """
        _check(key, key != SETTING_KEY_DAMAGED_TOTAL)
        before = self.read(key, channel)
        self._check_value(key, channel, number, text)
        self._set(key, channel, number, text)
        if self.read(key, channel) == before:
            return
        try:
            self._store.save(self._encode())
        except OSError:
            self._set(key, channel, before[0], before[1])
            raise

    def _check_place(self, key, channel):
        if key in _OF_THE_BOX:
            _check(channel, channel == NO_CHANNEL)
            return
        _check(key, key == SETTING_KEY_SENSOR_SERIAL or key in self._numbers)
        _check(channel, channel < len(self._channels))
        if key != SETTING_KEY_SENSOR_SERIAL:
            wants_load = key != SETTING_KEY_ANGLE_RATE_MILLIHERTZ
            _check(channel, self._channels[channel].is_load == wants_load)

    def _check_value(self, key, channel, number, text):
        if key in (SETTING_KEY_BOX_NAME, SETTING_KEY_SENSOR_SERIAL):
            _check_text(text)
            return
        if key == SETTING_KEY_STATUS_PERIOD_MS:
            _check(number, _STATUS_PERIOD_LOW_MS <= number <= _STATUS_PERIOD_HIGH_MS)
            return
        facts = self._channels[channel]
        if key == SETTING_KEY_LOAD_GAIN:
            _check(number, number in facts.gains)
        elif key == SETTING_KEY_OVERLOAD_COUNTS:
            _check(number, 0 <= number <= facts.counts_high)
        else:
            _check(number, facts.slowest_millihertz <= number <= facts.fastest_millihertz)

    def _set(self, key, channel, number, text):
        if key == SETTING_KEY_BOX_NAME:
            self.box_name = bytes(text)
        elif key == SETTING_KEY_SENSOR_SERIAL:
            self.sensor_serial[channel] = bytes(text)
        elif key == SETTING_KEY_STATUS_PERIOD_MS:
            self.status_period_ms = number
        else:
            self._numbers[key][channel] = number

    def _encode(self):
        parts = [pack(_BOX_FORMAT, len(self._channels), self.box_name, self.status_period_ms)]
        for index in range(len(self._channels)):
            parts.append(
                pack(
                    _CHANNEL_FORMAT,
                    self.sensor_serial[index],
                    self.angle_rate_millihertz[index],
                    self.overload_counts[index],
                    self.load_gain[index],
                )
            )
        return b"".join(parts)

    def _take_over(self, payload):
        """Take each stored value that is still sound; the default stands for the others."""
        if len(payload) < calcsize(_BOX_FORMAT):
            return
        count, box_name, status_period_ms = unpack_from(_BOX_FORMAT, payload, 0)
        if len(payload) != calcsize(_BOX_FORMAT) + count * calcsize(_CHANNEL_FORMAT):
            return
        self._restore(SETTING_KEY_BOX_NAME, NO_CHANNEL, 0, box_name)
        self._restore(SETTING_KEY_STATUS_PERIOD_MS, NO_CHANNEL, status_period_ms, _NO_TEXT)
        for index in range(min(count, len(self._channels))):
            at = calcsize(_BOX_FORMAT) + index * calcsize(_CHANNEL_FORMAT)
            serial, rate, overload, gain = unpack_from(_CHANNEL_FORMAT, payload, at)
            self._restore(SETTING_KEY_SENSOR_SERIAL, index, 0, serial)
            self._restore(SETTING_KEY_ANGLE_RATE_MILLIHERTZ, index, rate, _NO_TEXT)
            self._restore(SETTING_KEY_OVERLOAD_COUNTS, index, overload, _NO_TEXT)
            self._restore(SETTING_KEY_LOAD_GAIN, index, gain, _NO_TEXT)

    def _restore(self, key, channel, number, text):
        try:
            self._check_place(key, channel)
            self._check_value(key, channel, number, text)
        except BadSettingError:
            return  # saved by a board with other channels or limits
        self._set(key, channel, number, text)
