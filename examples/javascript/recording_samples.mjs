// Samples of a recording, read in pieces of any size: node recording_samples.mjs FILE
import { createReadStream } from "node:fs";
import process from "node:process";
import { NO_COUNTS, StreamDecoder } from "../../protocol/languages/steelyard_protocol.mjs";

const decoder = new StreamDecoder();
const totals = { samples: 0, unread: 0, missing: 0, corrupt: 0 };
process.once("uncaughtException", ({ message }) => {
  console.error(`The recording cannot be read: ${message}`);
  process.exitCode = 1;
});
for await (const bytes of createReadStream(process.argv[2] ?? "")) {
  for (const event of decoder.feed(bytes)) {
    if (event.kind === "gap") totals.missing += event.missing;
    if (event.kind === "corrupt") totals.corrupt += 1;
    if (event.name === "load_sample" && event.kind === "message") totals.samples += 1;
    if (event.fields?.load_counts === NO_COUNTS) totals.unread += 1;
  }
}
console.log(JSON.stringify(totals));
