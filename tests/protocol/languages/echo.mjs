// Reads cases (4-byte little-endian length, bytes) from standard input; writes each event
// as a line of JSON, a message with the frame that encoding it again gives, and "--".
import { readFileSync } from "node:fs";
import { StreamDecoder, encode } from "../../../protocol/languages/steelyard_protocol.mjs";

const plain = (key, value) => {
  if (typeof value === "bigint") return value.toString();
  if (value instanceof Uint8Array) return Buffer.from(value).toString("hex");
  return value;
};

function again(event) {
  try {
    return Buffer.from(encode(event.name, event.fields)).toString("hex");
  } catch (error) {
    if (!(error instanceof RangeError)) throw error;
    return "refused";
  }
}

function line(event) {
  switch (event.kind) {
    case "message":
      return ["message", event.name, event.offset, event.fields, again(event)];
    case "unknown":
      return ["unknown", event.id, event.offset];
    case "corrupt":
      return ["corrupt", event.offset, event.length, event.reason];
    default:
      return ["gap", event.name, event.channel, event.offset,
        event.expected, event.found, event.missing];
  }
}

const input = readFileSync(0);
const piece = Number(process.argv[2]);
const lines = [];
for (let at = 0; at < input.length;) {
  const size = input.readUInt32LE(at);
  const data = input.subarray(at + 4, at + 4 + size);
  at += 4 + size;
  const decoder = new StreamDecoder();
  for (let start = 0; start < data.length; start += piece) {
    for (const event of decoder.feed(data.subarray(start, start + piece))) {
      lines.push(JSON.stringify(line(event), plain));
    }
  }
  lines.push("--");
}
process.stdout.write(`${lines.join("\n")}\n`);
