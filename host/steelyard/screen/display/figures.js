// How fresh the picture is, measured in the page: from a sample's time stamp to the
// moment after the frame that shows it was painted.  Tests and the bench read
// window.steelyardFigures.

const KEPT = 6000;

export class Figures {
  constructor(link) {
    this.link = link;
    this.latencies = [];
    this.frames = [];
    this.beats = 0;
    this.points = 0;
    this.lost = 0;
    this.liveChanges = [];
    this.sampleAt = NaN;          // when the page had the latest sample, by its own clock
    this.lookedAt = NaN;
    this.lookLateMs = 0;
    this.waiting = [];
    this.channel = new MessageChannel();
    this.channel.port1.onmessage = () => this.painted();
    window.steelyardFigures = this;
  }

  beat(message) {
    this.beats += 1;
    this.points += message.points.length;
    if (message.points.length) this.sampleAt = performance.now();
    if (!message.whole) for (const point of message.points) this.waiting.push(point);
  }

  // A message posted in an animation frame is delivered after that frame was painted.
  frame(at) {
    keep(this.frames, at);
    if (this.waiting.length) this.channel.port2.postMessage(0);
  }

  painted() {
    const offset = this.link.offsetMs;
    const now = performance.now();
    for (const [unixUs, , , mark] of this.waiting.splice(0)) {
      if (offset !== null && !(mark & 64)) keep(this.latencies, now + offset - unixUs / 1000);
    }
  }

  // Called by the page's watch: how much later than every `everyMs` it came is the computer's doing.
  look(everyMs) {
    const now = performance.now();
    this.lookLateMs = Math.max(0, now - this.lookedAt - everyMs);
    this.lookedAt = now;
  }

  live(isLive) {
    const at = performance.now();
    keep(this.liveChanges, { isLive, at, sinceSampleMs: at - this.sampleAt, lookLateMs: this.lookLateMs });
  }

  summary() {
    const sorted = [...this.latencies].sort((a, b) => a - b);
    const at = (share) => sorted[Math.min(sorted.length - 1, Math.floor(share * sorted.length))];
    const span = this.frames.length > 1 ? this.frames.at(-1) - this.frames[0] : NaN;
    return {
      samples: sorted.length, medianMs: at(0.5), p99Ms: at(0.99), worstMs: sorted.at(-1),
      framesPerSecond: ((this.frames.length - 1) * 1000) / span,
      beats: this.beats, points: this.points, openings: this.link.openings,
      roundTripMs: this.link.roundTripMs,
    };
  }

  forget() {
    this.latencies.length = this.frames.length = 0;
  }
}

function keep(list, item) {
  list.push(item);
  if (list.length > KEPT) list.splice(0, KEPT / 4);
}
