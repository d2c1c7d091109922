"""The part of the C header that does not depend on the messages."""

from __future__ import annotations

from typing import Final

HEAD: Final = """\
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
"""

WIRE: Final = """\
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
"""

TRACKER: Final = """\
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
"""

DECODER: Final = """\
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
"""

TAIL: Final = "#endif\n"
