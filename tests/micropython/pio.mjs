// Run a PIO program step by step in an emulator of the RP2040, against a pin-level source.
//
//   node pio.mjs < job.json > result.json
//
// The emulator's own runner goes by a timer and knows no clock divider, so the
// state machine is stepped here: each instruction takes one cycle and its
// delay, each cycle `divider` times 8 ns (125 MHz).  The job:
//   program   {words, first, wrap_target, wrap, side_count, fifo_words}
//   divider   system clocks in a PIO cycle
//   pins      {input, side}: first input pin (also the jump pin) and side-set pin
//   execute   instructions to run before the start
//   end_us    when to stop
//   read_us   times at which a processor takes `read_words` words from the FIFO
//   amplifier conversions [[us, word], ...], and what is broken:
//             clock_cut, stuck_low_from_us, spikes [[us, length], ...]
//   levels    instead of the amplifier: [[us, levels of both input pins], ...]
// The result, times in us: `edges` of the side-set pin, `words` with the time
// they were taken, `interrupts`, and `data_edges`, what the data line did.
import fs from "node:fs";
import { RP2040 } from "rp2040js";

const job = JSON.parse(fs.readFileSync(0, "utf8"));
const CYCLE_US = job.divider * 0.008;
const WRAP_TOP = 12, WRAP_BOTTOM = 7, JUMP_PIN = 24; // EXECCTRL
const SIDE_COUNT = 29, SIDE_BASE = 10, IN_BASE = 15; // PINCTRL
const EXECCTRL = 0x04, SHIFTCTRL = 0x08, INSTR = 0x10, PINCTRL = 0x14; // from SM0_CLKDIV on
const PAD_INPUT_ENABLE = 0x40;

const chip = new RP2040();
const block = chip.pio[0];
const machine = block.machines[0];
const { program, pins } = job;
const result = { edges: [], words: [], interrupts: [], data_edges: [] };
let now = 0;

program.words.forEach((word, index) => (block.instructions[program.first + index] = word));
machine.writeUint32(
  EXECCTRL,
  ((program.first + program.wrap) << WRAP_TOP) |
    ((program.first + program.wrap_target) << WRAP_BOTTOM) |
    (pins.input << JUMP_PIN),
);
machine.writeUint32(SHIFTCTRL, 0); // shift left, no autopush
machine.writeUint32(
  PINCTRL,
  ((program.side_count << SIDE_COUNT) | (pins.side << SIDE_BASE) | (pins.input << IN_BASE)) >>> 0,
);
// The emulator knows no joined FIFO: give it one of the right depth.
machine.rxFIFO = new machine.rxFIFO.constructor(program.fifo_words);
for (const pin of [pins.input, pins.input + 1]) chip.gpio[pin].padValue |= PAD_INPUT_ENABLE;

function drive(pin, level) {
  if (chip.gpio[pin].rawInputValue === !!level) return;
  chip.gpio[pin].setInputValue(!!level);
  if (pin === pins.input) result.data_edges.push([now, level]);
}

// A shift register with the amplifier's manners: a bit for each rise of the
// clock, high after the 25th, asleep after 60 us of high clock.
const amplifier = { word: 0, pulses: 0, ready: false, rose: -1, line: 1, clock: 0 };

function showLine() {
  const spike = (job.amplifier.spikes ?? []).some(([at, length]) => now >= at && now < at + length);
  const stuck = now >= (job.amplifier.stuck_low_from_us ?? Infinity);
  drive(pins.input, spike || stuck ? 0 : amplifier.line);
}

function clockAmplifier(level) {
  if (level === amplifier.clock) return;
  amplifier.clock = level;
  if (!level) {
    if (now - amplifier.rose > 60) Object.assign(amplifier, { ready: false, line: 1 });
    return;
  }
  amplifier.rose = now;
  if (!amplifier.ready) return;
  amplifier.pulses++;
  if (amplifier.pulses <= 24) amplifier.line = (amplifier.word >> (24 - amplifier.pulses)) & 1;
  else Object.assign(amplifier, { line: 1, ready: amplifier.pulses < 25 });
}

const conversions = [...(job.amplifier?.conversions ?? [])];
const levels = [...(job.levels ?? [])];
const reads = [...(job.read_us ?? [])];

function world() {
  if (job.amplifier) {
    while (conversions.length && conversions[0][0] <= now) {
      Object.assign(amplifier, { word: conversions.shift()[1], pulses: 0, ready: true, line: 0 });
    }
    if (!job.amplifier.clock_cut) clockAmplifier((block.pinValues >> pins.side) & 1);
    showLine();
  }
  while (levels.length && levels[0][0] <= now) {
    const [, both] = levels.shift();
    drive(pins.input, both & 1);
    drive(pins.input + 1, both >> 1);
  }
}

function processor() {
  if (block.irq & 1) {
    result.interrupts.push(now);
    block.irq &= ~1;
  }
  while (reads.length && reads[0] <= now) {
    reads.shift();
    for (let left = job.read_words; left && !machine.rxFIFO.empty; left--) {
      result.words.push([now, machine.readFIFO()]);
    }
  }
}

function noteEdge(before) {
  const level = (block.pinValues >> pins.side) & 1;
  if (program.side_count && level !== before) result.edges.push([now, level]);
}

world();
for (const word of job.execute) machine.writeUint32(INSTR, word);
machine.pc = program.first;
machine.enabled = true;
let busy = 0; // cycles that the last instruction still takes
while (now < job.end_us) {
  if (busy === 0) {
    const side = (block.pinValues >> pins.side) & 1;
    const cycles = machine.cycles;
    machine.step();
    noteEdge(side);
    busy = Math.max(1, machine.cycles - cycles);
  }
  busy--;
  world();
  now += CYCLE_US;
  processor();
}
process.stdout.write(JSON.stringify(result));
