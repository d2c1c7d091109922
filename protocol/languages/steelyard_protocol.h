/*
 * Steelyard wire protocol for C99 and C++.
 * GENERATED from messages.py by tools/generate.py: do not edit.
 *
 * Nothing is allocated and nothing is global. Feed a decoder byte by byte, from a
 * port or a recording alike:
 *
 *     struct steelyard_decoder decoder = {0};
 *     struct steelyard_arrival arrival;
 *     while (next_byte(&byte))
 *         if (steelyard_feed(&decoder, byte, &arrival) == STEELYARD_MESSAGE)
 *             use(&arrival.message);
 *
 * Any bytes whatever give events. Meanings, units and ranges: MESSAGES.md.
 */
#ifndef STEELYARD_PROTOCOL_H
#define STEELYARD_PROTOCOL_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#define STEELYARD_PROTOCOL_MAJOR 1
#define STEELYARD_PROTOCOL_MINOR 2
#define STEELYARD_LAYOUT_HASH_BYTES {0x30, 0x71, 0xA3, 0xC9, 0x71, 0x78, 0xFE, 0x39}
#define STEELYARD_SLOT_BYTES 32
#define STEELYARD_CRC_BYTES 4
#define STEELYARD_ENCODED_FRAME_LIMIT 255
#define STEELYARD_FRAME_LIMIT 256
#define STEELYARD_TICKS_PERIOD_US 0x40000000u
#define STEELYARD_SEQUENCE_PERIOD 0x40000000u
#define STEELYARD_NO_COUNTS INT32_MIN
#define STEELYARD_NO_CHANNEL 255
#define STEELYARD_CHANNEL_LIMIT 8

enum {
    STEELYARD_ID_IDENTITY = 0x01,
    STEELYARD_ID_CHANNEL_DESCRIPTION = 0x02,
    STEELYARD_ID_LOAD_SAMPLE = 0x03,
    STEELYARD_ID_ANGLE_SAMPLE = 0x04,
    STEELYARD_ID_STATUS = 0x05,
    STEELYARD_ID_EVENT = 0x06,
    STEELYARD_ID_REPLY = 0x07,
    STEELYARD_ID_CLOCK_READING = 0x08,
    STEELYARD_ID_SETTING = 0x09,
    STEELYARD_ID_SELF_TEST_RESULT = 0x0A,
    STEELYARD_ID_STORED_DOCUMENT = 0x0B,
    STEELYARD_ID_DOCUMENT_PART = 0x0C,
    STEELYARD_ID_FLAG_TOTALS = 0x0D,
    STEELYARD_ID_IDENTIFY = 0x40,
    STEELYARD_ID_START_STREAM = 0x41,
    STEELYARD_ID_STOP_STREAM = 0x42,
    STEELYARD_ID_READ_CLOCK = 0x43,
    STEELYARD_ID_READ_SETTING = 0x44,
    STEELYARD_ID_WRITE_SETTING = 0x45,
    STEELYARD_ID_RUN_SELF_TEST = 0x46,
    STEELYARD_ID_DESCRIBE_DOCUMENT = 0x47,
    STEELYARD_ID_READ_DOCUMENT = 0x48,
    STEELYARD_ID_WRITE_DOCUMENT = 0x49,
    STEELYARD_ID_ERASE_DOCUMENT = 0x4A,
    STEELYARD_ID_READ_FLAG_TOTALS = 0x4B,
    STEELYARD_ID_RECORDING_HEADER = 0x80,
    STEELYARD_ID_RECORDING_DOCUMENT = 0x81,
    STEELYARD_ID_TIME_MARK = 0x82,
    STEELYARD_ID_ANNOTATION = 0x83,
    STEELYARD_ID_LINK_CHANGE = 0x84,
};

/* values of fields of ChannelKind */
enum {
    STEELYARD_CHANNEL_KIND_LOAD = 1,
    STEELYARD_CHANNEL_KIND_ARM_ANGLE = 2,
    STEELYARD_CHANNEL_KIND_ROLLER_ANGLE = 3,
};

/* values of fields of SensorKind */
enum {
    STEELYARD_SENSOR_KIND_HX711 = 1,
    STEELYARD_SENSOR_KIND_AS5600 = 2,
    STEELYARD_SENSOR_KIND_POTENTIOMETER = 3,
    STEELYARD_SENSOR_KIND_QUADRATURE = 4,
};

/* bits of fields of SampleFlags */
enum {
    STEELYARD_SAMPLE_FLAGS_SATURATED_HIGH = 0x0001,
    STEELYARD_SAMPLE_FLAGS_SATURATED_LOW = 0x0002,
    STEELYARD_SAMPLE_FLAGS_NO_CONVERSION = 0x0004,
    STEELYARD_SAMPLE_FLAGS_DESYNC = 0x0008,
    STEELYARD_SAMPLE_FLAGS_SETTLING = 0x0010,
    STEELYARD_SAMPLE_FLAGS_SUSPECT = 0x0020,
    STEELYARD_SAMPLE_FLAGS_LATE_READ = 0x0040,
    STEELYARD_SAMPLE_FLAGS_ANGLE_STALE = 0x0080,
    STEELYARD_SAMPLE_FLAGS_BUS_ERROR = 0x0100,
    STEELYARD_SAMPLE_FLAGS_MAGNET_MISSING = 0x0200,
    STEELYARD_SAMPLE_FLAGS_MAGNET_WEAK = 0x0400,
    STEELYARD_SAMPLE_FLAGS_MAGNET_STRONG = 0x0800,
    STEELYARD_SAMPLE_FLAGS_OPEN_CIRCUIT = 0x1000,
    STEELYARD_SAMPLE_FLAGS_OVERLOAD = 0x2000,
    STEELYARD_SAMPLE_FLAGS_BUTTON_HELD = 0x4000,
    STEELYARD_SAMPLE_FLAGS_LINE_HELD = 0x8000,
};

/* values of fields of ResetCause */
enum {
    STEELYARD_RESET_CAUSE_UNKNOWN = 0,
    STEELYARD_RESET_CAUSE_POWER_ON = 1,
    STEELYARD_RESET_CAUSE_WATCHDOG = 2,
    STEELYARD_RESET_CAUSE_SOFT = 3,
};

/* values of fields of EventKind */
enum {
    STEELYARD_EVENT_KIND_BUTTON_PRESSED = 1,
    STEELYARD_EVENT_KIND_BUTTON_RELEASED = 2,
    STEELYARD_EVENT_KIND_FAULT_RAISED = 3,
    STEELYARD_EVENT_KIND_FAULT_CLEARED = 4,
    STEELYARD_EVENT_KIND_OVERLOAD_RAISED = 5,
    STEELYARD_EVENT_KIND_OVERLOAD_CLEARED = 6,
    STEELYARD_EVENT_KIND_STREAM_STARTED = 7,
    STEELYARD_EVENT_KIND_STREAM_STOPPED = 8,
};

/* values of fields of Outcome */
enum {
    STEELYARD_OUTCOME_DONE = 0,
    STEELYARD_OUTCOME_UNKNOWN_REQUEST = 1,
    STEELYARD_OUTCOME_BAD_ARGUMENT = 2,
    STEELYARD_OUTCOME_REFUSED_WHILE_STREAMING = 3,
    STEELYARD_OUTCOME_STORAGE_FAILED = 4,
    STEELYARD_OUTCOME_NOT_AVAILABLE = 5,
};

/* values of fields of SettingKey */
enum {
    STEELYARD_SETTING_KEY_BOX_NAME = 1,
    STEELYARD_SETTING_KEY_SENSOR_SERIAL = 2,
    STEELYARD_SETTING_KEY_ANGLE_RATE_MILLIHERTZ = 3,
    STEELYARD_SETTING_KEY_STATUS_PERIOD_MS = 4,
    STEELYARD_SETTING_KEY_OVERLOAD_COUNTS = 5,
    STEELYARD_SETTING_KEY_LOAD_GAIN = 6,
    STEELYARD_SETTING_KEY_DAMAGED_TOTAL = 7,
};

/* bits of fields of SelfTestFindings */
enum {
    STEELYARD_SELF_TEST_FINDINGS_NO_CONVERSION = 0x0001,
    STEELYARD_SELF_TEST_FINDINGS_DESYNC = 0x0002,
    STEELYARD_SELF_TEST_FINDINGS_SATURATED = 0x0004,
    STEELYARD_SELF_TEST_FINDINGS_STUCK = 0x0008,
    STEELYARD_SELF_TEST_FINDINGS_WRONG_RATE = 0x0010,
    STEELYARD_SELF_TEST_FINDINGS_NOISY = 0x0020,
    STEELYARD_SELF_TEST_FINDINGS_BUS_ERROR = 0x0040,
    STEELYARD_SELF_TEST_FINDINGS_MAGNET_FAULT = 0x0080,
    STEELYARD_SELF_TEST_FINDINGS_OPEN_CIRCUIT = 0x0100,
    STEELYARD_SELF_TEST_FINDINGS_LINE_HELD = 0x0200,
};

/* values of fields of DocumentKind */
enum {
    STEELYARD_DOCUMENT_KIND_CALIBRATION = 1,
    STEELYARD_DOCUMENT_KIND_MACHINE = 2,
    STEELYARD_DOCUMENT_KIND_CLIENT = 3,
    STEELYARD_DOCUMENT_KIND_NOTE = 4,
    STEELYARD_DOCUMENT_KIND_SESSION = 5,
};

/* values of fields of AnnotationSource */
enum {
    STEELYARD_ANNOTATION_SOURCE_OPERATOR = 1,
    STEELYARD_ANNOTATION_SOURCE_SOFTWARE = 2,
};

/* values of fields of LinkState */
enum {
    STEELYARD_LINK_STATE_OPENED = 1,
    STEELYARD_LINK_STATE_LOST = 2,
    STEELYARD_LINK_STATE_CLOSED = 3,
};

struct steelyard_identity {
    uint16_t correlation_id;
    uint8_t protocol_major;
    uint8_t protocol_minor;
    uint8_t firmware_version[3];
    uint8_t layout_hash[8];
    uint8_t box_id[8];
    uint32_t boot_id;
    uint32_t ticks_period_us; /* us */
    uint8_t channel_count;
    uint16_t queue_slots;
    uint8_t board[16];
    uint8_t box_name[16];
};

struct steelyard_channel_description {
    uint16_t correlation_id;
    uint32_t boot_id;
    uint8_t channel;
    uint8_t kind;
    uint8_t sensor;
    uint16_t gain;
    uint32_t nominal_rate_millihertz; /* mHz */
    int32_t counts_low; /* counts */
    int32_t counts_high; /* counts */
    uint32_t counts_per_turn; /* counts */
    uint8_t angle_channel;
    uint8_t sensor_serial[16];
};

struct steelyard_load_sample {
    uint8_t channel;
    uint16_t flags;
    uint32_t boot_id;
    uint32_t sequence;
    uint32_t device_ticks_us; /* us */
    int32_t load_counts; /* counts */
    int32_t angle_counts; /* counts */
    uint16_t angle_age_us; /* us */
};

struct steelyard_angle_sample {
    uint8_t channel;
    uint16_t flags;
    uint32_t boot_id;
    uint32_t sequence;
    uint32_t device_ticks_us; /* us */
    int32_t angle_counts; /* counts */
    uint8_t sensor_status;
    uint8_t sensor_gain;
    uint32_t invalid_transitions_total;
};

struct steelyard_status {
    uint32_t boot_id;
    uint32_t device_ticks_us; /* us */
    uint32_t uptime_ms; /* ms */
    uint8_t streaming;
    uint8_t reset_cause;
    uint16_t queue_high_water;
    uint32_t conversions_total[8];
    uint32_t dropped_total[8];
    uint32_t frames_sent_total;
    uint32_t link_stalls_total;
    uint32_t no_conversion_total;
    uint32_t desync_total;
    uint32_t saturated_total;
    uint32_t discarded_total;
    uint32_t late_read_total;
    uint32_t bus_error_total;
    uint32_t requests_total;
    uint32_t garbage_bytes_total;
    int16_t temperature_centicelsius; /* 0.01 C */
    uint32_t heap_free_bytes; /* bytes */
};

struct steelyard_event {
    uint32_t boot_id;
    uint32_t sequence;
    uint32_t device_ticks_us; /* us */
    uint8_t kind;
    uint8_t channel;
    uint16_t flags;
};

struct steelyard_reply {
    uint16_t correlation_id;
    uint32_t boot_id;
    uint8_t request_id;
    uint8_t outcome;
    int32_t detail;
};

struct steelyard_clock_reading {
    uint16_t correlation_id;
    uint32_t boot_id;
    uint32_t received_ticks_us; /* us */
    uint32_t sent_ticks_us; /* us */
};

struct steelyard_setting {
    uint16_t correlation_id;
    uint32_t boot_id;
    uint8_t key;
    uint8_t channel;
    int32_t number;
    uint8_t text[16];
};

struct steelyard_self_test_result {
    uint16_t correlation_id;
    uint32_t boot_id;
    uint8_t channel;
    uint16_t findings;
    uint16_t sample_count;
    int32_t counts_minimum; /* counts */
    int32_t counts_maximum; /* counts */
    int32_t counts_mean; /* counts */
    uint32_t measured_rate_millihertz; /* mHz */
};

struct steelyard_stored_document {
    uint16_t correlation_id;
    uint32_t boot_id;
    uint8_t channel;
    uint8_t kind;
    uint32_t length; /* bytes */
    uint32_t crc32;
    uint32_t length_limit; /* bytes */
};

struct steelyard_document_part {
    uint16_t correlation_id;
    uint32_t boot_id;
    uint8_t channel;
    uint16_t part;
    uint8_t length; /* bytes */
    uint8_t text[192];
};

struct steelyard_flag_totals {
    uint16_t correlation_id;
    uint32_t boot_id;
    uint8_t channel;
    uint32_t samples_total[16];
};

struct steelyard_identify {
    uint16_t correlation_id;
};

struct steelyard_start_stream {
    uint16_t correlation_id;
};

struct steelyard_stop_stream {
    uint16_t correlation_id;
};

struct steelyard_read_clock {
    uint16_t correlation_id;
};

struct steelyard_read_setting {
    uint16_t correlation_id;
    uint8_t key;
    uint8_t channel;
};

struct steelyard_write_setting {
    uint16_t correlation_id;
    uint8_t key;
    uint8_t channel;
    int32_t number;
    uint8_t text[16];
};

struct steelyard_run_self_test {
    uint16_t correlation_id;
};

struct steelyard_describe_document {
    uint16_t correlation_id;
    uint8_t channel;
};

struct steelyard_read_document {
    uint16_t correlation_id;
    uint8_t channel;
    uint16_t part;
};

struct steelyard_write_document {
    uint16_t correlation_id;
    uint8_t channel;
    uint8_t kind;
    uint32_t length; /* bytes */
    uint32_t crc32;
    uint16_t part;
    uint8_t text[192];
};

struct steelyard_erase_document {
    uint16_t correlation_id;
    uint8_t channel;
};

struct steelyard_read_flag_totals {
    uint16_t correlation_id;
    uint8_t channel;
};

struct steelyard_recording_header {
    uint8_t format_major;
    uint8_t format_minor;
    uint8_t protocol_major;
    uint8_t protocol_minor;
    uint8_t layout_hash[8];
    uint8_t recording_id[16];
    uint64_t host_unix_ns; /* ns */
    uint64_t host_monotonic_ns; /* ns */
    uint8_t software[16];
    uint8_t machine[16];
    uint8_t client_code[16];
};

struct steelyard_recording_document {
    uint8_t kind;
    uint8_t document;
    uint16_t part;
    uint16_t part_count;
    uint8_t length; /* bytes */
    uint8_t text[192];
};

struct steelyard_time_mark {
    uint32_t boot_id;
    uint32_t device_ticks_us; /* us */
    uint64_t host_monotonic_ns; /* ns */
    uint64_t host_unix_ns; /* ns */
    uint32_t round_trip_us; /* us */
};

struct steelyard_annotation {
    uint64_t host_monotonic_ns; /* ns */
    uint64_t host_unix_ns; /* ns */
    uint8_t source;
    uint8_t length; /* bytes */
    uint8_t text[160];
};

struct steelyard_link_change {
    uint64_t host_monotonic_ns; /* ns */
    uint64_t host_unix_ns; /* ns */
    uint8_t state;
    uint32_t openings_total;
};

/* Any message; message_id says which member of the union holds it. */
struct steelyard_message {
    uint8_t message_id;
    union {
        struct steelyard_identity identity;
        struct steelyard_channel_description channel_description;
        struct steelyard_load_sample load_sample;
        struct steelyard_angle_sample angle_sample;
        struct steelyard_status status;
        struct steelyard_event event;
        struct steelyard_reply reply;
        struct steelyard_clock_reading clock_reading;
        struct steelyard_setting setting;
        struct steelyard_self_test_result self_test_result;
        struct steelyard_stored_document stored_document;
        struct steelyard_document_part document_part;
        struct steelyard_flag_totals flag_totals;
        struct steelyard_identify identify;
        struct steelyard_start_stream start_stream;
        struct steelyard_stop_stream stop_stream;
        struct steelyard_read_clock read_clock;
        struct steelyard_read_setting read_setting;
        struct steelyard_write_setting write_setting;
        struct steelyard_run_self_test run_self_test;
        struct steelyard_describe_document describe_document;
        struct steelyard_read_document read_document;
        struct steelyard_write_document write_document;
        struct steelyard_erase_document erase_document;
        struct steelyard_read_flag_totals read_flag_totals;
        struct steelyard_recording_header recording_header;
        struct steelyard_recording_document recording_document;
        struct steelyard_time_mark time_mark;
        struct steelyard_annotation annotation;
        struct steelyard_link_change link_change;
    } body;
};

/* ---- bytes ---- */

static inline uint8_t steelyard_read_u8(const uint8_t *at) { return at[0]; }

static inline uint16_t steelyard_read_u16(const uint8_t *at)
{
    return (uint16_t)(at[0] | (uint16_t)at[1] << 8);
}

static inline uint32_t steelyard_read_u32(const uint8_t *at)
{
    return steelyard_read_u16(at) | (uint32_t)steelyard_read_u16(at + 2) << 16;
}

static inline uint64_t steelyard_read_u64(const uint8_t *at)
{
    return steelyard_read_u32(at) | (uint64_t)steelyard_read_u32(at + 4) << 32;
}

static inline void steelyard_write_u8(uint8_t *at, uint8_t value) { at[0] = value; }

static inline void steelyard_write_u16(uint8_t *at, uint16_t value)
{
    at[0] = (uint8_t)value;
    at[1] = (uint8_t)(value >> 8);
}

static inline void steelyard_write_u32(uint8_t *at, uint32_t value)
{
    steelyard_write_u16(at, (uint16_t)value);
    steelyard_write_u16(at + 2, (uint16_t)(value >> 16));
}

static inline void steelyard_write_u64(uint8_t *at, uint64_t value)
{
    steelyard_write_u32(at, (uint32_t)value);
    steelyard_write_u32(at + 4, (uint32_t)(value >> 32));
}

/* CRC-32 as in ISO-HDLC, zlib and Ethernet. */
static inline uint32_t steelyard_crc32(const uint8_t *data, size_t length)
{
    uint32_t crc = 0xFFFFFFFFu;
    for (size_t i = 0; i < length; i++) {
        crc ^= data[i];
        for (int bit = 0; bit < 8; bit++)
            crc = (crc >> 1) ^ (0xEDB88320u & (0u - (crc & 1u)));
    }
    return ~crc;
}

/* Undo COBS; returns the decoded length, or SIZE_MAX for what is no COBS. */
static inline size_t steelyard_cobs_decode(
    const uint8_t *encoded, size_t length, uint8_t *decoded)
{
    size_t at = 0, count = 0;
    if (length == 0) return SIZE_MAX;
    while (at < length) {
        const uint8_t code = encoded[at];
        if (code == 0 || at + code > length) return SIZE_MAX;
        for (size_t i = 1; i < code; i++) {
            if (encoded[at + i] == 0) return SIZE_MAX;
            decoded[count++] = encoded[at + i];
        }
        at += code;
        if (code != 0xFF && at < length) decoded[count++] = 0;
    }
    return count;
}

/*
 * Frame an id + body: CRC, COBS, delimiter, padding to whole slots.
 * frame takes STEELYARD_FRAME_LIMIT bytes; returns the length, 0 for a payload
 * of 0 or more than 250 bytes.
 */
static inline size_t steelyard_frame(const uint8_t *payload, size_t length, uint8_t *frame)
{
    size_t code_at = 0, count = 1;
    if (length == 0 || length + STEELYARD_CRC_BYTES > 254) return 0;
    const uint32_t crc = steelyard_crc32(payload, length);
    for (size_t i = 0; i < length + STEELYARD_CRC_BYTES; i++) {
        const uint8_t byte =
            i < length ? payload[i] : (uint8_t)(crc >> (8 * (i - length)));
        if (byte != 0) {
            frame[count++] = byte;
        } else {
            frame[code_at] = (uint8_t)(count - code_at);
            code_at = count++;
        }
    }
    frame[code_at] = (uint8_t)(count - code_at);
    do frame[count++] = 0;
    while (count % STEELYARD_SLOT_BYTES != 0);
    return count;
}

/* Bytes of id + body of a message; 0 for an id that this version does not know. */
static inline size_t steelyard_size(uint8_t message_id)
{
    switch (message_id) {
    case 0x01: return 67;
    case 0x02: return 45;
    case 0x03: return 26;
    case 0x04: return 26;
    case 0x05: return 127;
    case 0x06: return 17;
    case 0x07: return 13;
    case 0x08: return 15;
    case 0x09: return 29;
    case 0x0A: return 28;
    case 0x0B: return 21;
    case 0x0C: return 203;
    case 0x0D: return 72;
    case 0x40: return 3;
    case 0x41: return 3;
    case 0x42: return 3;
    case 0x43: return 3;
    case 0x44: return 5;
    case 0x45: return 25;
    case 0x46: return 3;
    case 0x47: return 4;
    case 0x48: return 6;
    case 0x49: return 207;
    case 0x4A: return 4;
    case 0x4B: return 4;
    case 0x80: return 93;
    case 0x81: return 200;
    case 0x82: return 29;
    case 0x83: return 179;
    case 0x84: return 22;
    default: return 0;
    }
}

static inline const char *steelyard_name(uint8_t message_id)
{
    switch (message_id) {
    case 0x01: return "identity";
    case 0x02: return "channel_description";
    case 0x03: return "load_sample";
    case 0x04: return "angle_sample";
    case 0x05: return "status";
    case 0x06: return "event";
    case 0x07: return "reply";
    case 0x08: return "clock_reading";
    case 0x09: return "setting";
    case 0x0A: return "self_test_result";
    case 0x0B: return "stored_document";
    case 0x0C: return "document_part";
    case 0x0D: return "flag_totals";
    case 0x40: return "identify";
    case 0x41: return "start_stream";
    case 0x42: return "stop_stream";
    case 0x43: return "read_clock";
    case 0x44: return "read_setting";
    case 0x45: return "write_setting";
    case 0x46: return "run_self_test";
    case 0x47: return "describe_document";
    case 0x48: return "read_document";
    case 0x49: return "write_document";
    case 0x4A: return "erase_document";
    case 0x4B: return "read_flag_totals";
    case 0x80: return "recording_header";
    case 0x81: return "recording_document";
    case 0x82: return "time_mark";
    case 0x83: return "annotation";
    case 0x84: return "link_change";
    default: return "unknown";
    }
}

static inline void steelyard_unpack_identity(
    const uint8_t *payload, struct steelyard_identity *out)
{
    out->correlation_id = (uint16_t)steelyard_read_u16(payload + 1);
    out->protocol_major = (uint8_t)steelyard_read_u8(payload + 3);
    out->protocol_minor = (uint8_t)steelyard_read_u8(payload + 4);
    for (size_t i = 0; i < 3; i++)
        out->firmware_version[i] = (uint8_t)steelyard_read_u8(payload + 5 + 1 * i);
    memcpy(out->layout_hash, payload + 8, 8);
    memcpy(out->box_id, payload + 16, 8);
    out->boot_id = (uint32_t)steelyard_read_u32(payload + 24);
    out->ticks_period_us = (uint32_t)steelyard_read_u32(payload + 28);
    out->channel_count = (uint8_t)steelyard_read_u8(payload + 32);
    out->queue_slots = (uint16_t)steelyard_read_u16(payload + 33);
    memcpy(out->board, payload + 35, 16);
    memcpy(out->box_name, payload + 51, 16);
}

static inline void steelyard_unpack_channel_description(
    const uint8_t *payload, struct steelyard_channel_description *out)
{
    out->correlation_id = (uint16_t)steelyard_read_u16(payload + 1);
    out->boot_id = (uint32_t)steelyard_read_u32(payload + 3);
    out->channel = (uint8_t)steelyard_read_u8(payload + 7);
    out->kind = (uint8_t)steelyard_read_u8(payload + 8);
    out->sensor = (uint8_t)steelyard_read_u8(payload + 9);
    out->gain = (uint16_t)steelyard_read_u16(payload + 10);
    out->nominal_rate_millihertz = (uint32_t)steelyard_read_u32(payload + 12);
    out->counts_low = (int32_t)steelyard_read_u32(payload + 16);
    out->counts_high = (int32_t)steelyard_read_u32(payload + 20);
    out->counts_per_turn = (uint32_t)steelyard_read_u32(payload + 24);
    out->angle_channel = (uint8_t)steelyard_read_u8(payload + 28);
    memcpy(out->sensor_serial, payload + 29, 16);
}

static inline void steelyard_unpack_load_sample(
    const uint8_t *payload, struct steelyard_load_sample *out)
{
    out->channel = (uint8_t)steelyard_read_u8(payload + 1);
    out->flags = (uint16_t)steelyard_read_u16(payload + 2);
    out->boot_id = (uint32_t)steelyard_read_u32(payload + 4);
    out->sequence = (uint32_t)steelyard_read_u32(payload + 8);
    out->device_ticks_us = (uint32_t)steelyard_read_u32(payload + 12);
    out->load_counts = (int32_t)steelyard_read_u32(payload + 16);
    out->angle_counts = (int32_t)steelyard_read_u32(payload + 20);
    out->angle_age_us = (uint16_t)steelyard_read_u16(payload + 24);
}

static inline void steelyard_unpack_angle_sample(
    const uint8_t *payload, struct steelyard_angle_sample *out)
{
    out->channel = (uint8_t)steelyard_read_u8(payload + 1);
    out->flags = (uint16_t)steelyard_read_u16(payload + 2);
    out->boot_id = (uint32_t)steelyard_read_u32(payload + 4);
    out->sequence = (uint32_t)steelyard_read_u32(payload + 8);
    out->device_ticks_us = (uint32_t)steelyard_read_u32(payload + 12);
    out->angle_counts = (int32_t)steelyard_read_u32(payload + 16);
    out->sensor_status = (uint8_t)steelyard_read_u8(payload + 20);
    out->sensor_gain = (uint8_t)steelyard_read_u8(payload + 21);
    out->invalid_transitions_total = (uint32_t)steelyard_read_u32(payload + 22);
}

static inline void steelyard_unpack_status(
    const uint8_t *payload, struct steelyard_status *out)
{
    out->boot_id = (uint32_t)steelyard_read_u32(payload + 1);
    out->device_ticks_us = (uint32_t)steelyard_read_u32(payload + 5);
    out->uptime_ms = (uint32_t)steelyard_read_u32(payload + 9);
    out->streaming = (uint8_t)steelyard_read_u8(payload + 13);
    out->reset_cause = (uint8_t)steelyard_read_u8(payload + 14);
    out->queue_high_water = (uint16_t)steelyard_read_u16(payload + 15);
    for (size_t i = 0; i < 8; i++)
        out->conversions_total[i] = (uint32_t)steelyard_read_u32(payload + 17 + 4 * i);
    for (size_t i = 0; i < 8; i++)
        out->dropped_total[i] = (uint32_t)steelyard_read_u32(payload + 49 + 4 * i);
    out->frames_sent_total = (uint32_t)steelyard_read_u32(payload + 81);
    out->link_stalls_total = (uint32_t)steelyard_read_u32(payload + 85);
    out->no_conversion_total = (uint32_t)steelyard_read_u32(payload + 89);
    out->desync_total = (uint32_t)steelyard_read_u32(payload + 93);
    out->saturated_total = (uint32_t)steelyard_read_u32(payload + 97);
    out->discarded_total = (uint32_t)steelyard_read_u32(payload + 101);
    out->late_read_total = (uint32_t)steelyard_read_u32(payload + 105);
    out->bus_error_total = (uint32_t)steelyard_read_u32(payload + 109);
    out->requests_total = (uint32_t)steelyard_read_u32(payload + 113);
    out->garbage_bytes_total = (uint32_t)steelyard_read_u32(payload + 117);
    out->temperature_centicelsius = (int16_t)steelyard_read_u16(payload + 121);
    out->heap_free_bytes = (uint32_t)steelyard_read_u32(payload + 123);
}

static inline void steelyard_unpack_event(
    const uint8_t *payload, struct steelyard_event *out)
{
    out->boot_id = (uint32_t)steelyard_read_u32(payload + 1);
    out->sequence = (uint32_t)steelyard_read_u32(payload + 5);
    out->device_ticks_us = (uint32_t)steelyard_read_u32(payload + 9);
    out->kind = (uint8_t)steelyard_read_u8(payload + 13);
    out->channel = (uint8_t)steelyard_read_u8(payload + 14);
    out->flags = (uint16_t)steelyard_read_u16(payload + 15);
}

static inline void steelyard_unpack_reply(
    const uint8_t *payload, struct steelyard_reply *out)
{
    out->correlation_id = (uint16_t)steelyard_read_u16(payload + 1);
    out->boot_id = (uint32_t)steelyard_read_u32(payload + 3);
    out->request_id = (uint8_t)steelyard_read_u8(payload + 7);
    out->outcome = (uint8_t)steelyard_read_u8(payload + 8);
    out->detail = (int32_t)steelyard_read_u32(payload + 9);
}

static inline void steelyard_unpack_clock_reading(
    const uint8_t *payload, struct steelyard_clock_reading *out)
{
    out->correlation_id = (uint16_t)steelyard_read_u16(payload + 1);
    out->boot_id = (uint32_t)steelyard_read_u32(payload + 3);
    out->received_ticks_us = (uint32_t)steelyard_read_u32(payload + 7);
    out->sent_ticks_us = (uint32_t)steelyard_read_u32(payload + 11);
}

static inline void steelyard_unpack_setting(
    const uint8_t *payload, struct steelyard_setting *out)
{
    out->correlation_id = (uint16_t)steelyard_read_u16(payload + 1);
    out->boot_id = (uint32_t)steelyard_read_u32(payload + 3);
    out->key = (uint8_t)steelyard_read_u8(payload + 7);
    out->channel = (uint8_t)steelyard_read_u8(payload + 8);
    out->number = (int32_t)steelyard_read_u32(payload + 9);
    memcpy(out->text, payload + 13, 16);
}

static inline void steelyard_unpack_self_test_result(
    const uint8_t *payload, struct steelyard_self_test_result *out)
{
    out->correlation_id = (uint16_t)steelyard_read_u16(payload + 1);
    out->boot_id = (uint32_t)steelyard_read_u32(payload + 3);
    out->channel = (uint8_t)steelyard_read_u8(payload + 7);
    out->findings = (uint16_t)steelyard_read_u16(payload + 8);
    out->sample_count = (uint16_t)steelyard_read_u16(payload + 10);
    out->counts_minimum = (int32_t)steelyard_read_u32(payload + 12);
    out->counts_maximum = (int32_t)steelyard_read_u32(payload + 16);
    out->counts_mean = (int32_t)steelyard_read_u32(payload + 20);
    out->measured_rate_millihertz = (uint32_t)steelyard_read_u32(payload + 24);
}

static inline void steelyard_unpack_stored_document(
    const uint8_t *payload, struct steelyard_stored_document *out)
{
    out->correlation_id = (uint16_t)steelyard_read_u16(payload + 1);
    out->boot_id = (uint32_t)steelyard_read_u32(payload + 3);
    out->channel = (uint8_t)steelyard_read_u8(payload + 7);
    out->kind = (uint8_t)steelyard_read_u8(payload + 8);
    out->length = (uint32_t)steelyard_read_u32(payload + 9);
    out->crc32 = (uint32_t)steelyard_read_u32(payload + 13);
    out->length_limit = (uint32_t)steelyard_read_u32(payload + 17);
}

static inline void steelyard_unpack_document_part(
    const uint8_t *payload, struct steelyard_document_part *out)
{
    out->correlation_id = (uint16_t)steelyard_read_u16(payload + 1);
    out->boot_id = (uint32_t)steelyard_read_u32(payload + 3);
    out->channel = (uint8_t)steelyard_read_u8(payload + 7);
    out->part = (uint16_t)steelyard_read_u16(payload + 8);
    out->length = (uint8_t)steelyard_read_u8(payload + 10);
    memcpy(out->text, payload + 11, 192);
}

static inline void steelyard_unpack_flag_totals(
    const uint8_t *payload, struct steelyard_flag_totals *out)
{
    out->correlation_id = (uint16_t)steelyard_read_u16(payload + 1);
    out->boot_id = (uint32_t)steelyard_read_u32(payload + 3);
    out->channel = (uint8_t)steelyard_read_u8(payload + 7);
    for (size_t i = 0; i < 16; i++)
        out->samples_total[i] = (uint32_t)steelyard_read_u32(payload + 8 + 4 * i);
}

static inline void steelyard_unpack_identify(
    const uint8_t *payload, struct steelyard_identify *out)
{
    out->correlation_id = (uint16_t)steelyard_read_u16(payload + 1);
}

static inline void steelyard_unpack_start_stream(
    const uint8_t *payload, struct steelyard_start_stream *out)
{
    out->correlation_id = (uint16_t)steelyard_read_u16(payload + 1);
}

static inline void steelyard_unpack_stop_stream(
    const uint8_t *payload, struct steelyard_stop_stream *out)
{
    out->correlation_id = (uint16_t)steelyard_read_u16(payload + 1);
}

static inline void steelyard_unpack_read_clock(
    const uint8_t *payload, struct steelyard_read_clock *out)
{
    out->correlation_id = (uint16_t)steelyard_read_u16(payload + 1);
}

static inline void steelyard_unpack_read_setting(
    const uint8_t *payload, struct steelyard_read_setting *out)
{
    out->correlation_id = (uint16_t)steelyard_read_u16(payload + 1);
    out->key = (uint8_t)steelyard_read_u8(payload + 3);
    out->channel = (uint8_t)steelyard_read_u8(payload + 4);
}

static inline void steelyard_unpack_write_setting(
    const uint8_t *payload, struct steelyard_write_setting *out)
{
    out->correlation_id = (uint16_t)steelyard_read_u16(payload + 1);
    out->key = (uint8_t)steelyard_read_u8(payload + 3);
    out->channel = (uint8_t)steelyard_read_u8(payload + 4);
    out->number = (int32_t)steelyard_read_u32(payload + 5);
    memcpy(out->text, payload + 9, 16);
}

static inline void steelyard_unpack_run_self_test(
    const uint8_t *payload, struct steelyard_run_self_test *out)
{
    out->correlation_id = (uint16_t)steelyard_read_u16(payload + 1);
}

static inline void steelyard_unpack_describe_document(
    const uint8_t *payload, struct steelyard_describe_document *out)
{
    out->correlation_id = (uint16_t)steelyard_read_u16(payload + 1);
    out->channel = (uint8_t)steelyard_read_u8(payload + 3);
}

static inline void steelyard_unpack_read_document(
    const uint8_t *payload, struct steelyard_read_document *out)
{
    out->correlation_id = (uint16_t)steelyard_read_u16(payload + 1);
    out->channel = (uint8_t)steelyard_read_u8(payload + 3);
    out->part = (uint16_t)steelyard_read_u16(payload + 4);
}

static inline void steelyard_unpack_write_document(
    const uint8_t *payload, struct steelyard_write_document *out)
{
    out->correlation_id = (uint16_t)steelyard_read_u16(payload + 1);
    out->channel = (uint8_t)steelyard_read_u8(payload + 3);
    out->kind = (uint8_t)steelyard_read_u8(payload + 4);
    out->length = (uint32_t)steelyard_read_u32(payload + 5);
    out->crc32 = (uint32_t)steelyard_read_u32(payload + 9);
    out->part = (uint16_t)steelyard_read_u16(payload + 13);
    memcpy(out->text, payload + 15, 192);
}

static inline void steelyard_unpack_erase_document(
    const uint8_t *payload, struct steelyard_erase_document *out)
{
    out->correlation_id = (uint16_t)steelyard_read_u16(payload + 1);
    out->channel = (uint8_t)steelyard_read_u8(payload + 3);
}

static inline void steelyard_unpack_read_flag_totals(
    const uint8_t *payload, struct steelyard_read_flag_totals *out)
{
    out->correlation_id = (uint16_t)steelyard_read_u16(payload + 1);
    out->channel = (uint8_t)steelyard_read_u8(payload + 3);
}

static inline void steelyard_unpack_recording_header(
    const uint8_t *payload, struct steelyard_recording_header *out)
{
    out->format_major = (uint8_t)steelyard_read_u8(payload + 1);
    out->format_minor = (uint8_t)steelyard_read_u8(payload + 2);
    out->protocol_major = (uint8_t)steelyard_read_u8(payload + 3);
    out->protocol_minor = (uint8_t)steelyard_read_u8(payload + 4);
    memcpy(out->layout_hash, payload + 5, 8);
    memcpy(out->recording_id, payload + 13, 16);
    out->host_unix_ns = (uint64_t)steelyard_read_u64(payload + 29);
    out->host_monotonic_ns = (uint64_t)steelyard_read_u64(payload + 37);
    memcpy(out->software, payload + 45, 16);
    memcpy(out->machine, payload + 61, 16);
    memcpy(out->client_code, payload + 77, 16);
}

static inline void steelyard_unpack_recording_document(
    const uint8_t *payload, struct steelyard_recording_document *out)
{
    out->kind = (uint8_t)steelyard_read_u8(payload + 1);
    out->document = (uint8_t)steelyard_read_u8(payload + 2);
    out->part = (uint16_t)steelyard_read_u16(payload + 3);
    out->part_count = (uint16_t)steelyard_read_u16(payload + 5);
    out->length = (uint8_t)steelyard_read_u8(payload + 7);
    memcpy(out->text, payload + 8, 192);
}

static inline void steelyard_unpack_time_mark(
    const uint8_t *payload, struct steelyard_time_mark *out)
{
    out->boot_id = (uint32_t)steelyard_read_u32(payload + 1);
    out->device_ticks_us = (uint32_t)steelyard_read_u32(payload + 5);
    out->host_monotonic_ns = (uint64_t)steelyard_read_u64(payload + 9);
    out->host_unix_ns = (uint64_t)steelyard_read_u64(payload + 17);
    out->round_trip_us = (uint32_t)steelyard_read_u32(payload + 25);
}

static inline void steelyard_unpack_annotation(
    const uint8_t *payload, struct steelyard_annotation *out)
{
    out->host_monotonic_ns = (uint64_t)steelyard_read_u64(payload + 1);
    out->host_unix_ns = (uint64_t)steelyard_read_u64(payload + 9);
    out->source = (uint8_t)steelyard_read_u8(payload + 17);
    out->length = (uint8_t)steelyard_read_u8(payload + 18);
    memcpy(out->text, payload + 19, 160);
}

static inline void steelyard_unpack_link_change(
    const uint8_t *payload, struct steelyard_link_change *out)
{
    out->host_monotonic_ns = (uint64_t)steelyard_read_u64(payload + 1);
    out->host_unix_ns = (uint64_t)steelyard_read_u64(payload + 9);
    out->state = (uint8_t)steelyard_read_u8(payload + 17);
    out->openings_total = (uint32_t)steelyard_read_u32(payload + 18);
}

static inline size_t steelyard_pack_identity(
    const struct steelyard_identity *in, uint8_t *payload)
{
    if (in->boot_id > 1073741823u) return 0;
    if (in->ticks_period_us < 1073741824u || in->ticks_period_us > 1073741824u) return 0;
    if (in->channel_count > 8u) return 0;
    payload[0] = 0x01;
    steelyard_write_u16(payload + 1, (uint16_t)in->correlation_id);
    steelyard_write_u8(payload + 3, (uint8_t)in->protocol_major);
    steelyard_write_u8(payload + 4, (uint8_t)in->protocol_minor);
    for (size_t i = 0; i < 3; i++)
        steelyard_write_u8(payload + 5 + 1 * i, (uint8_t)in->firmware_version[i]);
    memcpy(payload + 8, in->layout_hash, 8);
    memcpy(payload + 16, in->box_id, 8);
    steelyard_write_u32(payload + 24, (uint32_t)in->boot_id);
    steelyard_write_u32(payload + 28, (uint32_t)in->ticks_period_us);
    steelyard_write_u8(payload + 32, (uint8_t)in->channel_count);
    steelyard_write_u16(payload + 33, (uint16_t)in->queue_slots);
    memcpy(payload + 35, in->board, 16);
    memcpy(payload + 51, in->box_name, 16);
    return 67;
}

static inline size_t steelyard_pack_channel_description(
    const struct steelyard_channel_description *in, uint8_t *payload)
{
    if (in->boot_id > 1073741823u) return 0;
    if (in->channel > 7u) return 0;
    payload[0] = 0x02;
    steelyard_write_u16(payload + 1, (uint16_t)in->correlation_id);
    steelyard_write_u32(payload + 3, (uint32_t)in->boot_id);
    steelyard_write_u8(payload + 7, (uint8_t)in->channel);
    steelyard_write_u8(payload + 8, (uint8_t)in->kind);
    steelyard_write_u8(payload + 9, (uint8_t)in->sensor);
    steelyard_write_u16(payload + 10, (uint16_t)in->gain);
    steelyard_write_u32(payload + 12, (uint32_t)in->nominal_rate_millihertz);
    steelyard_write_u32(payload + 16, (uint32_t)in->counts_low);
    steelyard_write_u32(payload + 20, (uint32_t)in->counts_high);
    steelyard_write_u32(payload + 24, (uint32_t)in->counts_per_turn);
    steelyard_write_u8(payload + 28, (uint8_t)in->angle_channel);
    memcpy(payload + 29, in->sensor_serial, 16);
    return 45;
}

static inline size_t steelyard_pack_load_sample(
    const struct steelyard_load_sample *in, uint8_t *payload)
{
    if (in->channel > 7u) return 0;
    if (in->boot_id > 1073741823u) return 0;
    if (in->sequence > 1073741823u) return 0;
    if (in->device_ticks_us > 1073741823u) return 0;
    payload[0] = 0x03;
    steelyard_write_u8(payload + 1, (uint8_t)in->channel);
    steelyard_write_u16(payload + 2, (uint16_t)in->flags);
    steelyard_write_u32(payload + 4, (uint32_t)in->boot_id);
    steelyard_write_u32(payload + 8, (uint32_t)in->sequence);
    steelyard_write_u32(payload + 12, (uint32_t)in->device_ticks_us);
    steelyard_write_u32(payload + 16, (uint32_t)in->load_counts);
    steelyard_write_u32(payload + 20, (uint32_t)in->angle_counts);
    steelyard_write_u16(payload + 24, (uint16_t)in->angle_age_us);
    return 26;
}

static inline size_t steelyard_pack_angle_sample(
    const struct steelyard_angle_sample *in, uint8_t *payload)
{
    if (in->channel > 7u) return 0;
    if (in->boot_id > 1073741823u) return 0;
    if (in->sequence > 1073741823u) return 0;
    if (in->device_ticks_us > 1073741823u) return 0;
    payload[0] = 0x04;
    steelyard_write_u8(payload + 1, (uint8_t)in->channel);
    steelyard_write_u16(payload + 2, (uint16_t)in->flags);
    steelyard_write_u32(payload + 4, (uint32_t)in->boot_id);
    steelyard_write_u32(payload + 8, (uint32_t)in->sequence);
    steelyard_write_u32(payload + 12, (uint32_t)in->device_ticks_us);
    steelyard_write_u32(payload + 16, (uint32_t)in->angle_counts);
    steelyard_write_u8(payload + 20, (uint8_t)in->sensor_status);
    steelyard_write_u8(payload + 21, (uint8_t)in->sensor_gain);
    steelyard_write_u32(payload + 22, (uint32_t)in->invalid_transitions_total);
    return 26;
}

static inline size_t steelyard_pack_status(
    const struct steelyard_status *in, uint8_t *payload)
{
    if (in->boot_id > 1073741823u) return 0;
    if (in->device_ticks_us > 1073741823u) return 0;
    if (in->uptime_ms > 1073741823u) return 0;
    if (in->streaming > 1u) return 0;
    payload[0] = 0x05;
    steelyard_write_u32(payload + 1, (uint32_t)in->boot_id);
    steelyard_write_u32(payload + 5, (uint32_t)in->device_ticks_us);
    steelyard_write_u32(payload + 9, (uint32_t)in->uptime_ms);
    steelyard_write_u8(payload + 13, (uint8_t)in->streaming);
    steelyard_write_u8(payload + 14, (uint8_t)in->reset_cause);
    steelyard_write_u16(payload + 15, (uint16_t)in->queue_high_water);
    for (size_t i = 0; i < 8; i++)
        steelyard_write_u32(payload + 17 + 4 * i, (uint32_t)in->conversions_total[i]);
    for (size_t i = 0; i < 8; i++)
        steelyard_write_u32(payload + 49 + 4 * i, (uint32_t)in->dropped_total[i]);
    steelyard_write_u32(payload + 81, (uint32_t)in->frames_sent_total);
    steelyard_write_u32(payload + 85, (uint32_t)in->link_stalls_total);
    steelyard_write_u32(payload + 89, (uint32_t)in->no_conversion_total);
    steelyard_write_u32(payload + 93, (uint32_t)in->desync_total);
    steelyard_write_u32(payload + 97, (uint32_t)in->saturated_total);
    steelyard_write_u32(payload + 101, (uint32_t)in->discarded_total);
    steelyard_write_u32(payload + 105, (uint32_t)in->late_read_total);
    steelyard_write_u32(payload + 109, (uint32_t)in->bus_error_total);
    steelyard_write_u32(payload + 113, (uint32_t)in->requests_total);
    steelyard_write_u32(payload + 117, (uint32_t)in->garbage_bytes_total);
    steelyard_write_u16(payload + 121, (uint16_t)in->temperature_centicelsius);
    steelyard_write_u32(payload + 123, (uint32_t)in->heap_free_bytes);
    return 127;
}

static inline size_t steelyard_pack_event(
    const struct steelyard_event *in, uint8_t *payload)
{
    if (in->boot_id > 1073741823u) return 0;
    if (in->sequence > 1073741823u) return 0;
    if (in->device_ticks_us > 1073741823u) return 0;
    payload[0] = 0x06;
    steelyard_write_u32(payload + 1, (uint32_t)in->boot_id);
    steelyard_write_u32(payload + 5, (uint32_t)in->sequence);
    steelyard_write_u32(payload + 9, (uint32_t)in->device_ticks_us);
    steelyard_write_u8(payload + 13, (uint8_t)in->kind);
    steelyard_write_u8(payload + 14, (uint8_t)in->channel);
    steelyard_write_u16(payload + 15, (uint16_t)in->flags);
    return 17;
}

static inline size_t steelyard_pack_reply(
    const struct steelyard_reply *in, uint8_t *payload)
{
    if (in->boot_id > 1073741823u) return 0;
    payload[0] = 0x07;
    steelyard_write_u16(payload + 1, (uint16_t)in->correlation_id);
    steelyard_write_u32(payload + 3, (uint32_t)in->boot_id);
    steelyard_write_u8(payload + 7, (uint8_t)in->request_id);
    steelyard_write_u8(payload + 8, (uint8_t)in->outcome);
    steelyard_write_u32(payload + 9, (uint32_t)in->detail);
    return 13;
}

static inline size_t steelyard_pack_clock_reading(
    const struct steelyard_clock_reading *in, uint8_t *payload)
{
    if (in->boot_id > 1073741823u) return 0;
    if (in->received_ticks_us > 1073741823u) return 0;
    if (in->sent_ticks_us > 1073741823u) return 0;
    payload[0] = 0x08;
    steelyard_write_u16(payload + 1, (uint16_t)in->correlation_id);
    steelyard_write_u32(payload + 3, (uint32_t)in->boot_id);
    steelyard_write_u32(payload + 7, (uint32_t)in->received_ticks_us);
    steelyard_write_u32(payload + 11, (uint32_t)in->sent_ticks_us);
    return 15;
}

static inline size_t steelyard_pack_setting(
    const struct steelyard_setting *in, uint8_t *payload)
{
    if (in->boot_id > 1073741823u) return 0;
    payload[0] = 0x09;
    steelyard_write_u16(payload + 1, (uint16_t)in->correlation_id);
    steelyard_write_u32(payload + 3, (uint32_t)in->boot_id);
    steelyard_write_u8(payload + 7, (uint8_t)in->key);
    steelyard_write_u8(payload + 8, (uint8_t)in->channel);
    steelyard_write_u32(payload + 9, (uint32_t)in->number);
    memcpy(payload + 13, in->text, 16);
    return 29;
}

static inline size_t steelyard_pack_self_test_result(
    const struct steelyard_self_test_result *in, uint8_t *payload)
{
    if (in->boot_id > 1073741823u) return 0;
    if (in->channel > 7u) return 0;
    payload[0] = 0x0A;
    steelyard_write_u16(payload + 1, (uint16_t)in->correlation_id);
    steelyard_write_u32(payload + 3, (uint32_t)in->boot_id);
    steelyard_write_u8(payload + 7, (uint8_t)in->channel);
    steelyard_write_u16(payload + 8, (uint16_t)in->findings);
    steelyard_write_u16(payload + 10, (uint16_t)in->sample_count);
    steelyard_write_u32(payload + 12, (uint32_t)in->counts_minimum);
    steelyard_write_u32(payload + 16, (uint32_t)in->counts_maximum);
    steelyard_write_u32(payload + 20, (uint32_t)in->counts_mean);
    steelyard_write_u32(payload + 24, (uint32_t)in->measured_rate_millihertz);
    return 28;
}

static inline size_t steelyard_pack_stored_document(
    const struct steelyard_stored_document *in, uint8_t *payload)
{
    if (in->boot_id > 1073741823u) return 0;
    payload[0] = 0x0B;
    steelyard_write_u16(payload + 1, (uint16_t)in->correlation_id);
    steelyard_write_u32(payload + 3, (uint32_t)in->boot_id);
    steelyard_write_u8(payload + 7, (uint8_t)in->channel);
    steelyard_write_u8(payload + 8, (uint8_t)in->kind);
    steelyard_write_u32(payload + 9, (uint32_t)in->length);
    steelyard_write_u32(payload + 13, (uint32_t)in->crc32);
    steelyard_write_u32(payload + 17, (uint32_t)in->length_limit);
    return 21;
}

static inline size_t steelyard_pack_document_part(
    const struct steelyard_document_part *in, uint8_t *payload)
{
    if (in->boot_id > 1073741823u) return 0;
    if (in->length > 192u) return 0;
    payload[0] = 0x0C;
    steelyard_write_u16(payload + 1, (uint16_t)in->correlation_id);
    steelyard_write_u32(payload + 3, (uint32_t)in->boot_id);
    steelyard_write_u8(payload + 7, (uint8_t)in->channel);
    steelyard_write_u16(payload + 8, (uint16_t)in->part);
    steelyard_write_u8(payload + 10, (uint8_t)in->length);
    memcpy(payload + 11, in->text, 192);
    return 203;
}

static inline size_t steelyard_pack_flag_totals(
    const struct steelyard_flag_totals *in, uint8_t *payload)
{
    if (in->boot_id > 1073741823u) return 0;
    if (in->channel > 7u) return 0;
    payload[0] = 0x0D;
    steelyard_write_u16(payload + 1, (uint16_t)in->correlation_id);
    steelyard_write_u32(payload + 3, (uint32_t)in->boot_id);
    steelyard_write_u8(payload + 7, (uint8_t)in->channel);
    for (size_t i = 0; i < 16; i++)
        steelyard_write_u32(payload + 8 + 4 * i, (uint32_t)in->samples_total[i]);
    return 72;
}

static inline size_t steelyard_pack_identify(
    const struct steelyard_identify *in, uint8_t *payload)
{
    payload[0] = 0x40;
    steelyard_write_u16(payload + 1, (uint16_t)in->correlation_id);
    return 3;
}

static inline size_t steelyard_pack_start_stream(
    const struct steelyard_start_stream *in, uint8_t *payload)
{
    payload[0] = 0x41;
    steelyard_write_u16(payload + 1, (uint16_t)in->correlation_id);
    return 3;
}

static inline size_t steelyard_pack_stop_stream(
    const struct steelyard_stop_stream *in, uint8_t *payload)
{
    payload[0] = 0x42;
    steelyard_write_u16(payload + 1, (uint16_t)in->correlation_id);
    return 3;
}

static inline size_t steelyard_pack_read_clock(
    const struct steelyard_read_clock *in, uint8_t *payload)
{
    payload[0] = 0x43;
    steelyard_write_u16(payload + 1, (uint16_t)in->correlation_id);
    return 3;
}

static inline size_t steelyard_pack_read_setting(
    const struct steelyard_read_setting *in, uint8_t *payload)
{
    payload[0] = 0x44;
    steelyard_write_u16(payload + 1, (uint16_t)in->correlation_id);
    steelyard_write_u8(payload + 3, (uint8_t)in->key);
    steelyard_write_u8(payload + 4, (uint8_t)in->channel);
    return 5;
}

static inline size_t steelyard_pack_write_setting(
    const struct steelyard_write_setting *in, uint8_t *payload)
{
    payload[0] = 0x45;
    steelyard_write_u16(payload + 1, (uint16_t)in->correlation_id);
    steelyard_write_u8(payload + 3, (uint8_t)in->key);
    steelyard_write_u8(payload + 4, (uint8_t)in->channel);
    steelyard_write_u32(payload + 5, (uint32_t)in->number);
    memcpy(payload + 9, in->text, 16);
    return 25;
}

static inline size_t steelyard_pack_run_self_test(
    const struct steelyard_run_self_test *in, uint8_t *payload)
{
    payload[0] = 0x46;
    steelyard_write_u16(payload + 1, (uint16_t)in->correlation_id);
    return 3;
}

static inline size_t steelyard_pack_describe_document(
    const struct steelyard_describe_document *in, uint8_t *payload)
{
    payload[0] = 0x47;
    steelyard_write_u16(payload + 1, (uint16_t)in->correlation_id);
    steelyard_write_u8(payload + 3, (uint8_t)in->channel);
    return 4;
}

static inline size_t steelyard_pack_read_document(
    const struct steelyard_read_document *in, uint8_t *payload)
{
    payload[0] = 0x48;
    steelyard_write_u16(payload + 1, (uint16_t)in->correlation_id);
    steelyard_write_u8(payload + 3, (uint8_t)in->channel);
    steelyard_write_u16(payload + 4, (uint16_t)in->part);
    return 6;
}

static inline size_t steelyard_pack_write_document(
    const struct steelyard_write_document *in, uint8_t *payload)
{
    if (in->length < 1u) return 0;
    payload[0] = 0x49;
    steelyard_write_u16(payload + 1, (uint16_t)in->correlation_id);
    steelyard_write_u8(payload + 3, (uint8_t)in->channel);
    steelyard_write_u8(payload + 4, (uint8_t)in->kind);
    steelyard_write_u32(payload + 5, (uint32_t)in->length);
    steelyard_write_u32(payload + 9, (uint32_t)in->crc32);
    steelyard_write_u16(payload + 13, (uint16_t)in->part);
    memcpy(payload + 15, in->text, 192);
    return 207;
}

static inline size_t steelyard_pack_erase_document(
    const struct steelyard_erase_document *in, uint8_t *payload)
{
    payload[0] = 0x4A;
    steelyard_write_u16(payload + 1, (uint16_t)in->correlation_id);
    steelyard_write_u8(payload + 3, (uint8_t)in->channel);
    return 4;
}

static inline size_t steelyard_pack_read_flag_totals(
    const struct steelyard_read_flag_totals *in, uint8_t *payload)
{
    if (in->channel > 7u) return 0;
    payload[0] = 0x4B;
    steelyard_write_u16(payload + 1, (uint16_t)in->correlation_id);
    steelyard_write_u8(payload + 3, (uint8_t)in->channel);
    return 4;
}

static inline size_t steelyard_pack_recording_header(
    const struct steelyard_recording_header *in, uint8_t *payload)
{
    payload[0] = 0x80;
    steelyard_write_u8(payload + 1, (uint8_t)in->format_major);
    steelyard_write_u8(payload + 2, (uint8_t)in->format_minor);
    steelyard_write_u8(payload + 3, (uint8_t)in->protocol_major);
    steelyard_write_u8(payload + 4, (uint8_t)in->protocol_minor);
    memcpy(payload + 5, in->layout_hash, 8);
    memcpy(payload + 13, in->recording_id, 16);
    steelyard_write_u64(payload + 29, (uint64_t)in->host_unix_ns);
    steelyard_write_u64(payload + 37, (uint64_t)in->host_monotonic_ns);
    memcpy(payload + 45, in->software, 16);
    memcpy(payload + 61, in->machine, 16);
    memcpy(payload + 77, in->client_code, 16);
    return 93;
}

static inline size_t steelyard_pack_recording_document(
    const struct steelyard_recording_document *in, uint8_t *payload)
{
    if (in->part_count < 1u) return 0;
    if (in->length > 192u) return 0;
    payload[0] = 0x81;
    steelyard_write_u8(payload + 1, (uint8_t)in->kind);
    steelyard_write_u8(payload + 2, (uint8_t)in->document);
    steelyard_write_u16(payload + 3, (uint16_t)in->part);
    steelyard_write_u16(payload + 5, (uint16_t)in->part_count);
    steelyard_write_u8(payload + 7, (uint8_t)in->length);
    memcpy(payload + 8, in->text, 192);
    return 200;
}

static inline size_t steelyard_pack_time_mark(
    const struct steelyard_time_mark *in, uint8_t *payload)
{
    if (in->boot_id > 1073741823u) return 0;
    if (in->device_ticks_us > 1073741823u) return 0;
    payload[0] = 0x82;
    steelyard_write_u32(payload + 1, (uint32_t)in->boot_id);
    steelyard_write_u32(payload + 5, (uint32_t)in->device_ticks_us);
    steelyard_write_u64(payload + 9, (uint64_t)in->host_monotonic_ns);
    steelyard_write_u64(payload + 17, (uint64_t)in->host_unix_ns);
    steelyard_write_u32(payload + 25, (uint32_t)in->round_trip_us);
    return 29;
}

static inline size_t steelyard_pack_annotation(
    const struct steelyard_annotation *in, uint8_t *payload)
{
    if (in->length > 160u) return 0;
    payload[0] = 0x83;
    steelyard_write_u64(payload + 1, (uint64_t)in->host_monotonic_ns);
    steelyard_write_u64(payload + 9, (uint64_t)in->host_unix_ns);
    steelyard_write_u8(payload + 17, (uint8_t)in->source);
    steelyard_write_u8(payload + 18, (uint8_t)in->length);
    memcpy(payload + 19, in->text, 160);
    return 179;
}

static inline size_t steelyard_pack_link_change(
    const struct steelyard_link_change *in, uint8_t *payload)
{
    payload[0] = 0x84;
    steelyard_write_u64(payload + 1, (uint64_t)in->host_monotonic_ns);
    steelyard_write_u64(payload + 9, (uint64_t)in->host_unix_ns);
    steelyard_write_u8(payload + 17, (uint8_t)in->state);
    steelyard_write_u32(payload + 18, (uint32_t)in->openings_total);
    return 22;
}

/* Take a payload apart; false for an unknown id or a wrong length. */
static inline bool steelyard_unpack(
    const uint8_t *payload, size_t length, struct steelyard_message *message)
{
    if (length == 0 || steelyard_size(payload[0]) != length) return false;
    message->message_id = payload[0];
    switch (message->message_id) {
    case 0x01:
        steelyard_unpack_identity(payload, &message->body.identity); return true;
    case 0x02:
        steelyard_unpack_channel_description(payload, &message->body.channel_description); return true;
    case 0x03:
        steelyard_unpack_load_sample(payload, &message->body.load_sample); return true;
    case 0x04:
        steelyard_unpack_angle_sample(payload, &message->body.angle_sample); return true;
    case 0x05:
        steelyard_unpack_status(payload, &message->body.status); return true;
    case 0x06:
        steelyard_unpack_event(payload, &message->body.event); return true;
    case 0x07:
        steelyard_unpack_reply(payload, &message->body.reply); return true;
    case 0x08:
        steelyard_unpack_clock_reading(payload, &message->body.clock_reading); return true;
    case 0x09:
        steelyard_unpack_setting(payload, &message->body.setting); return true;
    case 0x0A:
        steelyard_unpack_self_test_result(payload, &message->body.self_test_result); return true;
    case 0x0B:
        steelyard_unpack_stored_document(payload, &message->body.stored_document); return true;
    case 0x0C:
        steelyard_unpack_document_part(payload, &message->body.document_part); return true;
    case 0x0D:
        steelyard_unpack_flag_totals(payload, &message->body.flag_totals); return true;
    case 0x40:
        steelyard_unpack_identify(payload, &message->body.identify); return true;
    case 0x41:
        steelyard_unpack_start_stream(payload, &message->body.start_stream); return true;
    case 0x42:
        steelyard_unpack_stop_stream(payload, &message->body.stop_stream); return true;
    case 0x43:
        steelyard_unpack_read_clock(payload, &message->body.read_clock); return true;
    case 0x44:
        steelyard_unpack_read_setting(payload, &message->body.read_setting); return true;
    case 0x45:
        steelyard_unpack_write_setting(payload, &message->body.write_setting); return true;
    case 0x46:
        steelyard_unpack_run_self_test(payload, &message->body.run_self_test); return true;
    case 0x47:
        steelyard_unpack_describe_document(payload, &message->body.describe_document); return true;
    case 0x48:
        steelyard_unpack_read_document(payload, &message->body.read_document); return true;
    case 0x49:
        steelyard_unpack_write_document(payload, &message->body.write_document); return true;
    case 0x4A:
        steelyard_unpack_erase_document(payload, &message->body.erase_document); return true;
    case 0x4B:
        steelyard_unpack_read_flag_totals(payload, &message->body.read_flag_totals); return true;
    case 0x80:
        steelyard_unpack_recording_header(payload, &message->body.recording_header); return true;
    case 0x81:
        steelyard_unpack_recording_document(payload, &message->body.recording_document); return true;
    case 0x82:
        steelyard_unpack_time_mark(payload, &message->body.time_mark); return true;
    case 0x83:
        steelyard_unpack_annotation(payload, &message->body.annotation); return true;
    case 0x84:
        steelyard_unpack_link_change(payload, &message->body.link_change); return true;
    default: return false;
    }
}

/* Id + body of a message; payload takes 251 bytes. 0: a value is out of its range. */
static inline size_t steelyard_pack(
    const struct steelyard_message *message, uint8_t *payload)
{
    switch (message->message_id) {
    case 0x01:
        return steelyard_pack_identity(&message->body.identity, payload);
    case 0x02:
        return steelyard_pack_channel_description(&message->body.channel_description, payload);
    case 0x03:
        return steelyard_pack_load_sample(&message->body.load_sample, payload);
    case 0x04:
        return steelyard_pack_angle_sample(&message->body.angle_sample, payload);
    case 0x05:
        return steelyard_pack_status(&message->body.status, payload);
    case 0x06:
        return steelyard_pack_event(&message->body.event, payload);
    case 0x07:
        return steelyard_pack_reply(&message->body.reply, payload);
    case 0x08:
        return steelyard_pack_clock_reading(&message->body.clock_reading, payload);
    case 0x09:
        return steelyard_pack_setting(&message->body.setting, payload);
    case 0x0A:
        return steelyard_pack_self_test_result(&message->body.self_test_result, payload);
    case 0x0B:
        return steelyard_pack_stored_document(&message->body.stored_document, payload);
    case 0x0C:
        return steelyard_pack_document_part(&message->body.document_part, payload);
    case 0x0D:
        return steelyard_pack_flag_totals(&message->body.flag_totals, payload);
    case 0x40:
        return steelyard_pack_identify(&message->body.identify, payload);
    case 0x41:
        return steelyard_pack_start_stream(&message->body.start_stream, payload);
    case 0x42:
        return steelyard_pack_stop_stream(&message->body.stop_stream, payload);
    case 0x43:
        return steelyard_pack_read_clock(&message->body.read_clock, payload);
    case 0x44:
        return steelyard_pack_read_setting(&message->body.read_setting, payload);
    case 0x45:
        return steelyard_pack_write_setting(&message->body.write_setting, payload);
    case 0x46:
        return steelyard_pack_run_self_test(&message->body.run_self_test, payload);
    case 0x47:
        return steelyard_pack_describe_document(&message->body.describe_document, payload);
    case 0x48:
        return steelyard_pack_read_document(&message->body.read_document, payload);
    case 0x49:
        return steelyard_pack_write_document(&message->body.write_document, payload);
    case 0x4A:
        return steelyard_pack_erase_document(&message->body.erase_document, payload);
    case 0x4B:
        return steelyard_pack_read_flag_totals(&message->body.read_flag_totals, payload);
    case 0x80:
        return steelyard_pack_recording_header(&message->body.recording_header, payload);
    case 0x81:
        return steelyard_pack_recording_document(&message->body.recording_document, payload);
    case 0x82:
        return steelyard_pack_time_mark(&message->body.time_mark, payload);
    case 0x83:
        return steelyard_pack_annotation(&message->body.annotation, payload);
    case 0x84:
        return steelyard_pack_link_change(&message->body.link_change, payload);
    default: return 0;
    }
}

/* ---- gaps in the numbering of samples and events ---- */

struct steelyard_gap {
    uint64_t offset; /* of the first frame after the gap */
    uint8_t message_id;
    uint8_t channel; /* 255 for events */
    uint32_t boot_id;
    uint32_t expected_sequence;
    uint32_t found_sequence;
    uint32_t missing;
};

struct steelyard_tracker {
    bool begun;
    uint32_t boot_id;
    bool known[3][256];
    uint32_t expected[3][256];
};

/* Take the next message; true when numbers are missing before it. */
static inline bool steelyard_follow(
    struct steelyard_tracker *tracker, const struct steelyard_message *message,
    uint64_t offset, struct steelyard_gap *gap)
{
    unsigned kind;
    uint8_t channel;
    uint32_t boot_id, found;
    if (message->message_id == STEELYARD_ID_LOAD_SAMPLE) {
        kind = 0;
        channel = message->body.load_sample.channel;
        boot_id = message->body.load_sample.boot_id;
        found = message->body.load_sample.sequence;
    } else if (message->message_id == STEELYARD_ID_ANGLE_SAMPLE) {
        kind = 1;
        channel = message->body.angle_sample.channel;
        boot_id = message->body.angle_sample.boot_id;
        found = message->body.angle_sample.sequence;
    } else if (message->message_id == STEELYARD_ID_EVENT) {
        kind = 2;
        channel = STEELYARD_NO_CHANNEL;
        boot_id = message->body.event.boot_id;
        found = message->body.event.sequence;
    } else {
        return false;
    }
    if (!tracker->begun || tracker->boot_id != boot_id) {
        memset(tracker, 0, sizeof *tracker);
        tracker->begun = true;
        tracker->boot_id = boot_id;
    }
    const uint32_t expected =
        tracker->known[kind][channel] ? tracker->expected[kind][channel] : found;
    const uint32_t missing = (found - expected) % STEELYARD_SEQUENCE_PERIOD;
    if (missing >= STEELYARD_SEQUENCE_PERIOD / 2)
        return false; /* behind what was expected: a repetition, nothing is missing */
    tracker->known[kind][channel] = true;
    tracker->expected[kind][channel] = (found + 1) % STEELYARD_SEQUENCE_PERIOD;
    if (missing == 0) return false;
    gap->offset = offset;
    gap->message_id = message->message_id;
    gap->channel = channel;
    gap->boot_id = boot_id;
    gap->expected_sequence = expected;
    gap->found_sequence = found;
    gap->missing = missing;
    return true;
}

/* ---- a stream of bytes ---- */

enum steelyard_result {
    STEELYARD_NOTHING, /* go on feeding */
    STEELYARD_MESSAGE, /* arrival.message */
    STEELYARD_UNKNOWN, /* a sound frame with an id of a later version: skip it */
    STEELYARD_CORRUPT  /* bytes that are no frame: arrival.length, arrival.reason */
};

struct steelyard_arrival {
    uint64_t offset; /* of the first byte that is not a delimiter */
    uint64_t length; /* of the encoded frame, without its delimiter */
    const char *reason; /* for STEELYARD_CORRUPT */
    bool has_gap; /* numbers are missing before this message: arrival.gap */
    struct steelyard_gap gap;
    uint8_t payload[STEELYARD_ENCODED_FRAME_LIMIT];
    size_t payload_length;
    struct steelyard_message message;
};

/* Begin with all zeros. */
struct steelyard_decoder {
    uint64_t position; /* bytes fed so far */
    uint64_t length; /* of the piece since the last delimiter */
    uint8_t piece[STEELYARD_ENCODED_FRAME_LIMIT];
    struct steelyard_tracker tracker;
};

static inline enum steelyard_result steelyard_corrupt(
    struct steelyard_arrival *arrival, const char *reason)
{
    arrival->reason = reason;
    return STEELYARD_CORRUPT;
}

static inline enum steelyard_result steelyard_decode_piece(
    struct steelyard_decoder *decoder, struct steelyard_arrival *arrival)
{
    if (arrival->length > STEELYARD_ENCODED_FRAME_LIMIT)
        return steelyard_corrupt(arrival, "too long");
    const size_t count =
        steelyard_cobs_decode(decoder->piece, (size_t)arrival->length, arrival->payload);
    if (count == SIZE_MAX) return steelyard_corrupt(arrival, "not COBS");
    if (count <= STEELYARD_CRC_BYTES) return steelyard_corrupt(arrival, "too short");
    arrival->payload_length = count - STEELYARD_CRC_BYTES;
    if (steelyard_crc32(arrival->payload, arrival->payload_length)
        != steelyard_read_u32(arrival->payload + arrival->payload_length))
        return steelyard_corrupt(arrival, "CRC");
    if (steelyard_size(arrival->payload[0]) == 0) return STEELYARD_UNKNOWN;
    if (!steelyard_unpack(arrival->payload, arrival->payload_length, &arrival->message))
        return steelyard_corrupt(arrival, "wrong length");
    arrival->has_gap =
        steelyard_follow(&decoder->tracker, &arrival->message, arrival->offset, &arrival->gap);
    return STEELYARD_MESSAGE;
}

/* Take the next byte of the stream. */
static inline enum steelyard_result steelyard_feed(
    struct steelyard_decoder *decoder, uint8_t byte, struct steelyard_arrival *arrival)
{
    decoder->position++;
    if (byte != 0) {
        if (decoder->length < STEELYARD_ENCODED_FRAME_LIMIT)
            decoder->piece[decoder->length] = byte;
        decoder->length++;
        return STEELYARD_NOTHING;
    }
    if (decoder->length == 0) return STEELYARD_NOTHING; /* padding */
    arrival->length = decoder->length;
    arrival->offset = decoder->position - 1 - decoder->length;
    arrival->has_gap = false;
    arrival->reason = "";
    decoder->length = 0;
    return steelyard_decode_piece(decoder, arrival);
}

#endif
