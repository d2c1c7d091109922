"""THE definition of everything that travels between a Steelyard box and a host.

Every other description of the wire (host records, the device codec, numpy
dtypes, MESSAGES.md, vectors, layout snapshot) is derived from this file by
``tools/generate.py``.  Only the small subset of construct that ``layout.py``
accepts may be used here: fixed little-endian integers, fixed arrays, enums,
flags and fixed bytes.

A message body starts after its one-byte id.  Bodies never change once
released: a new need is a new message (see OVERVIEW.md, "Versions").
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum as PythonEnum
from typing import Any, Final

from construct import (
    Array,
    Bytes,
    Construct,
    Enum,
    FlagsEnum,
    Int8ul,
    Int16sl,
    Int16ul,
    Int32sl,
    Int32ul,
    Int64ul,
    Struct,
)

PROTOCOL_MAJOR: Final = 1
PROTOCOL_MINOR: Final = 2

SLOT_BYTES: Final = 32
"""Every frame on the wire fills whole slots of this many bytes.

Why: a microcontroller's USB port says only "some room left", never how much.
When everything ever written is a multiple of 32 bytes, and the port's buffer
is too, "some room" means "room for a whole slot", so a write can never block.
"""

TICKS_PERIOD_US: Final = 1 << 30
SEQUENCE_PERIOD: Final = 1 << 30
"""Ticks, sequence numbers and boot ids stay below 2**30.

Why: MicroPython keeps integers of up to 30 bits without allocating, and the
sampling path must not allocate.
"""

NO_COUNTS: Final = -(1 << 31)
"""The value of a counts field when there is no reading: never a plausible one."""

NO_CHANNEL: Final = 255
ANGLE_AGE_LIMIT_US: Final = 65535
CHANNEL_LIMIT: Final = 8
DOCUMENT_PIECE_BYTES: Final = 192
FLAG_COUNT: Final = 16


class Origin(PythonEnum):
    """Who writes a message."""

    DEVICE = "device"
    REQUEST = "host to device"
    RECORDING = "host, in recordings only"


class Meaning(str):
    """Documentation of one field: what it means, its unit and its legal range."""

    unit: str
    low: int | None
    high: int | None

    def __new__(
        cls, text: str, unit: str = "", low: int | None = None, high: int | None = None
    ) -> Meaning:
        """Text with its unit and, where the type allows more, its range."""
        meaning = super().__new__(cls, text)
        meaning.unit, meaning.low, meaning.high = unit, low, high
        return meaning


@dataclass(frozen=True)
class MessageDefinition:
    """One message: its id on the wire, who sends it, what it is for, its body."""

    message_id: int
    name: str
    origin: Origin
    meaning: str
    body: Struct


def field(
    name: str,
    subcon: Construct[Any, Any],
    meaning: str,
    unit: str = "",
    low: int | None = None,
    high: int | None = None,
) -> Construct[Any, Any]:
    """Name a field and attach its documentation."""
    documented: Construct[Any, Any] = name / (subcon * Meaning(meaning, unit, low, high))
    return documented


# --- enumerations -----------------------------------------------------------

ChannelKind = Enum(Int8ul, load=1, arm_angle=2, roller_angle=3)
SensorKind = Enum(Int8ul, hx711=1, as5600=2, potentiometer=3, quadrature=4)
EventKind = Enum(
    Int8ul,
    button_pressed=1,
    button_released=2,
    fault_raised=3,
    fault_cleared=4,
    overload_raised=5,
    overload_cleared=6,
    stream_started=7,
    stream_stopped=8,
)
Outcome = Enum(
    Int8ul,
    done=0,
    unknown_request=1,
    bad_argument=2,
    refused_while_streaming=3,
    storage_failed=4,
    not_available=5,
)
SettingKey = Enum(
    Int8ul,
    box_name=1,
    sensor_serial=2,
    angle_rate_millihertz=3,
    status_period_ms=4,
    overload_counts=5,
    load_gain=6,
    damaged_total=7,
)
ResetCause = Enum(Int8ul, unknown=0, power_on=1, watchdog=2, soft=3)
DocumentKind = Enum(Int8ul, calibration=1, machine=2, client=3, note=4, session=5)
LinkState = Enum(Int8ul, opened=1, lost=2, closed=3)
AnnotationSource = Enum(Int8ul, operator=1, software=2)

SampleFlags = FlagsEnum(
    Int16ul,
    saturated_high=0x0001,
    saturated_low=0x0002,
    no_conversion=0x0004,
    desync=0x0008,
    settling=0x0010,
    suspect=0x0020,
    late_read=0x0040,
    angle_stale=0x0080,
    bus_error=0x0100,
    magnet_missing=0x0200,
    magnet_weak=0x0400,
    magnet_strong=0x0800,
    open_circuit=0x1000,
    overload=0x2000,
    button_held=0x4000,
    line_held=0x8000,
)
SelfTestFindings = FlagsEnum(
    Int16ul,
    no_conversion=0x0001,
    desync=0x0002,
    saturated=0x0004,
    stuck=0x0008,
    wrong_rate=0x0010,
    noisy=0x0020,
    bus_error=0x0040,
    magnet_fault=0x0080,
    open_circuit=0x0100,
    line_held=0x0200,
)

VALUE_MEANINGS: Final[dict[str, dict[str, str]]] = {
    "ChannelKind": {
        "load": "force on a bridge",
        "arm_angle": "angle of the movement arm",
        "roller_angle": "angle of the restraint rollers, which must stay still",
    },
    "SensorKind": {
        "hx711": "bridge amplifier with a 24-bit converter",
        "as5600": "magnetic angle sensor, 12 bits",
        "potentiometer": "read by the microcontroller's own converter",
        "quadrature": "incremental encoder",
    },
    "EventKind": {
        "button_pressed": "the operator's button went down",
        "button_released": "the operator's button went up",
        "fault_raised": "a channel began to flag what is in `flags`",
        "fault_cleared": "the channel is sound again",
        "overload_raised": "a load went beyond the limit that was set",
        "overload_cleared": "the load is back inside the limit",
        "stream_started": "samples are being sent from now on",
        "stream_stopped": "samples are not sent any more",
    },
    "Outcome": {
        "done": "it was done",
        "unknown_request": "the box does not know the request; do without it",
        "bad_argument": "a key, channel or value names nothing or is out of range",
        "refused_while_streaming": "stop the stream first",
        "storage_failed": "the flash memory refused; the old value stays",
        "not_available": "this box cannot do it",
    },
    "SettingKey": {
        "box_name": "text, of the box (channel 255): its owner's name for it",
        "sensor_serial": "text, of a channel: serial number of its sensor",
        "angle_rate_millihertz": "number in mHz, of an angle channel: readings a second",
        "status_period_ms": "number in ms, of the box (channel 255): 100 to 1000",
        "overload_counts": "number in counts, of a load channel: limit on either side of zero; "
        "0: none",
        "load_gain": "number, of a load channel: amplifier gain; for an HX711 128 or 64 (input A), "
        "since firmware 0.2 also 32 (input B)",
        "damaged_total": "number, of the box (channel 255), read only: how many of the two stored "
        "copies of the settings were found damaged at the start, as a power cut during a write "
        "leaves one; since 1.2",
    },
    "ResetCause": {
        "unknown": "the microcontroller does not say",
        "power_on": "power came",
        "watchdog": "the firmware hung and was restarted",
        "soft": "a restart by software",
    },
    "DocumentKind": {
        "calibration": "a calibration record of the host, JSON",
        "machine": "a machine profile, JSON",
        "client": "client set-up, by code, JSON",
        "note": "plain text",
        "session": "facts of the session (crank, weight stack, prescription ...), JSON; since 1.1",
    },
    "LinkState": {
        "opened": "the port was opened and the box has answered",
        "lost": "the port went away, or the box stopped answering",
        "closed": "the recorder closed the port: the recording ends",
    },
    "AnnotationSource": {"operator": "a person", "software": "the recorder itself"},
    "SampleFlags": {
        "saturated_high": "the converter stood at its upper end: the true value is beyond",
        "saturated_low": "the converter stood at its lower end: the true value is beyond",
        "no_conversion": "nothing came in time; the value is -2**31",
        "desync": "the data line was not high after the last clock pulse, so bits may be shifted; "
        "the value is -2**31",
        "settling": "one of the conversions after a start, a fault or a change of gain, before "
        "the filter has settled",
        "suspect": "a load word that ends in twelve ones and lies far from the one before: a torn "
        "read gives that (and about one sound word in 4000 of a moving load); or one that fell to "
        "less than a quarter of the one before, faster than the filter lets a load fall: a pulse "
        "too many on the clock line; of an encoder: edges that made no sense",
        "late_read": "read later than one conversion time after it was ready: the one before may "
        "be lost",
        "angle_stale": "the angle is older than 50 ms and left out (-2**31)",
        "bus_error": "the angle sensor did not answer; its value is -2**31",
        "magnet_missing": "the angle sensor sees no magnet; its value is -2**31",
        "magnet_weak": "the magnet is too far away: the angle is noisy",
        "magnet_strong": "the magnet is too close: the angle may be bent",
        "open_circuit": "a broken wire: a potentiometer at an end of its supply",
        "overload": "beyond the limit that was set for this channel",
        "button_held": "the operator's button is down",
        "line_held": "with `desync` or `no_conversion`: the clock line does not follow the box, it "
        "is shorted; with `bus_error`: a line of the bus is held low. Since 1.1",
    },
    "SelfTestFindings": {
        "no_conversion": "conversions did not come",
        "desync": "reads ended out of step",
        "saturated": "readings at an end of the range",
        "stuck": "readings that never change",
        "wrong_rate": "readings a second far from nominal",
        "noisy": "readings spread more than a machine at rest allows",
        "bus_error": "the angle sensor did not answer",
        "magnet_fault": "magnet missing, too weak or too strong",
        "open_circuit": "potentiometer at an end of its supply",
        "line_held": "a clock or bus line does not follow: shorted, or held by a part. Since 1.1",
    },
}
"""What each value means, for the reference page; a test keeps the list complete."""

# --- fields that several messages share -------------------------------------

_CHANNEL = field("channel", Int8ul, "index of the channel in the box", high=CHANNEL_LIMIT - 1)
_BOOT_ID = field(
    "boot_id",
    Int32ul,
    "drawn at random when the box starts, so a reboot cannot pass for a clock wrap",
    high=SEQUENCE_PERIOD - 1,
)
_TICKS = field(
    "device_ticks_us",
    Int32ul,
    "device clock, modulo 2**30 (17.9 minutes)",
    "us",
    high=TICKS_PERIOD_US - 1,
)
_CORRELATION = field("correlation_id", Int16ul, "copied from the request into its answer")
_SAMPLE_FLAGS = field("flags", SampleFlags, "what is wrong or notable about this sample")
_SEQUENCE = field(
    "sequence",
    Int32ul,
    "counts this channel's samples, modulo 2**30; never restarts within a boot",
    high=SEQUENCE_PERIOD - 1,
)
_UNIX_NS = field(
    "host_unix_ns",
    Int64ul,
    "the same moment by the host's wall clock, since 1970-01-01 UTC; it may step",
    "ns",
)
_MONOTONIC_NS = field(
    "host_monotonic_ns",
    Int64ul,
    "the moment by a host clock that never steps; its zero means nothing",
    "ns",
)

# --- messages the box sends ---------------------------------------------------

IDENTITY = MessageDefinition(
    0x01,
    "identity",
    Origin.DEVICE,
    "Who the box is. Answers `identify`; also sent, with the channel descriptions and "
    "correlation id 0, when the box starts.",
    Struct(
        _CORRELATION,
        field("protocol_major", Int8ul, "a different number: stop, do not guess"),
        field("protocol_minor", Int8ul, "a larger number than yours: new ids may appear"),
        field("firmware_version", Array(3, Int8ul), "major, minor, patch"),
        field("layout_hash", Bytes(8), "first 8 bytes of the SHA-256 of the layout snapshot"),
        field("box_id", Bytes(8), "the microcontroller's unique id, zero padded"),
        _BOOT_ID,
        field(
            "ticks_period_us",
            Int32ul,
            "the device clock wraps after this; 2**30 throughout protocol 1",
            "us",
            low=TICKS_PERIOD_US,
            high=TICKS_PERIOD_US,
        ),
        field("channel_count", Int8ul, "`channel_description` messages to follow", high=8),
        field("queue_slots", Int16ul, "samples the box can hold back while the host is busy"),
        field("board", Bytes(16), "board type, ASCII, zero padded"),
        field("box_name", Bytes(16), "name the owner gave it, ASCII, zero padded"),
    ),
)

CHANNEL_DESCRIPTION = MessageDefinition(
    0x02,
    "channel_description",
    Origin.DEVICE,
    "One sensor. Follows `identity`, one message for each channel in order.",
    Struct(
        _CORRELATION,
        _BOOT_ID,
        _CHANNEL,
        field("kind", ChannelKind, "what the channel measures"),
        field("sensor", SensorKind, "the part that measures it"),
        field("gain", Int16ul, "amplifier gain; 1 where there is none"),
        field("nominal_rate_millihertz", Int32ul, "rate the part promises", "mHz"),
        field("counts_low", Int32sl, "lowest count the part can give", "counts"),
        field("counts_high", Int32sl, "highest count the part can give", "counts"),
        field("counts_per_turn", Int32ul, "counts in a full turn; 0 for a load channel", "counts"),
        field("angle_channel", Int8ul, "angle sampled with this load channel; 255: none"),
        field("sensor_serial", Bytes(16), "serial number of the sensor, ASCII, zero padded"),
    ),
)

LOAD_SAMPLE = MessageDefinition(
    0x03,
    "load_sample",
    Origin.DEVICE,
    "One conversion of a bridge amplifier, with the arm angle of that moment.",
    Struct(
        _CHANNEL,
        _SAMPLE_FLAGS,
        _BOOT_ID,
        _SEQUENCE,
        field(
            "device_ticks_us",
            Int32ul,
            "when the conversion became ready, modulo 2**30",
            "us",
            high=TICKS_PERIOD_US - 1,
        ),
        field("load_counts", Int32sl, "raw conversion; -2**31: no reading", "counts"),
        field("angle_counts", Int32sl, "latest raw angle; -2**31: no reading", "counts"),
        field(
            "angle_age_us",
            Int16ul,
            "the angle was read this long before `device_ticks_us`; 65535: that or more",
            "us",
        ),
    ),
)

ANGLE_SAMPLE = MessageDefinition(
    0x04,
    "angle_sample",
    Origin.DEVICE,
    "One reading of an angle sensor.",
    Struct(
        _CHANNEL,
        _SAMPLE_FLAGS,
        _BOOT_ID,
        _SEQUENCE,
        _TICKS,
        field("angle_counts", Int32sl, "raw angle; -2**31: no reading", "counts"),
        field("sensor_status", Int8ul, "the part's own status register; 0 where there is none"),
        field("sensor_gain", Int8ul, "the part's automatic gain (AGC); 0 where there is none"),
        field("invalid_transitions_total", Int32ul, "quadrature edges that made no sense"),
    ),
)

STATUS = MessageDefinition(
    0x05,
    "status",
    Origin.DEVICE,
    "Heartbeat, at least once a second. Every `_total` counts from the start of the box, "
    "modulo 2**32, and never resets within a boot.",
    Struct(
        _BOOT_ID,
        _TICKS,
        field(
            "uptime_ms",
            Int32ul,
            "time since the box started, modulo 2**30; not the zero of `device_ticks_us`",
            "ms",
            high=(1 << 30) - 1,
        ),
        field("streaming", Int8ul, "1 while samples are being sent", high=1),
        field("reset_cause", ResetCause, "why the box started"),
        field("queue_high_water", Int16ul, "most samples ever waiting to be sent"),
        field(
            "conversions_total",
            Array(CHANNEL_LIMIT, Int32ul),
            "samples taken since the box started, streaming or not, by channel",
        ),
        field(
            "dropped_total",
            Array(CHANNEL_LIMIT, Int32ul),
            "numbered samples dropped because the host did not read, by channel",
        ),
        field("frames_sent_total", Int32ul, "frames handed to the port"),
        field("link_stalls_total", Int32ul, "times the port had no room for a waiting frame"),
        field("no_conversion_total", Int32ul, "conversions that did not come in time"),
        field("desync_total", Int32ul, "reads after which the data line was not high"),
        field("saturated_total", Int32ul, "samples at either end of the converter's range"),
        field("discarded_total", Int32ul, "samples flagged `settling`, streaming or not"),
        field("late_read_total", Int32ul, "conversions read so late that one may be missing"),
        field("bus_error_total", Int32ul, "I2C transfers that failed"),
        field("requests_total", Int32ul, "requests received whole"),
        field("garbage_bytes_total", Int32ul, "bytes received that were no valid frame"),
        field(
            "temperature_centicelsius", Int16sl, "of the microcontroller; -32768: none", "0.01 C"
        ),
        field(
            "heap_free_bytes",
            Int32ul,
            "free memory, as it was after the newest collection of garbage; 0: not known",
            "bytes",
        ),
    ),
)

EVENT = MessageDefinition(
    0x06,
    "event",
    Origin.DEVICE,
    "Something happened once: a button, a fault, an overload.",
    Struct(
        _BOOT_ID,
        field("sequence", Int32ul, "counts events, modulo 2**30", high=SEQUENCE_PERIOD - 1),
        _TICKS,
        field("kind", EventKind, "what happened"),
        field("channel", Int8ul, "channel concerned; 255: the box itself"),
        field("flags", SampleFlags, "for faults: which; else none"),
    ),
)

REPLY = MessageDefinition(
    0x07,
    "reply",
    Origin.DEVICE,
    "Answer to a request that has no answer message of its own, and to every refused one.",
    Struct(
        _CORRELATION,
        _BOOT_ID,
        field("request_id", Int8ul, "message id of the request"),
        field("outcome", Outcome, "how it went"),
        field("detail", Int32sl, "for `bad_argument`: the value refused"),
    ),
)

CLOCK_READING = MessageDefinition(
    0x08,
    "clock_reading",
    Origin.DEVICE,
    "Answers `read_clock`: the device clock, to align it with the host's.",
    Struct(
        _CORRELATION,
        _BOOT_ID,
        field("received_ticks_us", Int32ul, "when the request was read", "us", high=(1 << 30) - 1),
        field("sent_ticks_us", Int32ul, "when this answer was made", "us", high=(1 << 30) - 1),
    ),
)

SETTING = MessageDefinition(
    0x09,
    "setting",
    Origin.DEVICE,
    "Answers `read_setting` and `write_setting` with the value now in force.",
    Struct(
        _CORRELATION,
        _BOOT_ID,
        field("key", SettingKey, "which setting"),
        field("channel", Int8ul, "channel it belongs to; 255: the box"),
        field("number", Int32sl, "value of a numeric setting, else 0"),
        field("text", Bytes(16), "value of a text setting, ASCII, zero padded"),
    ),
)

SELF_TEST_RESULT = MessageDefinition(
    0x0A,
    "self_test_result",
    Origin.DEVICE,
    "One channel's result. `run_self_test` is answered by one of these for each channel.",
    Struct(
        _CORRELATION,
        _BOOT_ID,
        _CHANNEL,
        field("findings", SelfTestFindings, "what is wrong; none set: sound"),
        field("sample_count", Int16ul, "readings taken"),
        field("counts_minimum", Int32sl, "lowest reading; -2**31: none", "counts"),
        field("counts_maximum", Int32sl, "highest reading; -2**31: none", "counts"),
        field("counts_mean", Int32sl, "mean reading; -2**31: none", "counts"),
        field("measured_rate_millihertz", Int32ul, "readings a second", "mHz"),
    ),
)

STORED_DOCUMENT = MessageDefinition(
    0x0B,
    "stored_document",
    Origin.DEVICE,
    "Answers `describe_document`: what the box keeps for a channel. Since 1.1.",
    Struct(
        _CORRELATION,
        _BOOT_ID,
        field("channel", Int8ul, "channel it belongs to; 255: the box"),
        field("kind", DocumentKind, "what the text is; 0 when there is none"),
        field("length", Int32ul, "bytes of the whole text; 0: there is none", "bytes"),
        field("crc32", Int32ul, "CRC-32 of the whole text; 0 when there is none"),
        field("length_limit", Int32ul, "longest text that the box takes", "bytes"),
    ),
)

DOCUMENT_PART = MessageDefinition(
    0x0C,
    "document_part",
    Origin.DEVICE,
    "Answers `read_document`: one piece of a stored text. Since 1.1.",
    Struct(
        _CORRELATION,
        _BOOT_ID,
        field("channel", Int8ul, "channel it belongs to; 255: the box"),
        field("part", Int16ul, "index of the piece: it starts at byte 192 x part of the text"),
        field("length", Int8ul, "bytes used in `text`", "bytes", high=DOCUMENT_PIECE_BYTES),
        field("text", Bytes(DOCUMENT_PIECE_BYTES), "bytes of the text, zero padded"),
    ),
)

FLAG_TOTALS = MessageDefinition(
    0x0D,
    "flag_totals",
    Origin.DEVICE,
    "Answers `read_flag_totals`: how many samples of a channel carried each flag since the box "
    "started, streaming or not. Since 1.1.",
    Struct(
        _CORRELATION,
        _BOOT_ID,
        _CHANNEL,
        field(
            "samples_total",
            Array(FLAG_COUNT, Int32ul),
            "samples with the flag of value 2**index, modulo 2**30; `angle_stale` and "
            "`button_held`, which are given only while streaming, stay 0",
        ),
    ),
)

# --- requests -------------------------------------------------------------------

IDENTIFY = MessageDefinition(
    0x40, "identify", Origin.REQUEST, "Say who you are.", Struct(_CORRELATION)
)
START_STREAM = MessageDefinition(
    0x41,
    "start_stream",
    Origin.REQUEST,
    "Send samples. Already sending: `done` all the same.",
    Struct(_CORRELATION),
)
STOP_STREAM = MessageDefinition(
    0x42,
    "stop_stream",
    Origin.REQUEST,
    "Stop sending samples. Already stopped: `done` all the same.",
    Struct(_CORRELATION),
)
READ_CLOCK = MessageDefinition(
    0x43, "read_clock", Origin.REQUEST, "Ping for clock alignment.", Struct(_CORRELATION)
)
READ_SETTING = MessageDefinition(
    0x44,
    "read_setting",
    Origin.REQUEST,
    "Read one setting.",
    Struct(
        _CORRELATION,
        field("key", SettingKey, "which setting"),
        field("channel", Int8ul, "channel it belongs to; 255: the box"),
    ),
)
WRITE_SETTING = MessageDefinition(
    0x45,
    "write_setting",
    Origin.REQUEST,
    "Change one setting. Refused while streaming, because a flash write stops interrupts.",
    Struct(
        _CORRELATION,
        field("key", SettingKey, "which setting"),
        field("channel", Int8ul, "channel it belongs to; 255: the box"),
        field("number", Int32sl, "new value of a numeric setting, else 0"),
        field("text", Bytes(16), "new value of a text setting, ASCII, zero padded"),
    ),
)
RUN_SELF_TEST = MessageDefinition(
    0x46,
    "run_self_test",
    Origin.REQUEST,
    "Exercise every sensor for about a second. Refused while streaming.",
    Struct(_CORRELATION),
)

_DOCUMENT_CHANNEL = field("channel", Int8ul, "channel it belongs to; 255: the box")
DESCRIBE_DOCUMENT = MessageDefinition(
    0x47,
    "describe_document",
    Origin.REQUEST,
    "Say what is stored for a channel. Since 1.1.",
    Struct(_CORRELATION, _DOCUMENT_CHANNEL),
)
READ_DOCUMENT = MessageDefinition(
    0x48,
    "read_document",
    Origin.REQUEST,
    "Read one piece of the text stored for a channel. Refused while streaming. Since 1.1.",
    Struct(
        _CORRELATION,
        _DOCUMENT_CHANNEL,
        field("part", Int16ul, "index of the piece"),
    ),
)
WRITE_DOCUMENT = MessageDefinition(
    0x49,
    "write_document",
    Origin.REQUEST,
    "Write one piece of a text, in order from piece 0; the last one puts the whole in force. "
    "Refused while streaming. Since 1.1.",
    Struct(
        _CORRELATION,
        _DOCUMENT_CHANNEL,
        field("kind", DocumentKind, "what the text is"),
        field("length", Int32ul, "bytes of the whole text", "bytes", low=1),
        field("crc32", Int32ul, "CRC-32 of the whole text"),
        field("part", Int16ul, "index of this piece: it starts at byte 192 x part of the text"),
        field(
            "text",
            Bytes(DOCUMENT_PIECE_BYTES),
            "bytes of the text: 192, in the last piece what is left of `length`, zero padded",
        ),
    ),
)
ERASE_DOCUMENT = MessageDefinition(
    0x4A,
    "erase_document",
    Origin.REQUEST,
    "Forget the text stored for a channel. None there: `done` all the same. Refused while "
    "streaming. Since 1.1.",
    Struct(_CORRELATION, _DOCUMENT_CHANNEL),
)
READ_FLAG_TOTALS = MessageDefinition(
    0x4B,
    "read_flag_totals",
    Origin.REQUEST,
    "Count a channel's flagged samples. Since 1.1.",
    Struct(_CORRELATION, _CHANNEL),
)

# --- frames that only a recording holds --------------------------------------------

RECORDING_HEADER = MessageDefinition(
    0x80,
    "recording_header",
    Origin.RECORDING,
    "First frame of a recording.",
    Struct(
        field("format_major", Int8ul, "a different number: stop, do not guess"),
        field("format_minor", Int8ul, "a larger number than yours: new ids may appear"),
        field("protocol_major", Int8ul, "protocol the recorder spoke"),
        field("protocol_minor", Int8ul, "protocol the recorder spoke"),
        field("layout_hash", Bytes(8), "layout the recorder knew"),
        field("recording_id", Bytes(16), "random UUID (RFC 9562, version 4)"),
        _UNIX_NS,
        _MONOTONIC_NS,
        field("software", Bytes(16), "name and version of the recorder, ASCII, zero padded"),
        field("machine", Bytes(16), "machine, ASCII, zero padded"),
        field("client_code", Bytes(16), "client by code, never by name; ASCII, zero padded"),
    ),
)
RECORDING_DOCUMENT = MessageDefinition(
    0x81,
    "recording_document",
    Origin.RECORDING,
    "A part of a longer text (a calibration, a machine profile), UTF-8 JSON, in order.",
    Struct(
        field("kind", DocumentKind, "what the text is"),
        field("document", Int8ul, "index of the document in the recording"),
        field("part", Int16ul, "index of this part"),
        field("part_count", Int16ul, "parts in this document", low=1),
        field("length", Int8ul, "bytes used in `text`", "bytes", high=192),
        field("text", Bytes(192), "bytes of the text, zero padded"),
    ),
)
TIME_MARK = MessageDefinition(
    0x82,
    "time_mark",
    Origin.RECORDING,
    "One alignment of the device clock with the host's, from a `read_clock` exchange.",
    Struct(
        _BOOT_ID,
        field(
            "device_ticks_us",
            Int32ul,
            "device clock in the middle of the exchange",
            "us",
            high=TICKS_PERIOD_US - 1,
        ),
        field("host_monotonic_ns", Int64ul, "host clock in the middle of the exchange", "ns"),
        _UNIX_NS,
        field("round_trip_us", Int32ul, "exchange time less the box's own share", "us"),
    ),
)
ANNOTATION = MessageDefinition(
    0x83,
    "annotation",
    Origin.RECORDING,
    "A remark at a moment.",
    Struct(
        _MONOTONIC_NS,
        _UNIX_NS,
        field("source", AnnotationSource, "who made it"),
        field("length", Int8ul, "bytes used in `text`", "bytes", high=160),
        field("text", Bytes(160), "UTF-8, zero padded"),
    ),
)
LINK_CHANGE = MessageDefinition(
    0x84,
    "link_change",
    Origin.RECORDING,
    "The link to the box was opened, lost or closed.",
    Struct(
        _MONOTONIC_NS,
        _UNIX_NS,
        field("state", LinkState, "what happened to the link"),
        field("openings_total", Int32ul, "times it has been opened in this recording"),
    ),
)

MESSAGES: Final[tuple[MessageDefinition, ...]] = (
    IDENTITY,
    CHANNEL_DESCRIPTION,
    LOAD_SAMPLE,
    ANGLE_SAMPLE,
    STATUS,
    EVENT,
    REPLY,
    CLOCK_READING,
    SETTING,
    SELF_TEST_RESULT,
    STORED_DOCUMENT,
    DOCUMENT_PART,
    FLAG_TOTALS,
    IDENTIFY,
    START_STREAM,
    STOP_STREAM,
    READ_CLOCK,
    READ_SETTING,
    WRITE_SETTING,
    RUN_SELF_TEST,
    DESCRIBE_DOCUMENT,
    READ_DOCUMENT,
    WRITE_DOCUMENT,
    ERASE_DOCUMENT,
    READ_FLAG_TOTALS,
    RECORDING_HEADER,
    RECORDING_DOCUMENT,
    TIME_MARK,
    ANNOTATION,
    LINK_CHANGE,
)
