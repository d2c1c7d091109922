"""Messages as typed records.

GENERATED from messages.py by tools/generate.py: do not edit.
"""

from __future__ import annotations

from enum import IntEnum, IntFlag
from typing import NamedTuple


class ChannelKind(IntEnum):
    """Values of `ChannelKind` fields."""

    LOAD = 1
    ARM_ANGLE = 2
    ROLLER_ANGLE = 3


class SensorKind(IntEnum):
    """Values of `SensorKind` fields."""

    HX711 = 1
    AS5600 = 2
    POTENTIOMETER = 3
    QUADRATURE = 4


class SampleFlags(IntFlag):
    """Values of `SampleFlags` fields."""

    SATURATED_HIGH = 0x0001
    SATURATED_LOW = 0x0002
    NO_CONVERSION = 0x0004
    DESYNC = 0x0008
    SETTLING = 0x0010
    SUSPECT = 0x0020
    LATE_READ = 0x0040
    ANGLE_STALE = 0x0080
    BUS_ERROR = 0x0100
    MAGNET_MISSING = 0x0200
    MAGNET_WEAK = 0x0400
    MAGNET_STRONG = 0x0800
    OPEN_CIRCUIT = 0x1000
    OVERLOAD = 0x2000
    BUTTON_HELD = 0x4000
    LINE_HELD = 0x8000


class ResetCause(IntEnum):
    """Values of `ResetCause` fields."""

    UNKNOWN = 0
    POWER_ON = 1
    WATCHDOG = 2
    SOFT = 3


class EventKind(IntEnum):
    """Values of `EventKind` fields."""

    BUTTON_PRESSED = 1
    BUTTON_RELEASED = 2
    FAULT_RAISED = 3
    FAULT_CLEARED = 4
    OVERLOAD_RAISED = 5
    OVERLOAD_CLEARED = 6
    STREAM_STARTED = 7
    STREAM_STOPPED = 8


class Outcome(IntEnum):
    """Values of `Outcome` fields."""

    DONE = 0
    UNKNOWN_REQUEST = 1
    BAD_ARGUMENT = 2
    REFUSED_WHILE_STREAMING = 3
    STORAGE_FAILED = 4
    NOT_AVAILABLE = 5


class SettingKey(IntEnum):
    """Values of `SettingKey` fields."""

    BOX_NAME = 1
    SENSOR_SERIAL = 2
    ANGLE_RATE_MILLIHERTZ = 3
    STATUS_PERIOD_MS = 4
    OVERLOAD_COUNTS = 5
    LOAD_GAIN = 6
    DAMAGED_TOTAL = 7


class SelfTestFindings(IntFlag):
    """Values of `SelfTestFindings` fields."""

    NO_CONVERSION = 0x0001
    DESYNC = 0x0002
    SATURATED = 0x0004
    STUCK = 0x0008
    WRONG_RATE = 0x0010
    NOISY = 0x0020
    BUS_ERROR = 0x0040
    MAGNET_FAULT = 0x0080
    OPEN_CIRCUIT = 0x0100
    LINE_HELD = 0x0200


class DocumentKind(IntEnum):
    """Values of `DocumentKind` fields."""

    CALIBRATION = 1
    MACHINE = 2
    CLIENT = 3
    NOTE = 4
    SESSION = 5


class AnnotationSource(IntEnum):
    """Values of `AnnotationSource` fields."""

    OPERATOR = 1
    SOFTWARE = 2


class LinkState(IntEnum):
    """Values of `LinkState` fields."""

    OPENED = 1
    LOST = 2
    CLOSED = 3


class Identity(NamedTuple):
    """Who the box is. Answers `identify`; also sent, with the channel descriptions and correlation
    id 0, when the box starts.
    """

    correlation_id: int
    """Copied from the request into its answer."""
    protocol_major: int
    """A different number: stop, do not guess."""
    protocol_minor: int
    """A larger number than yours: new ids may appear."""
    firmware_version: tuple[int, ...]
    """Major, minor, patch."""
    layout_hash: bytes
    """First 8 bytes of the SHA-256 of the layout snapshot."""
    box_id: bytes
    """The microcontroller's unique id, zero padded."""
    boot_id: int
    """Drawn at random when the box starts, so a reboot cannot pass for a clock wrap."""
    ticks_period_us: int
    """The device clock wraps after this; 2**30 throughout protocol 1 [us]."""
    channel_count: int
    """`channel_description` messages to follow."""
    queue_slots: int
    """Samples the box can hold back while the host is busy."""
    board: bytes
    """Board type, ASCII, zero padded."""
    box_name: bytes
    """Name the owner gave it, ASCII, zero padded."""


class ChannelDescription(NamedTuple):
    """One sensor. Follows `identity`, one message for each channel in order."""

    correlation_id: int
    """Copied from the request into its answer."""
    boot_id: int
    """Drawn at random when the box starts, so a reboot cannot pass for a clock wrap."""
    channel: int
    """Index of the channel in the box."""
    kind: int
    """What the channel measures (ChannelKind)."""
    sensor: int
    """The part that measures it (SensorKind)."""
    gain: int
    """Amplifier gain; 1 where there is none."""
    nominal_rate_millihertz: int
    """Rate the part promises [mHz]."""
    counts_low: int
    """Lowest count the part can give [counts]."""
    counts_high: int
    """Highest count the part can give [counts]."""
    counts_per_turn: int
    """Counts in a full turn; 0 for a load channel [counts]."""
    angle_channel: int
    """Angle sampled with this load channel; 255: none."""
    sensor_serial: bytes
    """Serial number of the sensor, ASCII, zero padded."""


class LoadSample(NamedTuple):
    """One conversion of a bridge amplifier, with the arm angle of that moment."""

    channel: int
    """Index of the channel in the box."""
    flags: int
    """What is wrong or notable about this sample (SampleFlags)."""
    boot_id: int
    """Drawn at random when the box starts, so a reboot cannot pass for a clock wrap."""
    sequence: int
    """Counts this channel's samples, modulo 2**30; never restarts within a boot."""
    device_ticks_us: int
    """When the conversion became ready, modulo 2**30 [us]."""
    load_counts: int
    """Raw conversion; -2**31: no reading [counts]."""
    angle_counts: int
    """Latest raw angle; -2**31: no reading [counts]."""
    angle_age_us: int
    """The angle was read this long before `device_ticks_us`; 65535: that or more [us]."""


class AngleSample(NamedTuple):
    """One reading of an angle sensor."""

    channel: int
    """Index of the channel in the box."""
    flags: int
    """What is wrong or notable about this sample (SampleFlags)."""
    boot_id: int
    """Drawn at random when the box starts, so a reboot cannot pass for a clock wrap."""
    sequence: int
    """Counts this channel's samples, modulo 2**30; never restarts within a boot."""
    device_ticks_us: int
    """Device clock, modulo 2**30 (17.9 minutes) [us]."""
    angle_counts: int
    """Raw angle; -2**31: no reading [counts]."""
    sensor_status: int
    """The part's own status register; 0 where there is none."""
    sensor_gain: int
    """The part's automatic gain (AGC); 0 where there is none."""
    invalid_transitions_total: int
    """Quadrature edges that made no sense."""


class Status(NamedTuple):
    """Heartbeat, at least once a second. Every `_total` counts from the start of the box, modulo
    2**32, and never resets within a boot.
    """

    boot_id: int
    """Drawn at random when the box starts, so a reboot cannot pass for a clock wrap."""
    device_ticks_us: int
    """Device clock, modulo 2**30 (17.9 minutes) [us]."""
    uptime_ms: int
    """Time since the box started, modulo 2**30; not the zero of `device_ticks_us` [ms]."""
    streaming: int
    """1 while samples are being sent."""
    reset_cause: int
    """Why the box started (ResetCause)."""
    queue_high_water: int
    """Most samples ever waiting to be sent."""
    conversions_total: tuple[int, ...]
    """Samples taken since the box started, streaming or not, by channel."""
    dropped_total: tuple[int, ...]
    """Numbered samples dropped because the host did not read, by channel."""
    frames_sent_total: int
    """Frames handed to the port."""
    link_stalls_total: int
    """Times the port had no room for a waiting frame."""
    no_conversion_total: int
    """Conversions that did not come in time."""
    desync_total: int
    """Reads after which the data line was not high."""
    saturated_total: int
    """Samples at either end of the converter's range."""
    discarded_total: int
    """Samples flagged `settling`, streaming or not."""
    late_read_total: int
    """Conversions read so late that one may be missing."""
    bus_error_total: int
    """I2C transfers that failed."""
    requests_total: int
    """Requests received whole."""
    garbage_bytes_total: int
    """Bytes received that were no valid frame."""
    temperature_centicelsius: int
    """Of the microcontroller; -32768: none [0.01 C]."""
    heap_free_bytes: int
    """Free memory, as it was after the newest collection of garbage; 0: not known [bytes]."""


class Event(NamedTuple):
    """Something happened once: a button, a fault, an overload."""

    boot_id: int
    """Drawn at random when the box starts, so a reboot cannot pass for a clock wrap."""
    sequence: int
    """Counts events, modulo 2**30."""
    device_ticks_us: int
    """Device clock, modulo 2**30 (17.9 minutes) [us]."""
    kind: int
    """What happened (EventKind)."""
    channel: int
    """Channel concerned; 255: the box itself."""
    flags: int
    """For faults: which; else none (SampleFlags)."""


class Reply(NamedTuple):
    """Answer to a request that has no answer message of its own, and to every refused one."""

    correlation_id: int
    """Copied from the request into its answer."""
    boot_id: int
    """Drawn at random when the box starts, so a reboot cannot pass for a clock wrap."""
    request_id: int
    """Message id of the request."""
    outcome: int
    """How it went (Outcome)."""
    detail: int
    """For `bad_argument`: the value refused."""


class ClockReading(NamedTuple):
    """Answers `read_clock`: the device clock, to align it with the host's."""

    correlation_id: int
    """Copied from the request into its answer."""
    boot_id: int
    """Drawn at random when the box starts, so a reboot cannot pass for a clock wrap."""
    received_ticks_us: int
    """When the request was read [us]."""
    sent_ticks_us: int
    """When this answer was made [us]."""


class Setting(NamedTuple):
    """Answers `read_setting` and `write_setting` with the value now in force."""

    correlation_id: int
    """Copied from the request into its answer."""
    boot_id: int
    """Drawn at random when the box starts, so a reboot cannot pass for a clock wrap."""
    key: int
    """Which setting (SettingKey)."""
    channel: int
    """Channel it belongs to; 255: the box."""
    number: int
    """Value of a numeric setting, else 0."""
    text: bytes
    """Value of a text setting, ASCII, zero padded."""


class SelfTestResult(NamedTuple):
    """One channel's result. `run_self_test` is answered by one of these for each channel."""

    correlation_id: int
    """Copied from the request into its answer."""
    boot_id: int
    """Drawn at random when the box starts, so a reboot cannot pass for a clock wrap."""
    channel: int
    """Index of the channel in the box."""
    findings: int
    """What is wrong; none set: sound (SelfTestFindings)."""
    sample_count: int
    """Readings taken."""
    counts_minimum: int
    """Lowest reading; -2**31: none [counts]."""
    counts_maximum: int
    """Highest reading; -2**31: none [counts]."""
    counts_mean: int
    """Mean reading; -2**31: none [counts]."""
    measured_rate_millihertz: int
    """Readings a second [mHz]."""


class StoredDocument(NamedTuple):
    """Answers `describe_document`: what the box keeps for a channel. Since 1.1."""

    correlation_id: int
    """Copied from the request into its answer."""
    boot_id: int
    """Drawn at random when the box starts, so a reboot cannot pass for a clock wrap."""
    channel: int
    """Channel it belongs to; 255: the box."""
    kind: int
    """What the text is; 0 when there is none (DocumentKind)."""
    length: int
    """Bytes of the whole text; 0: there is none [bytes]."""
    crc32: int
    """CRC-32 of the whole text; 0 when there is none."""
    length_limit: int
    """Longest text that the box takes [bytes]."""


class DocumentPart(NamedTuple):
    """Answers `read_document`: one piece of a stored text. Since 1.1."""

    correlation_id: int
    """Copied from the request into its answer."""
    boot_id: int
    """Drawn at random when the box starts, so a reboot cannot pass for a clock wrap."""
    channel: int
    """Channel it belongs to; 255: the box."""
    part: int
    """Index of the piece: it starts at byte 192 x part of the text."""
    length: int
    """Bytes used in `text` [bytes]."""
    text: bytes
    """Bytes of the text, zero padded."""


class FlagTotals(NamedTuple):
    """Answers `read_flag_totals`: how many samples of a channel carried each flag since the box
    started, streaming or not. Since 1.1.
    """

    correlation_id: int
    """Copied from the request into its answer."""
    boot_id: int
    """Drawn at random when the box starts, so a reboot cannot pass for a clock wrap."""
    channel: int
    """Index of the channel in the box."""
    samples_total: tuple[int, ...]
    """Samples with the flag of value 2**index, modulo 2**30; `angle_stale` and `button_held`, which
    are given only while streaming, stay 0."""


class Identify(NamedTuple):
    """Say who you are."""

    correlation_id: int
    """Copied from the request into its answer."""


class StartStream(NamedTuple):
    """Send samples. Already sending: `done` all the same."""

    correlation_id: int
    """Copied from the request into its answer."""


class StopStream(NamedTuple):
    """Stop sending samples. Already stopped: `done` all the same."""

    correlation_id: int
    """Copied from the request into its answer."""


class ReadClock(NamedTuple):
    """Ping for clock alignment."""

    correlation_id: int
    """Copied from the request into its answer."""


class ReadSetting(NamedTuple):
    """Read one setting."""

    correlation_id: int
    """Copied from the request into its answer."""
    key: int
    """Which setting (SettingKey)."""
    channel: int
    """Channel it belongs to; 255: the box."""


class WriteSetting(NamedTuple):
    """Change one setting. Refused while streaming, because a flash write stops interrupts."""

    correlation_id: int
    """Copied from the request into its answer."""
    key: int
    """Which setting (SettingKey)."""
    channel: int
    """Channel it belongs to; 255: the box."""
    number: int
    """New value of a numeric setting, else 0."""
    text: bytes
    """New value of a text setting, ASCII, zero padded."""


class RunSelfTest(NamedTuple):
    """Exercise every sensor for about a second. Refused while streaming."""

    correlation_id: int
    """Copied from the request into its answer."""


class DescribeDocument(NamedTuple):
    """Say what is stored for a channel. Since 1.1."""

    correlation_id: int
    """Copied from the request into its answer."""
    channel: int
    """Channel it belongs to; 255: the box."""


class ReadDocument(NamedTuple):
    """Read one piece of the text stored for a channel. Refused while streaming. Since 1.1."""

    correlation_id: int
    """Copied from the request into its answer."""
    channel: int
    """Channel it belongs to; 255: the box."""
    part: int
    """Index of the piece."""


class WriteDocument(NamedTuple):
    """Write one piece of a text, in order from piece 0; the last one puts the whole in force.
    Refused while streaming. Since 1.1.
    """

    correlation_id: int
    """Copied from the request into its answer."""
    channel: int
    """Channel it belongs to; 255: the box."""
    kind: int
    """What the text is (DocumentKind)."""
    length: int
    """Bytes of the whole text [bytes]."""
    crc32: int
    """CRC-32 of the whole text."""
    part: int
    """Index of this piece: it starts at byte 192 x part of the text."""
    text: bytes
    """Bytes of the text: 192, in the last piece what is left of `length`, zero padded."""


class EraseDocument(NamedTuple):
    """Forget the text stored for a channel. None there: `done` all the same. Refused while
    streaming. Since 1.1.
    """

    correlation_id: int
    """Copied from the request into its answer."""
    channel: int
    """Channel it belongs to; 255: the box."""


class ReadFlagTotals(NamedTuple):
    """Count a channel's flagged samples. Since 1.1."""

    correlation_id: int
    """Copied from the request into its answer."""
    channel: int
    """Index of the channel in the box."""


class RecordingHeader(NamedTuple):
    """First frame of a recording."""

    format_major: int
    """A different number: stop, do not guess."""
    format_minor: int
    """A larger number than yours: new ids may appear."""
    protocol_major: int
    """Protocol the recorder spoke."""
    protocol_minor: int
    """Protocol the recorder spoke."""
    layout_hash: bytes
    """Layout the recorder knew."""
    recording_id: bytes
    """Random UUID (RFC 9562, version 4)."""
    host_unix_ns: int
    """The same moment by the host's wall clock, since 1970-01-01 UTC; it may step [ns]."""
    host_monotonic_ns: int
    """The moment by a host clock that never steps; its zero means nothing [ns]."""
    software: bytes
    """Name and version of the recorder, ASCII, zero padded."""
    machine: bytes
    """Machine, ASCII, zero padded."""
    client_code: bytes
    """Client by code, never by name; ASCII, zero padded."""


class RecordingDocument(NamedTuple):
    """A part of a longer text (a calibration, a machine profile), UTF-8 JSON, in order."""

    kind: int
    """What the text is (DocumentKind)."""
    document: int
    """Index of the document in the recording."""
    part: int
    """Index of this part."""
    part_count: int
    """Parts in this document."""
    length: int
    """Bytes used in `text` [bytes]."""
    text: bytes
    """Bytes of the text, zero padded."""


class TimeMark(NamedTuple):
    """One alignment of the device clock with the host's, from a `read_clock` exchange."""

    boot_id: int
    """Drawn at random when the box starts, so a reboot cannot pass for a clock wrap."""
    device_ticks_us: int
    """Device clock in the middle of the exchange [us]."""
    host_monotonic_ns: int
    """Host clock in the middle of the exchange [ns]."""
    host_unix_ns: int
    """The same moment by the host's wall clock, since 1970-01-01 UTC; it may step [ns]."""
    round_trip_us: int
    """Exchange time less the box's own share [us]."""


class Annotation(NamedTuple):
    """A remark at a moment."""

    host_monotonic_ns: int
    """The moment by a host clock that never steps; its zero means nothing [ns]."""
    host_unix_ns: int
    """The same moment by the host's wall clock, since 1970-01-01 UTC; it may step [ns]."""
    source: int
    """Who made it (AnnotationSource)."""
    length: int
    """Bytes used in `text` [bytes]."""
    text: bytes
    """UTF-8, zero padded."""


class LinkChange(NamedTuple):
    """The link to the box was opened, lost or closed."""

    host_monotonic_ns: int
    """The moment by a host clock that never steps; its zero means nothing [ns]."""
    host_unix_ns: int
    """The same moment by the host's wall clock, since 1970-01-01 UTC; it may step [ns]."""
    state: int
    """What happened to the link (LinkState)."""
    openings_total: int
    """Times it has been opened in this recording."""


Record = (
    Identity
    | ChannelDescription
    | LoadSample
    | AngleSample
    | Status
    | Event
    | Reply
    | ClockReading
    | Setting
    | SelfTestResult
    | StoredDocument
    | DocumentPart
    | FlagTotals
    | Identify
    | StartStream
    | StopStream
    | ReadClock
    | ReadSetting
    | WriteSetting
    | RunSelfTest
    | DescribeDocument
    | ReadDocument
    | WriteDocument
    | EraseDocument
    | ReadFlagTotals
    | RecordingHeader
    | RecordingDocument
    | TimeMark
    | Annotation
    | LinkChange
)
