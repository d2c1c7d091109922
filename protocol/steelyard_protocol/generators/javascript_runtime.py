"""The part of the JavaScript module and its types that does not depend on the messages."""

from __future__ import annotations

from typing import Final

RUNTIME: Final = """\
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
"""

TYPES_HEAD: Final = """\
// Types of steelyard_protocol.mjs.
// GENERATED from messages.py by tools/generate.py: do not edit.
"""

TYPES_TAIL: Final = """\
export type MessageName = keyof FieldsByName;

export type MessageEvent = {
  [Name in MessageName]: {
    kind: "message"; name: Name; id: number; offset: number; fields: FieldsByName[Name];
  };
}[MessageName];

/** A sound frame with an id of a later version: skip it. */
export interface UnknownEvent { kind: "unknown"; id: number; offset: number; body: Uint8Array }

/** Bytes between two delimiters that are no frame. */
export interface CorruptEvent { kind: "corrupt"; offset: number; length: number; reason: string }

/** Samples (or events) that the box numbered and that never arrived. */
export interface GapEvent {
  kind: "gap"; name: MessageName; channel: number; offset: number; bootId: number;
  expected: number; found: number; missing: number;
}

export type StreamEvent = MessageEvent | UnknownEvent | CorruptEvent | GapEvent;

export interface FieldLayout {
  name: string; offset: number; type: string; count: number;
  low: number | bigint; high: number | bigint; unit: string;
}
export interface MessageLayout {
  id: number; name: MessageName; size: number; fields: readonly FieldLayout[];
}
export declare const MESSAGES: readonly MessageLayout[];

export declare class StreamDecoder {
  feed(bytes: Uint8Array): StreamEvent[];
}
export declare function decodePayload(payload: Uint8Array): FieldsByName[MessageName] | null;
export declare function encodePayload<Name extends MessageName>(
  name: Name, fields: FieldsByName[Name]): Uint8Array;
export declare function encode<Name extends MessageName>(
  name: Name, fields: FieldsByName[Name]): Uint8Array;
export declare function encodeFrame(payload: Uint8Array): Uint8Array;
export declare function plainText(bytes: Uint8Array): string;
export declare function crc32(bytes: Uint8Array): number;
"""
