// The socket: beats in, clock questions and "seen" out, opened again by itself.
// Nothing here draws.

const BEAT_SILENCE_MS = 1500;   // a server beats five times a second even when the box is silent
const OPENING_MS = 6000;
const RETRY_MS = [100, 250, 500, 1000, 2000];
const CLOCK_EVERY_MS = 1000;
const CLOCK_KEPT = 8;

export class Link {
  constructor(path, onBeat) {
    this.path = path;
    this.onBeat = onBeat;
    this.offsetMs = null;       // server's Unix clock minus performance.now()
    this.roundTripMs = null;
    this.openings = 0;
    this.lastBeatAt = -Infinity;
    this.failures = 0;
    this.exchanges = [];
    this.socket = null;
    this.open();
    setInterval(() => this.watch(), 250);
    setInterval(() => this.askClock(), CLOCK_EVERY_MS);
    addEventListener("online", () => this.hurry());
    document.addEventListener("visibilitychange", () => { if (!document.hidden) this.hurry(); });
  }

  open() {
    clearTimeout(this.timer);
    this.timer = null;
    const scheme = location.protocol === "https:" ? "wss" : "ws";
    const socket = new WebSocket(`${scheme}://${location.host}${this.path}`);
    this.socket = socket;
    this.openedAt = performance.now();
    socket.onopen = () => { this.openings += 1; this.openedAt = performance.now(); this.askClock(); };
    socket.onmessage = (event) => this.take(JSON.parse(event.data));
    socket.onclose = () => { if (socket === this.socket) this.retry(); };
  }

  retry() {
    this.socket = null;
    if (this.timer) return;
    const wait = RETRY_MS[Math.min(this.failures, RETRY_MS.length - 1)];
    this.failures += 1;
    this.timer = setTimeout(() => this.open(), wait);
  }

  hurry() {
    this.failures = 0;
    if (!this.socket) this.open();
  }

  watch() {
    if (document.hidden) return;          // asleep: the server has stopped sending on purpose
    const now = performance.now();
    const patience = this.socket?.readyState === WebSocket.OPEN ? BEAT_SILENCE_MS : OPENING_MS;
    const dead = now - Math.max(this.lastBeatAt, this.openedAt) > patience;
    if (this.socket && dead) {          // half-open connections never say that they are dead
      const socket = this.socket;
      this.retry();
      socket.close();
    }
  }

  askClock() {
    this.say({ clock: performance.now() });
  }

  say(message) {
    if (this.socket?.readyState === WebSocket.OPEN) this.socket.send(JSON.stringify(message));
  }

  take(message) {
    const now = performance.now();
    if (message.type === "clock") this.compare(message, now);
    if (message.type !== "beat") return;
    this.lastBeatAt = now;
    this.failures = 0;
    this.onBeat(message, now);
    this.say({ seen: message.number });
  }

  // The exchange with the shortest round trip among the last few bounds the error best.
  compare(message, now) {
    const roundTrip = now - message.clock;
    this.exchanges.push({ roundTrip, offset: message.at_us / 1000 - (message.clock + now) / 2 });
    if (this.exchanges.length > CLOCK_KEPT) this.exchanges.shift();
    const best = this.exchanges.reduce((a, b) => (b.roundTrip < a.roundTrip ? b : a));
    this.offsetMs = best.offset;
    this.roundTripMs = best.roundTrip;
  }
}
