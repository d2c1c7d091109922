// Types of steelyard_protocol.mjs.
// GENERATED from messages.py by tools/generate.py: do not edit.

export declare const PROTOCOL_MAJOR: number;
export declare const PROTOCOL_MINOR: number;
export declare const LAYOUT_HASH: string;
export declare const SLOT_BYTES: number;
export declare const ENCODED_FRAME_LIMIT: number;
export declare const TICKS_PERIOD_US: number;
export declare const SEQUENCE_PERIOD: number;
export declare const NO_COUNTS: number;
export declare const NO_CHANNEL: number;

export declare const ChannelKind: Readonly<{ LOAD: 1; ARM_ANGLE: 2; ROLLER_ANGLE: 3 }>;
export declare const SensorKind: Readonly<{ HX711: 1; AS5600: 2; POTENTIOMETER: 3; QUADRATURE: 4 }>;
export declare const SampleFlags: Readonly<{ SATURATED_HIGH: 1; SATURATED_LOW: 2; NO_CONVERSION: 4; DESYNC: 8; SETTLING: 16; SUSPECT: 32; LATE_READ: 64; ANGLE_STALE: 128; BUS_ERROR: 256; MAGNET_MISSING: 512; MAGNET_WEAK: 1024; MAGNET_STRONG: 2048; OPEN_CIRCUIT: 4096; OVERLOAD: 8192; BUTTON_HELD: 16384; LINE_HELD: 32768 }>;
export declare const ResetCause: Readonly<{ UNKNOWN: 0; POWER_ON: 1; WATCHDOG: 2; SOFT: 3 }>;
export declare const EventKind: Readonly<{ BUTTON_PRESSED: 1; BUTTON_RELEASED: 2; FAULT_RAISED: 3; FAULT_CLEARED: 4; OVERLOAD_RAISED: 5; OVERLOAD_CLEARED: 6; STREAM_STARTED: 7; STREAM_STOPPED: 8 }>;
export declare const Outcome: Readonly<{ DONE: 0; UNKNOWN_REQUEST: 1; BAD_ARGUMENT: 2; REFUSED_WHILE_STREAMING: 3; STORAGE_FAILED: 4; NOT_AVAILABLE: 5 }>;
export declare const SettingKey: Readonly<{ BOX_NAME: 1; SENSOR_SERIAL: 2; ANGLE_RATE_MILLIHERTZ: 3; STATUS_PERIOD_MS: 4; OVERLOAD_COUNTS: 5; LOAD_GAIN: 6; DAMAGED_TOTAL: 7 }>;
export declare const SelfTestFindings: Readonly<{ NO_CONVERSION: 1; DESYNC: 2; SATURATED: 4; STUCK: 8; WRONG_RATE: 16; NOISY: 32; BUS_ERROR: 64; MAGNET_FAULT: 128; OPEN_CIRCUIT: 256; LINE_HELD: 512 }>;
export declare const DocumentKind: Readonly<{ CALIBRATION: 1; MACHINE: 2; CLIENT: 3; NOTE: 4; SESSION: 5 }>;
export declare const AnnotationSource: Readonly<{ OPERATOR: 1; SOFTWARE: 2 }>;
export declare const LinkState: Readonly<{ OPENED: 1; LOST: 2; CLOSED: 3 }>;

/** Who the box is. Answers `identify`; also sent, with the channel descriptions and correlation id 0, when the box starts. */
export interface Identity {
  /** copied from the request into its answer */
  correlation_id: number;
  /** a different number: stop, do not guess */
  protocol_major: number;
  /** a larger number than yours: new ids may appear */
  protocol_minor: number;
  /** major, minor, patch */
  firmware_version: number[];
  /** first 8 bytes of the SHA-256 of the layout snapshot */
  layout_hash: Uint8Array;
  /** the microcontroller's unique id, zero padded */
  box_id: Uint8Array;
  /** drawn at random when the box starts, so a reboot cannot pass for a clock wrap */
  boot_id: number;
  /** the device clock wraps after this; 2**30 throughout protocol 1 [us] */
  ticks_period_us: number;
  /** `channel_description` messages to follow */
  channel_count: number;
  /** samples the box can hold back while the host is busy */
  queue_slots: number;
  /** board type, ASCII, zero padded */
  board: Uint8Array;
  /** name the owner gave it, ASCII, zero padded */
  box_name: Uint8Array;
}

/** One sensor. Follows `identity`, one message for each channel in order. */
export interface ChannelDescription {
  /** copied from the request into its answer */
  correlation_id: number;
  /** drawn at random when the box starts, so a reboot cannot pass for a clock wrap */
  boot_id: number;
  /** index of the channel in the box */
  channel: number;
  /** what the channel measures (ChannelKind) */
  kind: number;
  /** the part that measures it (SensorKind) */
  sensor: number;
  /** amplifier gain; 1 where there is none */
  gain: number;
  /** rate the part promises [mHz] */
  nominal_rate_millihertz: number;
  /** lowest count the part can give [counts] */
  counts_low: number;
  /** highest count the part can give [counts] */
  counts_high: number;
  /** counts in a full turn; 0 for a load channel [counts] */
  counts_per_turn: number;
  /** angle sampled with this load channel; 255: none */
  angle_channel: number;
  /** serial number of the sensor, ASCII, zero padded */
  sensor_serial: Uint8Array;
}

/** One conversion of a bridge amplifier, with the arm angle of that moment. */
export interface LoadSample {
  /** index of the channel in the box */
  channel: number;
  /** what is wrong or notable about this sample (SampleFlags) */
  flags: number;
  /** drawn at random when the box starts, so a reboot cannot pass for a clock wrap */
  boot_id: number;
  /** counts this channel's samples, modulo 2**30; never restarts within a boot */
  sequence: number;
  /** when the conversion became ready, modulo 2**30 [us] */
  device_ticks_us: number;
  /** raw conversion; -2**31: no reading [counts] */
  load_counts: number;
  /** latest raw angle; -2**31: no reading [counts] */
  angle_counts: number;
  /** the angle was read this long before `device_ticks_us`; 65535: that or more [us] */
  angle_age_us: number;
}

/** One reading of an angle sensor. */
export interface AngleSample {
  /** index of the channel in the box */
  channel: number;
  /** what is wrong or notable about this sample (SampleFlags) */
  flags: number;
  /** drawn at random when the box starts, so a reboot cannot pass for a clock wrap */
  boot_id: number;
  /** counts this channel's samples, modulo 2**30; never restarts within a boot */
  sequence: number;
  /** device clock, modulo 2**30 (17.9 minutes) [us] */
  device_ticks_us: number;
  /** raw angle; -2**31: no reading [counts] */
  angle_counts: number;
  /** the part's own status register; 0 where there is none */
  sensor_status: number;
  /** the part's automatic gain (AGC); 0 where there is none */
  sensor_gain: number;
  /** quadrature edges that made no sense */
  invalid_transitions_total: number;
}

/** Heartbeat, at least once a second. Every `_total` counts from the start of the box, modulo 2**32, and never resets within a boot. */
export interface Status {
  /** drawn at random when the box starts, so a reboot cannot pass for a clock wrap */
  boot_id: number;
  /** device clock, modulo 2**30 (17.9 minutes) [us] */
  device_ticks_us: number;
  /** time since the box started, modulo 2**30; not the zero of `device_ticks_us` [ms] */
  uptime_ms: number;
  /** 1 while samples are being sent */
  streaming: number;
  /** why the box started (ResetCause) */
  reset_cause: number;
  /** most samples ever waiting to be sent */
  queue_high_water: number;
  /** samples taken since the box started, streaming or not, by channel */
  conversions_total: number[];
  /** numbered samples dropped because the host did not read, by channel */
  dropped_total: number[];
  /** frames handed to the port */
  frames_sent_total: number;
  /** times the port had no room for a waiting frame */
  link_stalls_total: number;
  /** conversions that did not come in time */
  no_conversion_total: number;
  /** reads after which the data line was not high */
  desync_total: number;
  /** samples at either end of the converter's range */
  saturated_total: number;
  /** samples flagged `settling`, streaming or not */
  discarded_total: number;
  /** conversions read so late that one may be missing */
  late_read_total: number;
  /** I2C transfers that failed */
  bus_error_total: number;
  /** requests received whole */
  requests_total: number;
  /** bytes received that were no valid frame */
  garbage_bytes_total: number;
  /** of the microcontroller; -32768: none [0.01 C] */
  temperature_centicelsius: number;
  /** free memory, as it was after the newest collection of garbage; 0: not known [bytes] */
  heap_free_bytes: number;
}

/** Something happened once: a button, a fault, an overload. */
export interface Event {
  /** drawn at random when the box starts, so a reboot cannot pass for a clock wrap */
  boot_id: number;
  /** counts events, modulo 2**30 */
  sequence: number;
  /** device clock, modulo 2**30 (17.9 minutes) [us] */
  device_ticks_us: number;
  /** what happened (EventKind) */
  kind: number;
  /** channel concerned; 255: the box itself */
  channel: number;
  /** for faults: which; else none (SampleFlags) */
  flags: number;
}

/** Answer to a request that has no answer message of its own, and to every refused one. */
export interface Reply {
  /** copied from the request into its answer */
  correlation_id: number;
  /** drawn at random when the box starts, so a reboot cannot pass for a clock wrap */
  boot_id: number;
  /** message id of the request */
  request_id: number;
  /** how it went (Outcome) */
  outcome: number;
  /** for `bad_argument`: the value refused */
  detail: number;
}

/** Answers `read_clock`: the device clock, to align it with the host's. */
export interface ClockReading {
  /** copied from the request into its answer */
  correlation_id: number;
  /** drawn at random when the box starts, so a reboot cannot pass for a clock wrap */
  boot_id: number;
  /** when the request was read [us] */
  received_ticks_us: number;
  /** when this answer was made [us] */
  sent_ticks_us: number;
}

/** Answers `read_setting` and `write_setting` with the value now in force. */
export interface Setting {
  /** copied from the request into its answer */
  correlation_id: number;
  /** drawn at random when the box starts, so a reboot cannot pass for a clock wrap */
  boot_id: number;
  /** which setting (SettingKey) */
  key: number;
  /** channel it belongs to; 255: the box */
  channel: number;
  /** value of a numeric setting, else 0 */
  number: number;
  /** value of a text setting, ASCII, zero padded */
  text: Uint8Array;
}

/** One channel's result. `run_self_test` is answered by one of these for each channel. */
export interface SelfTestResult {
  /** copied from the request into its answer */
  correlation_id: number;
  /** drawn at random when the box starts, so a reboot cannot pass for a clock wrap */
  boot_id: number;
  /** index of the channel in the box */
  channel: number;
  /** what is wrong; none set: sound (SelfTestFindings) */
  findings: number;
  /** readings taken */
  sample_count: number;
  /** lowest reading; -2**31: none [counts] */
  counts_minimum: number;
  /** highest reading; -2**31: none [counts] */
  counts_maximum: number;
  /** mean reading; -2**31: none [counts] */
  counts_mean: number;
  /** readings a second [mHz] */
  measured_rate_millihertz: number;
}

/** Answers `describe_document`: what the box keeps for a channel. Since 1.1. */
export interface StoredDocument {
  /** copied from the request into its answer */
  correlation_id: number;
  /** drawn at random when the box starts, so a reboot cannot pass for a clock wrap */
  boot_id: number;
  /** channel it belongs to; 255: the box */
  channel: number;
  /** what the text is; 0 when there is none (DocumentKind) */
  kind: number;
  /** bytes of the whole text; 0: there is none [bytes] */
  length: number;
  /** CRC-32 of the whole text; 0 when there is none */
  crc32: number;
  /** longest text that the box takes [bytes] */
  length_limit: number;
}

/** Answers `read_document`: one piece of a stored text. Since 1.1. */
export interface DocumentPart {
  /** copied from the request into its answer */
  correlation_id: number;
  /** drawn at random when the box starts, so a reboot cannot pass for a clock wrap */
  boot_id: number;
  /** channel it belongs to; 255: the box */
  channel: number;
  /** index of the piece: it starts at byte 192 x part of the text */
  part: number;
  /** bytes used in `text` [bytes] */
  length: number;
  /** bytes of the text, zero padded */
  text: Uint8Array;
}

/** Answers `read_flag_totals`: how many samples of a channel carried each flag since the box started, streaming or not. Since 1.1. */
export interface FlagTotals {
  /** copied from the request into its answer */
  correlation_id: number;
  /** drawn at random when the box starts, so a reboot cannot pass for a clock wrap */
  boot_id: number;
  /** index of the channel in the box */
  channel: number;
  /** samples with the flag of value 2**index, modulo 2**30; `angle_stale` and `button_held`, which are given only while streaming, stay 0 */
  samples_total: number[];
}

/** Say who you are. */
export interface Identify {
  /** copied from the request into its answer */
  correlation_id: number;
}

/** Send samples. Already sending: `done` all the same. */
export interface StartStream {
  /** copied from the request into its answer */
  correlation_id: number;
}

/** Stop sending samples. Already stopped: `done` all the same. */
export interface StopStream {
  /** copied from the request into its answer */
  correlation_id: number;
}

/** Ping for clock alignment. */
export interface ReadClock {
  /** copied from the request into its answer */
  correlation_id: number;
}

/** Read one setting. */
export interface ReadSetting {
  /** copied from the request into its answer */
  correlation_id: number;
  /** which setting (SettingKey) */
  key: number;
  /** channel it belongs to; 255: the box */
  channel: number;
}

/** Change one setting. Refused while streaming, because a flash write stops interrupts. */
export interface WriteSetting {
  /** copied from the request into its answer */
  correlation_id: number;
  /** which setting (SettingKey) */
  key: number;
  /** channel it belongs to; 255: the box */
  channel: number;
  /** new value of a numeric setting, else 0 */
  number: number;
  /** new value of a text setting, ASCII, zero padded */
  text: Uint8Array;
}

/** Exercise every sensor for about a second. Refused while streaming. */
export interface RunSelfTest {
  /** copied from the request into its answer */
  correlation_id: number;
}

/** Say what is stored for a channel. Since 1.1. */
export interface DescribeDocument {
  /** copied from the request into its answer */
  correlation_id: number;
  /** channel it belongs to; 255: the box */
  channel: number;
}

/** Read one piece of the text stored for a channel. Refused while streaming. Since 1.1. */
export interface ReadDocument {
  /** copied from the request into its answer */
  correlation_id: number;
  /** channel it belongs to; 255: the box */
  channel: number;
  /** index of the piece */
  part: number;
}

/** Write one piece of a text, in order from piece 0; the last one puts the whole in force. Refused while streaming. Since 1.1. */
export interface WriteDocument {
  /** copied from the request into its answer */
  correlation_id: number;
  /** channel it belongs to; 255: the box */
  channel: number;
  /** what the text is (DocumentKind) */
  kind: number;
  /** bytes of the whole text [bytes] */
  length: number;
  /** CRC-32 of the whole text */
  crc32: number;
  /** index of this piece: it starts at byte 192 x part of the text */
  part: number;
  /** bytes of the text: 192, in the last piece what is left of `length`, zero padded */
  text: Uint8Array;
}

/** Forget the text stored for a channel. None there: `done` all the same. Refused while streaming. Since 1.1. */
export interface EraseDocument {
  /** copied from the request into its answer */
  correlation_id: number;
  /** channel it belongs to; 255: the box */
  channel: number;
}

/** Count a channel's flagged samples. Since 1.1. */
export interface ReadFlagTotals {
  /** copied from the request into its answer */
  correlation_id: number;
  /** index of the channel in the box */
  channel: number;
}

/** First frame of a recording. */
export interface RecordingHeader {
  /** a different number: stop, do not guess */
  format_major: number;
  /** a larger number than yours: new ids may appear */
  format_minor: number;
  /** protocol the recorder spoke */
  protocol_major: number;
  /** protocol the recorder spoke */
  protocol_minor: number;
  /** layout the recorder knew */
  layout_hash: Uint8Array;
  /** random UUID (RFC 9562, version 4) */
  recording_id: Uint8Array;
  /** the same moment by the host's wall clock, since 1970-01-01 UTC; it may step [ns] */
  host_unix_ns: bigint;
  /** the moment by a host clock that never steps; its zero means nothing [ns] */
  host_monotonic_ns: bigint;
  /** name and version of the recorder, ASCII, zero padded */
  software: Uint8Array;
  /** machine, ASCII, zero padded */
  machine: Uint8Array;
  /** client by code, never by name; ASCII, zero padded */
  client_code: Uint8Array;
}

/** A part of a longer text (a calibration, a machine profile), UTF-8 JSON, in order. */
export interface RecordingDocument {
  /** what the text is (DocumentKind) */
  kind: number;
  /** index of the document in the recording */
  document: number;
  /** index of this part */
  part: number;
  /** parts in this document */
  part_count: number;
  /** bytes used in `text` [bytes] */
  length: number;
  /** bytes of the text, zero padded */
  text: Uint8Array;
}

/** One alignment of the device clock with the host's, from a `read_clock` exchange. */
export interface TimeMark {
  /** drawn at random when the box starts, so a reboot cannot pass for a clock wrap */
  boot_id: number;
  /** device clock in the middle of the exchange [us] */
  device_ticks_us: number;
  /** host clock in the middle of the exchange [ns] */
  host_monotonic_ns: bigint;
  /** the same moment by the host's wall clock, since 1970-01-01 UTC; it may step [ns] */
  host_unix_ns: bigint;
  /** exchange time less the box's own share [us] */
  round_trip_us: number;
}

/** A remark at a moment. */
export interface Annotation {
  /** the moment by a host clock that never steps; its zero means nothing [ns] */
  host_monotonic_ns: bigint;
  /** the same moment by the host's wall clock, since 1970-01-01 UTC; it may step [ns] */
  host_unix_ns: bigint;
  /** who made it (AnnotationSource) */
  source: number;
  /** bytes used in `text` [bytes] */
  length: number;
  /** UTF-8, zero padded */
  text: Uint8Array;
}

/** The link to the box was opened, lost or closed. */
export interface LinkChange {
  /** the moment by a host clock that never steps; its zero means nothing [ns] */
  host_monotonic_ns: bigint;
  /** the same moment by the host's wall clock, since 1970-01-01 UTC; it may step [ns] */
  host_unix_ns: bigint;
  /** what happened to the link (LinkState) */
  state: number;
  /** times it has been opened in this recording */
  openings_total: number;
}

/** Fields of each message by its name. */
export interface FieldsByName {
  identity: Identity;
  channel_description: ChannelDescription;
  load_sample: LoadSample;
  angle_sample: AngleSample;
  status: Status;
  event: Event;
  reply: Reply;
  clock_reading: ClockReading;
  setting: Setting;
  self_test_result: SelfTestResult;
  stored_document: StoredDocument;
  document_part: DocumentPart;
  flag_totals: FlagTotals;
  identify: Identify;
  start_stream: StartStream;
  stop_stream: StopStream;
  read_clock: ReadClock;
  read_setting: ReadSetting;
  write_setting: WriteSetting;
  run_self_test: RunSelfTest;
  describe_document: DescribeDocument;
  read_document: ReadDocument;
  write_document: WriteDocument;
  erase_document: EraseDocument;
  read_flag_totals: ReadFlagTotals;
  recording_header: RecordingHeader;
  recording_document: RecordingDocument;
  time_mark: TimeMark;
  annotation: Annotation;
  link_change: LinkChange;
}

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
