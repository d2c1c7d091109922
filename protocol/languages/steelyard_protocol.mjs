// Steelyard wire protocol for browsers, Node and the like: no dependencies.
// GENERATED from messages.py by tools/generate.py: do not edit.

export const PROTOCOL_MAJOR = 1;
export const PROTOCOL_MINOR = 2;
export const LAYOUT_HASH = "3071a3c97178fe39";
export const SLOT_BYTES = 32;
export const ENCODED_FRAME_LIMIT = 255;
export const TICKS_PERIOD_US = 1073741824;
export const SEQUENCE_PERIOD = 1073741824;
export const NO_COUNTS = -2147483648;
export const NO_CHANNEL = 255;

export const ChannelKind = Object.freeze({
  LOAD: 1,
  ARM_ANGLE: 2,
  ROLLER_ANGLE: 3,
});
export const SensorKind = Object.freeze({
  HX711: 1,
  AS5600: 2,
  POTENTIOMETER: 3,
  QUADRATURE: 4,
});
export const SampleFlags = Object.freeze({
  SATURATED_HIGH: 0x0001,
  SATURATED_LOW: 0x0002,
  NO_CONVERSION: 0x0004,
  DESYNC: 0x0008,
  SETTLING: 0x0010,
  SUSPECT: 0x0020,
  LATE_READ: 0x0040,
  ANGLE_STALE: 0x0080,
  BUS_ERROR: 0x0100,
  MAGNET_MISSING: 0x0200,
  MAGNET_WEAK: 0x0400,
  MAGNET_STRONG: 0x0800,
  OPEN_CIRCUIT: 0x1000,
  OVERLOAD: 0x2000,
  BUTTON_HELD: 0x4000,
  LINE_HELD: 0x8000,
});
export const ResetCause = Object.freeze({
  UNKNOWN: 0,
  POWER_ON: 1,
  WATCHDOG: 2,
  SOFT: 3,
});
export const EventKind = Object.freeze({
  BUTTON_PRESSED: 1,
  BUTTON_RELEASED: 2,
  FAULT_RAISED: 3,
  FAULT_CLEARED: 4,
  OVERLOAD_RAISED: 5,
  OVERLOAD_CLEARED: 6,
  STREAM_STARTED: 7,
  STREAM_STOPPED: 8,
});
export const Outcome = Object.freeze({
  DONE: 0,
  UNKNOWN_REQUEST: 1,
  BAD_ARGUMENT: 2,
  REFUSED_WHILE_STREAMING: 3,
  STORAGE_FAILED: 4,
  NOT_AVAILABLE: 5,
});
export const SettingKey = Object.freeze({
  BOX_NAME: 1,
  SENSOR_SERIAL: 2,
  ANGLE_RATE_MILLIHERTZ: 3,
  STATUS_PERIOD_MS: 4,
  OVERLOAD_COUNTS: 5,
  LOAD_GAIN: 6,
  DAMAGED_TOTAL: 7,
});
export const SelfTestFindings = Object.freeze({
  NO_CONVERSION: 0x0001,
  DESYNC: 0x0002,
  SATURATED: 0x0004,
  STUCK: 0x0008,
  WRONG_RATE: 0x0010,
  NOISY: 0x0020,
  BUS_ERROR: 0x0040,
  MAGNET_FAULT: 0x0080,
  OPEN_CIRCUIT: 0x0100,
  LINE_HELD: 0x0200,
});
export const DocumentKind = Object.freeze({
  CALIBRATION: 1,
  MACHINE: 2,
  CLIENT: 3,
  NOTE: 4,
  SESSION: 5,
});
export const AnnotationSource = Object.freeze({
  OPERATOR: 1,
  SOFTWARE: 2,
});
export const LinkState = Object.freeze({
  OPENED: 1,
  LOST: 2,
  CLOSED: 3,
});

export const MESSAGES = Object.freeze([
  { id: 0x01, name: "identity", size: 67, fields: [
    { name: "correlation_id", offset: 1, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "protocol_major", offset: 3, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "protocol_minor", offset: 4, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "firmware_version", offset: 5, type: "u8", count: 3, low: 0, high: 255, unit: "" },
    { name: "layout_hash", offset: 8, type: "bytes", count: 8, low: 0, high: 255, unit: "" },
    { name: "box_id", offset: 16, type: "bytes", count: 8, low: 0, high: 255, unit: "" },
    { name: "boot_id", offset: 24, type: "u32", count: 0, low: 0, high: 1073741823, unit: "" },
    { name: "ticks_period_us", offset: 28, type: "u32", count: 0, low: 1073741824, high: 1073741824, unit: "us" },
    { name: "channel_count", offset: 32, type: "u8", count: 0, low: 0, high: 8, unit: "" },
    { name: "queue_slots", offset: 33, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "board", offset: 35, type: "bytes", count: 16, low: 0, high: 255, unit: "" },
    { name: "box_name", offset: 51, type: "bytes", count: 16, low: 0, high: 255, unit: "" },
  ] },
  { id: 0x02, name: "channel_description", size: 45, fields: [
    { name: "correlation_id", offset: 1, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "boot_id", offset: 3, type: "u32", count: 0, low: 0, high: 1073741823, unit: "" },
    { name: "channel", offset: 7, type: "u8", count: 0, low: 0, high: 7, unit: "" },
    { name: "kind", offset: 8, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "sensor", offset: 9, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "gain", offset: 10, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "nominal_rate_millihertz", offset: 12, type: "u32", count: 0, low: 0, high: 4294967295, unit: "mHz" },
    { name: "counts_low", offset: 16, type: "i32", count: 0, low: -2147483648, high: 2147483647, unit: "counts" },
    { name: "counts_high", offset: 20, type: "i32", count: 0, low: -2147483648, high: 2147483647, unit: "counts" },
    { name: "counts_per_turn", offset: 24, type: "u32", count: 0, low: 0, high: 4294967295, unit: "counts" },
    { name: "angle_channel", offset: 28, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "sensor_serial", offset: 29, type: "bytes", count: 16, low: 0, high: 255, unit: "" },
  ] },
  { id: 0x03, name: "load_sample", size: 26, fields: [
    { name: "channel", offset: 1, type: "u8", count: 0, low: 0, high: 7, unit: "" },
    { name: "flags", offset: 2, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "boot_id", offset: 4, type: "u32", count: 0, low: 0, high: 1073741823, unit: "" },
    { name: "sequence", offset: 8, type: "u32", count: 0, low: 0, high: 1073741823, unit: "" },
    { name: "device_ticks_us", offset: 12, type: "u32", count: 0, low: 0, high: 1073741823, unit: "us" },
    { name: "load_counts", offset: 16, type: "i32", count: 0, low: -2147483648, high: 2147483647, unit: "counts" },
    { name: "angle_counts", offset: 20, type: "i32", count: 0, low: -2147483648, high: 2147483647, unit: "counts" },
    { name: "angle_age_us", offset: 24, type: "u16", count: 0, low: 0, high: 65535, unit: "us" },
  ] },
  { id: 0x04, name: "angle_sample", size: 26, fields: [
    { name: "channel", offset: 1, type: "u8", count: 0, low: 0, high: 7, unit: "" },
    { name: "flags", offset: 2, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "boot_id", offset: 4, type: "u32", count: 0, low: 0, high: 1073741823, unit: "" },
    { name: "sequence", offset: 8, type: "u32", count: 0, low: 0, high: 1073741823, unit: "" },
    { name: "device_ticks_us", offset: 12, type: "u32", count: 0, low: 0, high: 1073741823, unit: "us" },
    { name: "angle_counts", offset: 16, type: "i32", count: 0, low: -2147483648, high: 2147483647, unit: "counts" },
    { name: "sensor_status", offset: 20, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "sensor_gain", offset: 21, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "invalid_transitions_total", offset: 22, type: "u32", count: 0, low: 0, high: 4294967295, unit: "" },
  ] },
  { id: 0x05, name: "status", size: 127, fields: [
    { name: "boot_id", offset: 1, type: "u32", count: 0, low: 0, high: 1073741823, unit: "" },
    { name: "device_ticks_us", offset: 5, type: "u32", count: 0, low: 0, high: 1073741823, unit: "us" },
    { name: "uptime_ms", offset: 9, type: "u32", count: 0, low: 0, high: 1073741823, unit: "ms" },
    { name: "streaming", offset: 13, type: "u8", count: 0, low: 0, high: 1, unit: "" },
    { name: "reset_cause", offset: 14, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "queue_high_water", offset: 15, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "conversions_total", offset: 17, type: "u32", count: 8, low: 0, high: 4294967295, unit: "" },
    { name: "dropped_total", offset: 49, type: "u32", count: 8, low: 0, high: 4294967295, unit: "" },
    { name: "frames_sent_total", offset: 81, type: "u32", count: 0, low: 0, high: 4294967295, unit: "" },
    { name: "link_stalls_total", offset: 85, type: "u32", count: 0, low: 0, high: 4294967295, unit: "" },
    { name: "no_conversion_total", offset: 89, type: "u32", count: 0, low: 0, high: 4294967295, unit: "" },
    { name: "desync_total", offset: 93, type: "u32", count: 0, low: 0, high: 4294967295, unit: "" },
    { name: "saturated_total", offset: 97, type: "u32", count: 0, low: 0, high: 4294967295, unit: "" },
    { name: "discarded_total", offset: 101, type: "u32", count: 0, low: 0, high: 4294967295, unit: "" },
    { name: "late_read_total", offset: 105, type: "u32", count: 0, low: 0, high: 4294967295, unit: "" },
    { name: "bus_error_total", offset: 109, type: "u32", count: 0, low: 0, high: 4294967295, unit: "" },
    { name: "requests_total", offset: 113, type: "u32", count: 0, low: 0, high: 4294967295, unit: "" },
    { name: "garbage_bytes_total", offset: 117, type: "u32", count: 0, low: 0, high: 4294967295, unit: "" },
    { name: "temperature_centicelsius", offset: 121, type: "i16", count: 0, low: -32768, high: 32767, unit: "0.01 C" },
    { name: "heap_free_bytes", offset: 123, type: "u32", count: 0, low: 0, high: 4294967295, unit: "bytes" },
  ] },
  { id: 0x06, name: "event", size: 17, fields: [
    { name: "boot_id", offset: 1, type: "u32", count: 0, low: 0, high: 1073741823, unit: "" },
    { name: "sequence", offset: 5, type: "u32", count: 0, low: 0, high: 1073741823, unit: "" },
    { name: "device_ticks_us", offset: 9, type: "u32", count: 0, low: 0, high: 1073741823, unit: "us" },
    { name: "kind", offset: 13, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "channel", offset: 14, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "flags", offset: 15, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
  ] },
  { id: 0x07, name: "reply", size: 13, fields: [
    { name: "correlation_id", offset: 1, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "boot_id", offset: 3, type: "u32", count: 0, low: 0, high: 1073741823, unit: "" },
    { name: "request_id", offset: 7, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "outcome", offset: 8, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "detail", offset: 9, type: "i32", count: 0, low: -2147483648, high: 2147483647, unit: "" },
  ] },
  { id: 0x08, name: "clock_reading", size: 15, fields: [
    { name: "correlation_id", offset: 1, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "boot_id", offset: 3, type: "u32", count: 0, low: 0, high: 1073741823, unit: "" },
    { name: "received_ticks_us", offset: 7, type: "u32", count: 0, low: 0, high: 1073741823, unit: "us" },
    { name: "sent_ticks_us", offset: 11, type: "u32", count: 0, low: 0, high: 1073741823, unit: "us" },
  ] },
  { id: 0x09, name: "setting", size: 29, fields: [
    { name: "correlation_id", offset: 1, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "boot_id", offset: 3, type: "u32", count: 0, low: 0, high: 1073741823, unit: "" },
    { name: "key", offset: 7, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "channel", offset: 8, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "number", offset: 9, type: "i32", count: 0, low: -2147483648, high: 2147483647, unit: "" },
    { name: "text", offset: 13, type: "bytes", count: 16, low: 0, high: 255, unit: "" },
  ] },
  { id: 0x0a, name: "self_test_result", size: 28, fields: [
    { name: "correlation_id", offset: 1, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "boot_id", offset: 3, type: "u32", count: 0, low: 0, high: 1073741823, unit: "" },
    { name: "channel", offset: 7, type: "u8", count: 0, low: 0, high: 7, unit: "" },
    { name: "findings", offset: 8, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "sample_count", offset: 10, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "counts_minimum", offset: 12, type: "i32", count: 0, low: -2147483648, high: 2147483647, unit: "counts" },
    { name: "counts_maximum", offset: 16, type: "i32", count: 0, low: -2147483648, high: 2147483647, unit: "counts" },
    { name: "counts_mean", offset: 20, type: "i32", count: 0, low: -2147483648, high: 2147483647, unit: "counts" },
    { name: "measured_rate_millihertz", offset: 24, type: "u32", count: 0, low: 0, high: 4294967295, unit: "mHz" },
  ] },
  { id: 0x0b, name: "stored_document", size: 21, fields: [
    { name: "correlation_id", offset: 1, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "boot_id", offset: 3, type: "u32", count: 0, low: 0, high: 1073741823, unit: "" },
    { name: "channel", offset: 7, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "kind", offset: 8, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "length", offset: 9, type: "u32", count: 0, low: 0, high: 4294967295, unit: "bytes" },
    { name: "crc32", offset: 13, type: "u32", count: 0, low: 0, high: 4294967295, unit: "" },
    { name: "length_limit", offset: 17, type: "u32", count: 0, low: 0, high: 4294967295, unit: "bytes" },
  ] },
  { id: 0x0c, name: "document_part", size: 203, fields: [
    { name: "correlation_id", offset: 1, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "boot_id", offset: 3, type: "u32", count: 0, low: 0, high: 1073741823, unit: "" },
    { name: "channel", offset: 7, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "part", offset: 8, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "length", offset: 10, type: "u8", count: 0, low: 0, high: 192, unit: "bytes" },
    { name: "text", offset: 11, type: "bytes", count: 192, low: 0, high: 255, unit: "" },
  ] },
  { id: 0x0d, name: "flag_totals", size: 72, fields: [
    { name: "correlation_id", offset: 1, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "boot_id", offset: 3, type: "u32", count: 0, low: 0, high: 1073741823, unit: "" },
    { name: "channel", offset: 7, type: "u8", count: 0, low: 0, high: 7, unit: "" },
    { name: "samples_total", offset: 8, type: "u32", count: 16, low: 0, high: 4294967295, unit: "" },
  ] },
  { id: 0x40, name: "identify", size: 3, fields: [
    { name: "correlation_id", offset: 1, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
  ] },
  { id: 0x41, name: "start_stream", size: 3, fields: [
    { name: "correlation_id", offset: 1, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
  ] },
  { id: 0x42, name: "stop_stream", size: 3, fields: [
    { name: "correlation_id", offset: 1, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
  ] },
  { id: 0x43, name: "read_clock", size: 3, fields: [
    { name: "correlation_id", offset: 1, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
  ] },
  { id: 0x44, name: "read_setting", size: 5, fields: [
    { name: "correlation_id", offset: 1, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "key", offset: 3, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "channel", offset: 4, type: "u8", count: 0, low: 0, high: 255, unit: "" },
  ] },
  { id: 0x45, name: "write_setting", size: 25, fields: [
    { name: "correlation_id", offset: 1, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "key", offset: 3, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "channel", offset: 4, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "number", offset: 5, type: "i32", count: 0, low: -2147483648, high: 2147483647, unit: "" },
    { name: "text", offset: 9, type: "bytes", count: 16, low: 0, high: 255, unit: "" },
  ] },
  { id: 0x46, name: "run_self_test", size: 3, fields: [
    { name: "correlation_id", offset: 1, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
  ] },
  { id: 0x47, name: "describe_document", size: 4, fields: [
    { name: "correlation_id", offset: 1, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "channel", offset: 3, type: "u8", count: 0, low: 0, high: 255, unit: "" },
  ] },
  { id: 0x48, name: "read_document", size: 6, fields: [
    { name: "correlation_id", offset: 1, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "channel", offset: 3, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "part", offset: 4, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
  ] },
  { id: 0x49, name: "write_document", size: 207, fields: [
    { name: "correlation_id", offset: 1, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "channel", offset: 3, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "kind", offset: 4, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "length", offset: 5, type: "u32", count: 0, low: 1, high: 4294967295, unit: "bytes" },
    { name: "crc32", offset: 9, type: "u32", count: 0, low: 0, high: 4294967295, unit: "" },
    { name: "part", offset: 13, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "text", offset: 15, type: "bytes", count: 192, low: 0, high: 255, unit: "" },
  ] },
  { id: 0x4a, name: "erase_document", size: 4, fields: [
    { name: "correlation_id", offset: 1, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "channel", offset: 3, type: "u8", count: 0, low: 0, high: 255, unit: "" },
  ] },
  { id: 0x4b, name: "read_flag_totals", size: 4, fields: [
    { name: "correlation_id", offset: 1, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "channel", offset: 3, type: "u8", count: 0, low: 0, high: 7, unit: "" },
  ] },
  { id: 0x80, name: "recording_header", size: 93, fields: [
    { name: "format_major", offset: 1, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "format_minor", offset: 2, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "protocol_major", offset: 3, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "protocol_minor", offset: 4, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "layout_hash", offset: 5, type: "bytes", count: 8, low: 0, high: 255, unit: "" },
    { name: "recording_id", offset: 13, type: "bytes", count: 16, low: 0, high: 255, unit: "" },
    { name: "host_unix_ns", offset: 29, type: "u64", count: 0, low: 0n, high: 18446744073709551615n, unit: "ns" },
    { name: "host_monotonic_ns", offset: 37, type: "u64", count: 0, low: 0n, high: 18446744073709551615n, unit: "ns" },
    { name: "software", offset: 45, type: "bytes", count: 16, low: 0, high: 255, unit: "" },
    { name: "machine", offset: 61, type: "bytes", count: 16, low: 0, high: 255, unit: "" },
    { name: "client_code", offset: 77, type: "bytes", count: 16, low: 0, high: 255, unit: "" },
  ] },
  { id: 0x81, name: "recording_document", size: 200, fields: [
    { name: "kind", offset: 1, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "document", offset: 2, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "part", offset: 3, type: "u16", count: 0, low: 0, high: 65535, unit: "" },
    { name: "part_count", offset: 5, type: "u16", count: 0, low: 1, high: 65535, unit: "" },
    { name: "length", offset: 7, type: "u8", count: 0, low: 0, high: 192, unit: "bytes" },
    { name: "text", offset: 8, type: "bytes", count: 192, low: 0, high: 255, unit: "" },
  ] },
  { id: 0x82, name: "time_mark", size: 29, fields: [
    { name: "boot_id", offset: 1, type: "u32", count: 0, low: 0, high: 1073741823, unit: "" },
    { name: "device_ticks_us", offset: 5, type: "u32", count: 0, low: 0, high: 1073741823, unit: "us" },
    { name: "host_monotonic_ns", offset: 9, type: "u64", count: 0, low: 0n, high: 18446744073709551615n, unit: "ns" },
    { name: "host_unix_ns", offset: 17, type: "u64", count: 0, low: 0n, high: 18446744073709551615n, unit: "ns" },
    { name: "round_trip_us", offset: 25, type: "u32", count: 0, low: 0, high: 4294967295, unit: "us" },
  ] },
  { id: 0x83, name: "annotation", size: 179, fields: [
    { name: "host_monotonic_ns", offset: 1, type: "u64", count: 0, low: 0n, high: 18446744073709551615n, unit: "ns" },
    { name: "host_unix_ns", offset: 9, type: "u64", count: 0, low: 0n, high: 18446744073709551615n, unit: "ns" },
    { name: "source", offset: 17, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "length", offset: 18, type: "u8", count: 0, low: 0, high: 160, unit: "bytes" },
    { name: "text", offset: 19, type: "bytes", count: 160, low: 0, high: 255, unit: "" },
  ] },
  { id: 0x84, name: "link_change", size: 22, fields: [
    { name: "host_monotonic_ns", offset: 1, type: "u64", count: 0, low: 0n, high: 18446744073709551615n, unit: "ns" },
    { name: "host_unix_ns", offset: 9, type: "u64", count: 0, low: 0n, high: 18446744073709551615n, unit: "ns" },
    { name: "state", offset: 17, type: "u8", count: 0, low: 0, high: 255, unit: "" },
    { name: "openings_total", offset: 18, type: "u32", count: 0, low: 0, high: 4294967295, unit: "" },
  ] },
]);

const BY_ID = new Map(MESSAGES.map((message) => [message.id, message]));
const BY_NAME = new Map(MESSAGES.map((message) => [message.name, message]));
const WIDTHS = { u8: 1, u16: 2, u32: 4, u64: 8, i8: 1, i16: 2, i32: 4 };
const GETTERS = {
  u8: "getUint8", u16: "getUint16", u32: "getUint32", u64: "getBigUint64",
  i16: "getInt16", i32: "getInt32",
};
const SETTERS = {
  u8: "setUint8", u16: "setUint16", u32: "setUint32", u64: "setBigUint64",
  i16: "setInt16", i32: "setInt32",
};
const CRC_BYTES = 4;
const PAYLOAD_LIMIT = 250;

const CRC_TABLE = Uint32Array.from({ length: 256 }, (_, index) => {
  let value = index;
  for (let bit = 0; bit < 8; bit += 1) {
    value = value & 1 ? (value >>> 1) ^ 0xedb88320 : value >>> 1;
  }
  return value;
});

/** CRC-32 as in ISO-HDLC, zlib and Ethernet. */
export function crc32(bytes) {
  let crc = 0xffffffff;
  for (const byte of bytes) crc = CRC_TABLE[(crc ^ byte) & 0xff] ^ (crc >>> 8);
  return (crc ^ 0xffffffff) >>> 0;
}

/** Undo COBS; null for what is no COBS. */
function cobsDecode(encoded) {
  const decoded = new Uint8Array(encoded.length);
  let at = 0;
  let count = 0;
  while (at < encoded.length) {
    const code = encoded[at];
    const end = at + code;
    if (code === 0 || end > encoded.length) return null;
    decoded.set(encoded.subarray(at + 1, end), count);
    count += code - 1;
    at = end;
    if (code !== 0xff && at < encoded.length) {
      decoded[count] = 0;
      count += 1;
    }
  }
  return encoded.length ? decoded.subarray(0, count) : null;
}

function viewOf(bytes) {
  return new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
}

function readField(view, field) {
  if (field.type === "bytes") {
    return new Uint8Array(view.buffer, view.byteOffset + field.offset, field.count).slice();
  }
  const get = (place) => view[GETTERS[field.type]](place, true);
  if (!field.count) return get(field.offset);
  return Array.from({ length: field.count }, (_, i) => get(field.offset + i * WIDTHS[field.type]));
}

/** Fields of an id + body, or null when it is of an unknown id or a wrong length. */
export function decodePayload(payload) {
  const message = BY_ID.get(payload[0]);
  if (!message || message.size !== payload.length) return null;
  const view = viewOf(payload);
  return Object.fromEntries(message.fields.map((field) => [field.name, readField(view, field)]));
}

function checkedValues(message, field, given) {
  const values = field.type === "bytes" || field.count ? Array.from(given) : [given];
  const wanted = field.count || 1;
  if (values.length !== wanted) {
    throw new RangeError(
      `${message.name}.${field.name} has ${values.length} elements; it takes ${wanted}`,
    );
  }
  for (const value of values) {
    if (!(value >= field.low && value <= field.high)) {
      throw new RangeError(
        `${message.name}.${field.name} = ${value}; the range is ${field.low} to ${field.high}`,
      );
    }
  }
  return values;
}

/** Id + body of a message. Throws RangeError for a value outside its range. */
export function encodePayload(name, fields) {
  const message = BY_NAME.get(name);
  if (!message) throw new RangeError(`no message is called ${name}`);
  const payload = new Uint8Array(message.size);
  const view = viewOf(payload);
  payload[0] = message.id;
  for (const field of message.fields) {
    const type = field.type === "bytes" ? "u8" : field.type;
    checkedValues(message, field, fields[field.name]).forEach((value, i) => {
      view[SETTERS[type]](field.offset + i * WIDTHS[type], value, true);
    });
  }
  return payload;
}

/** A message as bytes for the wire: CRC, COBS, delimiter, padding to whole slots. */
export function encode(name, fields) {
  return encodeFrame(encodePayload(name, fields));
}

/** Frame an id + body. Throws RangeError when it is empty or too long. */
export function encodeFrame(payload) {
  if (payload.length < 1 || payload.length > PAYLOAD_LIMIT) {
    throw new RangeError(`a payload of ${payload.length} bytes; a frame takes 1 to 250`);
  }
  const checked = new Uint8Array(payload.length + CRC_BYTES);
  checked.set(payload);
  viewOf(checked).setUint32(payload.length, crc32(payload), true);
  const slots = Math.ceil((checked.length + 2) / SLOT_BYTES);
  const frame = new Uint8Array(slots * SLOT_BYTES);
  let codeAt = 0;
  checked.forEach((byte, index) => {
    if (byte) {
      frame[index + 1] = byte;
    } else {
      frame[codeAt] = index + 1 - codeAt;
      codeAt = index + 1;
    }
  });
  frame[codeAt] = checked.length + 1 - codeAt;
  return frame;
}

/** Text of a fixed-bytes field: up to the zeros that pad it. */
export function plainText(bytes) {
  const end = bytes.findLastIndex((byte) => byte !== 0) + 1;
  return new TextDecoder().decode(bytes.subarray(0, end));
}

/** Finds gaps in the numbering of samples and events. */
class SequenceTracker {
  #bootId = null;

  #expected = new Map();

  follow(name, id, fields, offset) {
    if (name !== "load_sample" && name !== "angle_sample" && name !== "event") return null;
    if (fields.boot_id !== this.#bootId) {
      this.#bootId = fields.boot_id;
      this.#expected.clear();
    }
    const channel = name === "event" ? NO_CHANNEL : fields.channel;
    const key = id * 256 + channel;
    const found = fields.sequence;
    const expected = this.#expected.get(key) ?? found;
    const missing = (found - expected + SEQUENCE_PERIOD) % SEQUENCE_PERIOD;
    // Behind what was expected: a repetition, nothing is missing.
    if (missing >= SEQUENCE_PERIOD / 2) return null;
    this.#expected.set(key, (found + 1) % SEQUENCE_PERIOD);
    if (!missing) return null;
    const bootId = fields.boot_id;
    return { kind: "gap", name, channel, offset, bootId, expected, found, missing };
  }
}

/** A stream of bytes to events. Any bytes whatever give events; memory stays bounded. */
export class StreamDecoder {
  #tail = new Uint8Array(0);

  #overlong = 0;

  #offset = 0;

  #tracker = new SequenceTracker();

  /** Events of the next bytes, in order; pieces may be of any size. */
  feed(bytes) {
    const data = new Uint8Array(this.#tail.length + bytes.length);
    data.set(this.#tail);
    data.set(bytes, this.#tail.length);
    const events = [];
    let start = 0;
    for (let end = data.indexOf(0); end >= 0; end = data.indexOf(0, start)) {
      this.#takePiece(data.subarray(start, end), events);
      start = end + 1;
    }
    this.#tail = data.slice(start);
    if (this.#overlong || this.#tail.length > ENCODED_FRAME_LIMIT) {
      this.#overlong += this.#tail.length;
      this.#tail = new Uint8Array(0);
    }
    return events;
  }

  #takePiece(piece, events) {
    const offset = this.#offset;
    const length = this.#overlong + piece.length;
    this.#offset += length + 1;
    this.#overlong = 0;
    if (length > ENCODED_FRAME_LIMIT) {
      events.push({ kind: "corrupt", offset, length, reason: "too long" });
    } else if (length) {
      this.#decode(piece, offset, events);
    }
  }

  #decode(piece, offset, events) {
    const corrupt = (reason) => {
      events.push({ kind: "corrupt", offset, length: piece.length, reason });
    };
    const checked = cobsDecode(piece);
    if (!checked) return corrupt("not COBS");
    if (checked.length <= CRC_BYTES) return corrupt("too short");
    const payload = checked.subarray(0, -CRC_BYTES);
    if (crc32(payload) !== viewOf(checked).getUint32(payload.length, true)) return corrupt("CRC");
    const id = payload[0];
    const message = BY_ID.get(id);
    if (!message) {
      events.push({ kind: "unknown", id, offset, body: payload.slice(1) });
      return undefined;
    }
    const fields = decodePayload(payload);
    if (!fields) return corrupt("wrong length");
    const gap = this.#tracker.follow(message.name, id, fields, offset);
    if (gap) events.push(gap);
    events.push({ kind: "message", name: message.name, id, offset, fields });
    return undefined;
  }
}
