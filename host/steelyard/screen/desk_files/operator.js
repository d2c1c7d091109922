// Live state on operator pages, the keyboard, and the audible alarm.  What is shown here comes
// by the same socket as the client's picture; pages of the UI library only give the places.

import { Figures } from "/display/figures.js";
import { Link } from "/display/link.js";
import { MARK, Plot } from "/display/plot.js";

const STALE_MS = 400;
const WATCH_MS = 50;
const PAGE_LETTER = 15;          // as the text around it
let beat = null;
let heardAt = -Infinity;
let isLive = null;
let plot = null;

const places = (name) => document.querySelectorAll(`[data-live="${name}"]`);

function put(name, text, doubtful = false) {
  for (const place of places(name)) {
    if (place.textContent !== text) place.textContent = text;
    place.classList.toggle("doubtful", doubtful);
  }
}

const link = new Link("/live/operator", (message, now) => {
  beat = message;
  heardAt = now;
  figures.beat(message);
  judge(now);
  if (message.view) view = message.view;
  if (plot) { plot.setView(view); plot.add(message.points, message.whole); }
  else if (message.points.length) kept.push(...message.points);
  if (kept.length > 2000) kept.splice(0, kept.length - 2000);
});
const kept = [];
let view = {};
const figures = new Figures(link);

function judge(now) {
  const age = beat ? beat.age_ms + now - heardAt : Infinity;
  const live = Boolean(beat?.live) && age < STALE_MS;
  const gone = now - heardAt > STALE_MS;
  put("why", live ? "" : gone ? "this page does not reach its server" : beat?.why ?? "");
  for (const badge of places("badge")) {
    badge.classList.toggle("live", live);
    if (badge.textContent !== (live ? "LIVE" : "NOT LIVE")) badge.textContent = live ? "LIVE" : "NOT LIVE";
  }
  if (live !== isLive) { isLive = live; figures.live(live); }
  document.getElementById("live-plot")?.classList.toggle("not-live", !live);
  if (!live) { put("torque", "– N·m"); put("angle", "– °"); }
}

function show() {
  const last = beat?.points.at(-1);
  if (!isLive || !last) return;
  const [, degrees, value, mark] = last;
  const unit = mark & MARK.uncalibrated ? "counts" : "N·m";
  const word = mark & MARK.saturated ? "saturated" : value === null ? "no reading" : `${(Math.round(value) + 0).toFixed(0)} ${unit}`;
  put("torque", word, Boolean(mark & ~64));
  put("angle", degrees === null ? "no angle" : `${degrees.toFixed(1)}°`, degrees === null);
  const alarm = view.alarm || (mark & MARK.overload ? "OVERLOAD" : "");
  put("alarm", alarm);
  if (alarm) sound();
}

// On a phone the row of places is wider than the screen.
let placeShown = null;
addEventListener("resize", () => { placeShown = null; });
function showPlace() {
  const here = document.querySelector(".places [aria-current]");
  if (!here || here === placeShown) return;
  placeShown = here;
  const row = here.parentElement;
  row.scrollLeft = here.offsetLeft - row.offsetLeft - (row.clientWidth - here.offsetWidth) / 2;
}

function frame(at) {
  requestAnimationFrame(frame);
  showPlace();
  if (!beat) return;
  const root = document.getElementById("live-plot");
  if (root && plot?.root !== root && root.querySelector(".trace")) {
    plot = new Plot(root, PAGE_LETTER);
    plot.setView(view);
    plot.add(kept, true);
  }
  show();
  if (root && plot && isLive) {
    const last = plot.points.at(-1);
    plot.setUnit(last && last[3] & MARK.uncalibrated ? "counts" : "N·m");
    plot.draw((performance.now() + (link.offsetMs ?? 0)) * 1000);
  }
  figures.frame(at);
}
setInterval(() => { figures.look(WATCH_MS); judge(performance.now()); }, WATCH_MS);
requestAnimationFrame(frame);

// --- keyboard and foot switch ---------------------------------------------------------------

const KEYS = { ArrowRight: "next", PageDown: "next", ArrowLeft: "back", PageUp: "back", Escape: "stop" };
const TYPING = "input, textarea, select, [contenteditable], [role=slider], [role=listbox]";

addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.repeat) return;
  if (event.altKey) { if (/^[1-9]$/.test(event.key)) press(`[data-place="${event.key}"]`, event); return; }
  const typing = event.target.closest?.(TYPING);
  if (event.key === "Escape" && document.querySelector("dialog[open]")) return;
  if (typing && event.key !== "Escape") return;
  if (event.key === "F1" || event.key === "?") { document.getElementById("help")?.showModal(); event.preventDefault(); return; }
  const free = event.target === document.body;
  const name = KEYS[event.key] ?? (event.key === "Enter" && free ? "next" : null);
  if (name) press(`[data-key="${name}"]:not([disabled])`, event);
});

function press(selector, event) {
  const button = document.querySelector(selector);
  if (!button) return;
  event.preventDefault();
  button.click();
}

// --- presses --------------------------------------------------------------------------------
// A button may be drawn anew between finger down and finger up; then the browser makes no click
// of it, but it was a press all the same.

const SLIPPED_PIXELS = 12;
let held = null;
const pressable = (node) => node.closest?.("[data-press]:not([disabled])");

addEventListener("pointerdown", (event) => {
  const button = event.isPrimary && event.button === 0 ? pressable(event.target) : null;
  held = button && { button, x: event.clientX, y: event.clientY };
}, true);

addEventListener("pointerup", (event) => {
  const before = held;
  held = null;
  if (!before || before.button.isConnected) return;
  if (Math.hypot(event.clientX - before.x, event.clientY - before.y) < SLIPPED_PIXELS) pressed(before.button);
}, true);

addEventListener("click", (event) => {
  const button = pressable(event.target);
  if (button) pressed(button);
}, true);

function pressed(button) {
  if (!stopping) hush();
  window.emitEvent("pressed", button.dataset.press);
}

addEventListener("input", ({ target }) => {
  if (!target.dataset?.entry) return;
  const value = target.type !== "checkbox" ? target.value : target.checked ? "yes" : "";
  window.emitEvent("entered", { field: target.dataset.entry, value });
}, true);

// --- stop ---------------------------------------------------------------------------------

const STOP_AGAIN_MS = 300;
let stopping = false;

addEventListener("click", (event) => {
  const button = event.target.closest?.("[data-post]");
  if (button && !stopping) stop(button.dataset.post);
}, true);

async function stop(path) {
  stopping = true;
  for (let tries = 1; stopping; tries++) {
    try {
      const answer = await fetch(path, { method: "POST", keepalive: true, signal: AbortSignal.timeout(2000) });
      stopping = false;
      hush();
      if (!answer.ok) window.steelyardTell("STOP was refused: this browser is not paired any more. Stop the client by word.");
    } catch {
      window.steelyardTell(`STOP has not reached the server (tried ${tries} times); it is tried again. Stop the client by word.`);
      await new Promise((done) => setTimeout(done, STOP_AGAIN_MS));
    }
  }
}

// --- alarm ------------------------------------------------------------------------------------

let audio = null;
let soundedAt = -Infinity;
addEventListener("pointerdown", () => { audio ??= new AudioContext(); }, { once: true });
addEventListener("keydown", () => { audio ??= new AudioContext(); }, { once: true });

function sound() {
  const now = performance.now();
  if (!audio || now - soundedAt < 600 || localStorage.getItem("silent")) return;
  soundedAt = now;
  const tone = audio.createOscillator();
  const level = audio.createGain();
  tone.frequency.value = 880;
  level.gain.setValueAtTime(0.2, audio.currentTime);
  level.gain.exponentialRampToValueAtTime(0.001, audio.currentTime + 0.4);
  tone.connect(level).connect(audio.destination);
  tone.start();
  tone.stop(audio.currentTime + 0.4);
}

// --- what the server has to tell ------------------------------------------------------------------

// What was told of one press is past with the next.
function hush() { document.getElementById("told")?.replaceChildren(); }

window.steelyardTell = (words, kind = "bad") => {
  const place = document.getElementById("told");
  if (!place) return;
  const line = document.createElement("div");
  line.className = kind;
  const said = document.createElement("span");
  said.textContent = words;
  const close = document.createElement("button");
  close.className = "act quiet";
  close.textContent = "Close";
  close.onclick = () => line.remove();
  line.append(said, close);
  place.replaceChildren(line);
};
