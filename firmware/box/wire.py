"""Device codec.  GENERATED from messages.py by tools/generate.py: do not edit.

pack_* write id + body into the caller's buffer and return the byte count;
struct.pack_into would wrap a number that does not fit without a word, so every
range is checked first.  unpack_* read a request's fields.  *_FORMAT: what the
sampling path packs by itself, its numbers bounded by what made them.
"""

from struct import calcsize, pack_into, unpack_from

PROTOCOL_MAJOR = 1
PROTOCOL_MINOR = 2
LAYOUT_HASH = bytes.fromhex("3071a3c97178fe39")
SLOT_BYTES = 32
TICKS_PERIOD_US = 0x40000000
SEQUENCE_MASK = 0x3FFFFFFF
NO_COUNTS = -2147483648
NO_CHANNEL = 255
ANGLE_AGE_LIMIT_US = 65535
CHANNEL_LIMIT = 8
DOCUMENT_PIECE_BYTES = 192
FLAG_COUNT = 16
CHANNEL_KIND_LOAD = 1
CHANNEL_KIND_ARM_ANGLE = 2
CHANNEL_KIND_ROLLER_ANGLE = 3
SENSOR_KIND_HX711 = 1
SENSOR_KIND_AS5600 = 2
SENSOR_KIND_POTENTIOMETER = 3
SENSOR_KIND_QUADRATURE = 4
SAMPLE_FLAGS_SATURATED_HIGH = 1
SAMPLE_FLAGS_SATURATED_LOW = 2
SAMPLE_FLAGS_NO_CONVERSION = 4
SAMPLE_FLAGS_DESYNC = 8
SAMPLE_FLAGS_SETTLING = 16
SAMPLE_FLAGS_SUSPECT = 32
SAMPLE_FLAGS_LATE_READ = 64
SAMPLE_FLAGS_ANGLE_STALE = 128
SAMPLE_FLAGS_BUS_ERROR = 256
SAMPLE_FLAGS_MAGNET_MISSING = 512
SAMPLE_FLAGS_MAGNET_WEAK = 1024
SAMPLE_FLAGS_MAGNET_STRONG = 2048
SAMPLE_FLAGS_OPEN_CIRCUIT = 4096
SAMPLE_FLAGS_OVERLOAD = 8192
SAMPLE_FLAGS_BUTTON_HELD = 16384
SAMPLE_FLAGS_LINE_HELD = 32768
RESET_CAUSE_UNKNOWN = 0
RESET_CAUSE_POWER_ON = 1
RESET_CAUSE_WATCHDOG = 2
RESET_CAUSE_SOFT = 3
EVENT_KIND_BUTTON_PRESSED = 1
EVENT_KIND_BUTTON_RELEASED = 2
EVENT_KIND_FAULT_RAISED = 3
EVENT_KIND_FAULT_CLEARED = 4
EVENT_KIND_OVERLOAD_RAISED = 5
EVENT_KIND_OVERLOAD_CLEARED = 6
EVENT_KIND_STREAM_STARTED = 7
EVENT_KIND_STREAM_STOPPED = 8
OUTCOME_DONE = 0
OUTCOME_UNKNOWN_REQUEST = 1
OUTCOME_BAD_ARGUMENT = 2
OUTCOME_REFUSED_WHILE_STREAMING = 3
OUTCOME_STORAGE_FAILED = 4
OUTCOME_NOT_AVAILABLE = 5
SETTING_KEY_BOX_NAME = 1
SETTING_KEY_SENSOR_SERIAL = 2
SETTING_KEY_ANGLE_RATE_MILLIHERTZ = 3
SETTING_KEY_STATUS_PERIOD_MS = 4
SETTING_KEY_OVERLOAD_COUNTS = 5
SETTING_KEY_LOAD_GAIN = 6
SETTING_KEY_DAMAGED_TOTAL = 7
SELF_TEST_FINDINGS_NO_CONVERSION = 1
SELF_TEST_FINDINGS_DESYNC = 2
SELF_TEST_FINDINGS_SATURATED = 4
SELF_TEST_FINDINGS_STUCK = 8
SELF_TEST_FINDINGS_WRONG_RATE = 16
SELF_TEST_FINDINGS_NOISY = 32
SELF_TEST_FINDINGS_BUS_ERROR = 64
SELF_TEST_FINDINGS_MAGNET_FAULT = 128
SELF_TEST_FINDINGS_OPEN_CIRCUIT = 256
SELF_TEST_FINDINGS_LINE_HELD = 512
DOCUMENT_KIND_CALIBRATION = 1
DOCUMENT_KIND_MACHINE = 2
DOCUMENT_KIND_CLIENT = 3
DOCUMENT_KIND_NOTE = 4
DOCUMENT_KIND_SESSION = 5
ID_IDENTITY = 0x01
ID_CHANNEL_DESCRIPTION = 0x02
ID_LOAD_SAMPLE = 0x03
ID_ANGLE_SAMPLE = 0x04
ID_STATUS = 0x05
ID_EVENT = 0x06
ID_REPLY = 0x07
ID_CLOCK_READING = 0x08
ID_SETTING = 0x09
ID_SELF_TEST_RESULT = 0x0A
ID_STORED_DOCUMENT = 0x0B
ID_DOCUMENT_PART = 0x0C
ID_FLAG_TOTALS = 0x0D
ID_IDENTIFY = 0x40
ID_START_STREAM = 0x41
ID_STOP_STREAM = 0x42
ID_READ_CLOCK = 0x43
ID_READ_SETTING = 0x44
ID_WRITE_SETTING = 0x45
ID_RUN_SELF_TEST = 0x46
ID_DESCRIBE_DOCUMENT = 0x47
ID_READ_DOCUMENT = 0x48
ID_WRITE_DOCUMENT = 0x49
ID_ERASE_DOCUMENT = 0x4A
ID_READ_FLAG_TOTALS = 0x4B
IDENTITY_BYTES = 67
CHANNEL_DESCRIPTION_BYTES = 45
LOAD_SAMPLE_BYTES = 26
LOAD_SAMPLE_FORMAT = "<BBHIIIiiH"
ANGLE_SAMPLE_BYTES = 26
ANGLE_SAMPLE_FORMAT = "<BBHIIIiBBI"
STATUS_BYTES = 127
EVENT_BYTES = 17
REPLY_BYTES = 13
CLOCK_READING_BYTES = 15
SETTING_BYTES = 29
SELF_TEST_RESULT_BYTES = 28
STORED_DOCUMENT_BYTES = 21
DOCUMENT_PART_BYTES = 203
FLAG_TOTALS_BYTES = 72
REQUEST_BYTES = {0x40: 3, 0x41: 3, 0x42: 3, 0x43: 3, 0x44: 5, 0x45: 25, 0x46: 3, 0x47: 4, 0x48: 6,
    0x49: 207, 0x4A: 4, 0x4B: 4}

_IDENTITY = ("<BHBB3B8s8sIIBH16s16s", 0x01, ("correlation_id", 0, 0, 65535),
    ("protocol_major", 0, 0, 255), ("protocol_minor", 0, 0, 255), ("firmware_version", 3, 0, 255),
    ("layout_hash", 8, 0, 255), ("box_id", 8, 0, 255), ("boot_id", 0, 0, 1073741823),
    ("ticks_period_us", 0, 1073741824, 1073741824), ("channel_count", 0, 0, 8),
    ("queue_slots", 0, 0, 65535), ("board", 16, 0, 255), ("box_name", 16, 0, 255))
_CHANNEL_DESCRIPTION = ("<BHIBBBHIiiIB16s", 0x02, ("correlation_id", 0, 0, 65535),
    ("boot_id", 0, 0, 1073741823), ("channel", 0, 0, 7), ("kind", 0, 0, 255),
    ("sensor", 0, 0, 255), ("gain", 0, 0, 65535), ("nominal_rate_millihertz", 0, 0, 4294967295),
    ("counts_low", 0, -2147483648, 2147483647), ("counts_high", 0, -2147483648, 2147483647),
    ("counts_per_turn", 0, 0, 4294967295), ("angle_channel", 0, 0, 255),
    ("sensor_serial", 16, 0, 255))
_LOAD_SAMPLE = ("<BBHIIIiiH", 0x03, ("channel", 0, 0, 7), ("flags", 0, 0, 65535),
    ("boot_id", 0, 0, 1073741823), ("sequence", 0, 0, 1073741823),
    ("device_ticks_us", 0, 0, 1073741823), ("load_counts", 0, -2147483648, 2147483647),
    ("angle_counts", 0, -2147483648, 2147483647), ("angle_age_us", 0, 0, 65535))
_ANGLE_SAMPLE = ("<BBHIIIiBBI", 0x04, ("channel", 0, 0, 7), ("flags", 0, 0, 65535),
    ("boot_id", 0, 0, 1073741823), ("sequence", 0, 0, 1073741823),
    ("device_ticks_us", 0, 0, 1073741823), ("angle_counts", 0, -2147483648, 2147483647),
    ("sensor_status", 0, 0, 255), ("sensor_gain", 0, 0, 255),
    ("invalid_transitions_total", 0, 0, 4294967295))
_STATUS = ("<BIIIBBH8I8IIIIIIIIIIIhI", 0x05, ("boot_id", 0, 0, 1073741823),
    ("device_ticks_us", 0, 0, 1073741823), ("uptime_ms", 0, 0, 1073741823), ("streaming", 0, 0, 1),
    ("reset_cause", 0, 0, 255), ("queue_high_water", 0, 0, 65535),
    ("conversions_total", 8, 0, 4294967295), ("dropped_total", 8, 0, 4294967295),
    ("frames_sent_total", 0, 0, 4294967295), ("link_stalls_total", 0, 0, 4294967295),
    ("no_conversion_total", 0, 0, 4294967295), ("desync_total", 0, 0, 4294967295),
    ("saturated_total", 0, 0, 4294967295), ("discarded_total", 0, 0, 4294967295),
    ("late_read_total", 0, 0, 4294967295), ("bus_error_total", 0, 0, 4294967295),
    ("requests_total", 0, 0, 4294967295), ("garbage_bytes_total", 0, 0, 4294967295),
    ("temperature_centicelsius", 0, -32768, 32767), ("heap_free_bytes", 0, 0, 4294967295))
_EVENT = ("<BIIIBBH", 0x06, ("boot_id", 0, 0, 1073741823), ("sequence", 0, 0, 1073741823),
    ("device_ticks_us", 0, 0, 1073741823), ("kind", 0, 0, 255), ("channel", 0, 0, 255),
    ("flags", 0, 0, 65535))
_REPLY = ("<BHIBBi", 0x07, ("correlation_id", 0, 0, 65535), ("boot_id", 0, 0, 1073741823),
    ("request_id", 0, 0, 255), ("outcome", 0, 0, 255), ("detail", 0, -2147483648, 2147483647))
_CLOCK_READING = ("<BHIII", 0x08, ("correlation_id", 0, 0, 65535), ("boot_id", 0, 0, 1073741823),
    ("received_ticks_us", 0, 0, 1073741823), ("sent_ticks_us", 0, 0, 1073741823))
_SETTING = ("<BHIBBi16s", 0x09, ("correlation_id", 0, 0, 65535), ("boot_id", 0, 0, 1073741823),
    ("key", 0, 0, 255), ("channel", 0, 0, 255), ("number", 0, -2147483648, 2147483647),
    ("text", 16, 0, 255))
_SELF_TEST_RESULT = ("<BHIBHHiiiI", 0x0A, ("correlation_id", 0, 0, 65535),
    ("boot_id", 0, 0, 1073741823), ("channel", 0, 0, 7), ("findings", 0, 0, 65535),
    ("sample_count", 0, 0, 65535), ("counts_minimum", 0, -2147483648, 2147483647),
    ("counts_maximum", 0, -2147483648, 2147483647), ("counts_mean", 0, -2147483648, 2147483647),
    ("measured_rate_millihertz", 0, 0, 4294967295))
_STORED_DOCUMENT = ("<BHIBBIII", 0x0B, ("correlation_id", 0, 0, 65535),
    ("boot_id", 0, 0, 1073741823), ("channel", 0, 0, 255), ("kind", 0, 0, 255),
    ("length", 0, 0, 4294967295), ("crc32", 0, 0, 4294967295), ("length_limit", 0, 0, 4294967295))
_DOCUMENT_PART = ("<BHIBHB192s", 0x0C, ("correlation_id", 0, 0, 65535),
    ("boot_id", 0, 0, 1073741823), ("channel", 0, 0, 255), ("part", 0, 0, 65535),
    ("length", 0, 0, 192), ("text", 192, 0, 255))
_FLAG_TOTALS = ("<BHIB16I", 0x0D, ("correlation_id", 0, 0, 65535), ("boot_id", 0, 0, 1073741823),
    ("channel", 0, 0, 7), ("samples_total", 16, 0, 4294967295))


def _refuse(what, value, low, high):
    raise ValueError("%s = %d; the range is %d to %d" % (what, value, low, high))


def _pack(message, buffer, offset, values):
    # message: struct format, id, then for each field its name, element count
    # (0: a plain number), lowest and highest value
    flat = []
    for index, value in enumerate(values):
        name, count, low, high = message[2 + index]
        if count and len(value) != count:
            _refuse("len(%s)" % name, len(value), count, count)
        if count and not isinstance(value, (bytes, bytearray)):
            if min(value) < low or max(value) > high:
                _refuse(name, min(value) if min(value) < low else max(value), low, high)
            flat.extend(value)
        else:
            if not count and not low <= value <= high:
                _refuse(name, value, low, high)
            flat.append(value)
    pack_into(message[0], buffer, offset, message[1], *flat)
    return calcsize(message[0])


def pack_identity(buffer, offset, correlation_id, protocol_major, protocol_minor, firmware_version,
    layout_hash, box_id, boot_id, ticks_period_us, channel_count, queue_slots, board, box_name):
    return _pack(_IDENTITY, buffer, offset, (correlation_id, protocol_major, protocol_minor,
        firmware_version, layout_hash, box_id, boot_id, ticks_period_us, channel_count,
        queue_slots, board, box_name))


def pack_channel_description(buffer, offset, correlation_id, boot_id, channel, kind, sensor, gain,
    nominal_rate_millihertz, counts_low, counts_high, counts_per_turn, angle_channel,
    sensor_serial):
    return _pack(_CHANNEL_DESCRIPTION, buffer, offset, (correlation_id, boot_id, channel, kind,
        sensor, gain, nominal_rate_millihertz, counts_low, counts_high, counts_per_turn,
        angle_channel, sensor_serial))


def pack_load_sample(buffer, offset, channel, flags, boot_id, sequence, device_ticks_us,
    load_counts, angle_counts, angle_age_us):
    return _pack(_LOAD_SAMPLE, buffer, offset, (channel, flags, boot_id, sequence, device_ticks_us,
        load_counts, angle_counts, angle_age_us))


def pack_angle_sample(buffer, offset, channel, flags, boot_id, sequence, device_ticks_us,
    angle_counts, sensor_status, sensor_gain, invalid_transitions_total):
    return _pack(_ANGLE_SAMPLE, buffer, offset, (channel, flags, boot_id, sequence,
        device_ticks_us, angle_counts, sensor_status, sensor_gain, invalid_transitions_total))


def pack_status(buffer, offset, boot_id, device_ticks_us, uptime_ms, streaming, reset_cause,
    queue_high_water, conversions_total, dropped_total, frames_sent_total, link_stalls_total,
    no_conversion_total, desync_total, saturated_total, discarded_total, late_read_total,
    bus_error_total, requests_total, garbage_bytes_total, temperature_centicelsius,
    heap_free_bytes):
    return _pack(_STATUS, buffer, offset, (boot_id, device_ticks_us, uptime_ms, streaming,
        reset_cause, queue_high_water, conversions_total, dropped_total, frames_sent_total,
        link_stalls_total, no_conversion_total, desync_total, saturated_total, discarded_total,
        late_read_total, bus_error_total, requests_total, garbage_bytes_total,
        temperature_centicelsius, heap_free_bytes))


def pack_event(buffer, offset, boot_id, sequence, device_ticks_us, kind, channel, flags):
    return _pack(_EVENT, buffer, offset, (boot_id, sequence, device_ticks_us, kind, channel, flags))


def pack_reply(buffer, offset, correlation_id, boot_id, request_id, outcome, detail):
    return _pack(_REPLY, buffer, offset, (correlation_id, boot_id, request_id, outcome, detail))


def pack_clock_reading(buffer, offset, correlation_id, boot_id, received_ticks_us, sent_ticks_us):
    return _pack(_CLOCK_READING, buffer, offset, (correlation_id, boot_id, received_ticks_us,
        sent_ticks_us))


def pack_setting(buffer, offset, correlation_id, boot_id, key, channel, number, text):
    return _pack(_SETTING, buffer, offset, (correlation_id, boot_id, key, channel, number, text))


def pack_self_test_result(buffer, offset, correlation_id, boot_id, channel, findings, sample_count,
    counts_minimum, counts_maximum, counts_mean, measured_rate_millihertz):
    return _pack(_SELF_TEST_RESULT, buffer, offset, (correlation_id, boot_id, channel, findings,
        sample_count, counts_minimum, counts_maximum, counts_mean, measured_rate_millihertz))


def pack_stored_document(buffer, offset, correlation_id, boot_id, channel, kind, length, crc32,
    length_limit):
    return _pack(_STORED_DOCUMENT, buffer, offset, (correlation_id, boot_id, channel, kind, length,
        crc32, length_limit))


def pack_document_part(buffer, offset, correlation_id, boot_id, channel, part, length, text):
    return _pack(_DOCUMENT_PART, buffer, offset, (correlation_id, boot_id, channel, part, length,
        text))


def pack_flag_totals(buffer, offset, correlation_id, boot_id, channel, samples_total):
    return _pack(_FLAG_TOTALS, buffer, offset, (correlation_id, boot_id, channel, samples_total))


def unpack_identify(buffer, offset):
    # correlation_id
    return unpack_from("<H", buffer, offset + 1)


def unpack_start_stream(buffer, offset):
    # correlation_id
    return unpack_from("<H", buffer, offset + 1)


def unpack_stop_stream(buffer, offset):
    # correlation_id
    return unpack_from("<H", buffer, offset + 1)


def unpack_read_clock(buffer, offset):
    # correlation_id
    return unpack_from("<H", buffer, offset + 1)


def unpack_read_setting(buffer, offset):
    # correlation_id, key, channel
    return unpack_from("<HBB", buffer, offset + 1)


def unpack_write_setting(buffer, offset):
    # correlation_id, key, channel, number, text
    return unpack_from("<HBBi16s", buffer, offset + 1)


def unpack_run_self_test(buffer, offset):
    # correlation_id
    return unpack_from("<H", buffer, offset + 1)


def unpack_describe_document(buffer, offset):
    # correlation_id, channel
    return unpack_from("<HB", buffer, offset + 1)


def unpack_read_document(buffer, offset):
    # correlation_id, channel, part
    return unpack_from("<HBH", buffer, offset + 1)


def unpack_write_document(buffer, offset):
    # correlation_id, channel, kind, length, crc32, part, text
    return unpack_from("<HBBIIH192s", buffer, offset + 1)


def unpack_erase_document(buffer, offset):
    # correlation_id, channel
    return unpack_from("<HB", buffer, offset + 1)


def unpack_read_flag_totals(buffer, offset):
    # correlation_id, channel
    return unpack_from("<HB", buffer, offset + 1)
