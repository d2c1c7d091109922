// Run one program in the MicroPython virtual machine.
//
//   node vm.mjs '{"mounts": [["host folder", "/vm/folder"], ...],
//                 "program": "program.py", "arguments": {...}, "heap_bytes": n,
//                 "calls": ["statement", ...], "processor_time": false}'
//
// The mounted folders' .py files are copied into the machine's file system and
// put on its path.  `arguments` are the program's global ARGUMENTS.  Bytes on
// this process's standard input and output are the program's, unchanged.  An
// error ends it with its message on standard error and exit code 1.
//
// `calls` run after the program, one by one.  Why: this port can only collect
// garbage between two of them, not inside one, so whoever weighs the heap needs
// several.
import fs from "node:fs";
import path from "node:path";
import { loadMicroPython } from "@micropython/micropython-webassembly-pyscript";

const job = JSON.parse(process.argv[2]);
if (job.processor_time) {
  // The machine's ticks come from here: whoever weighs work must not weigh waiting.  It takes whole
  // milliseconds only, so a microsecond passes for one: `ticks_ms` counts microseconds.
  Date.now = () => {
    const used = process.cpuUsage();
    return used.user + used.system;
  };
}
const pause = new Int32Array(new SharedArrayBuffer(4));
const input = Buffer.alloc(4096);
let inputUsed = 0;
let inputLength = 0;

// A pipe or terminal that is not ready says EAGAIN: for input that means "no
// byte now", for output "wait a moment".
function retriable(error) {
  return error.code === "EAGAIN" || error.code === "EWOULDBLOCK";
}

function readByte() {
  if (!job.reads_input) return undefined;
  if (inputUsed === inputLength) {
    inputUsed = inputLength = 0;
    try {
      inputLength = fs.readSync(0, input, 0, input.length, null);
    } catch (error) {
      if (!retriable(error)) throw error;
    }
    if (inputLength === 0) return undefined;
  }
  return input[inputUsed++];
}

function writeBytes(bytes) {
  let written = 0;
  while (written < bytes.length) {
    try {
      written += fs.writeSync(1, bytes, written);
    } catch (error) {
      if (!retriable(error)) throw error;
      Atomics.wait(pause, 0, 0, 1);
    }
  }
}

function copyFolder(machine, from, to) {
  machine.FS.mkdirTree(to);
  for (const entry of fs.readdirSync(from, { withFileTypes: true })) {
    const source = path.join(from, entry.name);
    if (entry.isDirectory() && entry.name !== "__pycache__") {
      copyFolder(machine, source, `${to}/${entry.name}`);
    } else if (/\.(py|json)$/.test(entry.name)) {
      machine.FS.writeFile(`${to}/${entry.name}`, fs.readFileSync(source));
    }
  }
}

const machine = await loadMicroPython({
  heapsize: job.heap_bytes,
  linebuffer: false,
  stdin: readByte,
  stdout: writeBytes,
});
try {
  for (const [from, to] of job.mounts) copyFolder(machine, from, to);
  const folders = job.mounts.map(([, to]) => to);
  machine.FS.writeFile("/arguments.json", JSON.stringify(job.arguments));
  machine.runPython(`
import json, sys
sys.path[:0] = ${JSON.stringify(folders)}
with open("/arguments.json") as file:
    ARGUMENTS = json.load(file)
`);
  machine.runPython(fs.readFileSync(job.program, "utf8"));
  for (const statement of job.calls ?? []) machine.runPython(statement);
} catch (error) {
  process.stderr.write(`${error.message}\n`);
  process.exitCode = 1;
}
