// The client display: puts what the socket brings on the screen, and says NOT LIVE by a timer
// of its own, whoever of box, server or network has stopped.

import { Beam } from "./beam.js";
import { Figures } from "./figures.js";
import { Link } from "./link.js";
import { MARK, Plot } from "./plot.js";

const STALE_MS = 400;           // promised: NOT LIVE within 500 ms
const WATCH_MS = 50;
const root = document.getElementById("stage");
const byId = (id) => document.getElementById(id);

const plot = new Plot(byId("plot"));
const beam = new Beam(byId("beam"));
let beat = null;
let view = {};
let heardAt = -Infinity;
let isLive = null;

const link = new Link("/live/display", (message, now) => {
  beat = message;
  heardAt = now;
  figures.beat(message);
  if (message.view) plot.setView((view = message.view));
  plot.add(message.points, message.whole);
  judge(now);
});
const figures = new Figures(link);

function judge(now) {
  const age = beat ? beat.age_ms + now - heardAt : Infinity;
  const live = Boolean(beat?.live) && age < STALE_MS;
  if (live === isLive) { if (!live) say(now); return; }
  isLive = live;
  root.classList.toggle("stale", !live);
  byId("stale").hidden = live;
  if (!live) say(now);
  figures.live(live);
}

function say(now) {
  const gone = now - heardAt > STALE_MS;
  const reason = gone ? "the screen does not reach its server" : beat?.why || "no samples come";
  setText("why", `Do not go by this picture: ${reason}.`);
}

function setText(id, text) {
  const element = byId(id);
  if (element.textContent !== text) element.textContent = text;
}

function nowUs() {
  return link.offsetMs === null ? beat?.server_us ?? 0 : (performance.now() + link.offsetMs) * 1000;
}

// What was said about the moment that samples last came from is not said on about another; a stop is.
function showWords(view) {
  const said = isLive || view.stop ? view : { headline: "Wait", count: view.count };
  setText("headline", said.headline ?? "Ready");
  setText("count", said.count ?? "");
  setText("detail", said.detail ?? "");
  setText("word", said.word ?? "");
  root.classList.toggle("paced", Boolean(view.way));
  byId("word").classList.toggle("stop", Boolean(view.stop));
  const countdown = byId("countdown");
  const until = view.countdown?.until_us;
  countdown.hidden = !until;
  if (until) {
    const left = Math.max(0, Math.ceil((until - nowUs()) / 1e6));
    const [number, label] = countdown.children;
    if (number.textContent !== String(left)) number.textContent = String(left);
    if (label.textContent !== view.countdown.label) label.textContent = view.countdown.label;
  }
  showTrust();
}

const TRUST = [
  [MARK.saturated, "beyond what the sensor can measure"],
  [MARK.flagged, "no reading"],
  [MARK.uncalibrated, "NOT CALIBRATED: raw counts"],
  [MARK.overload, "OVERLOAD"],
  [MARK.extrapolated, "beyond what was calibrated"],
  [MARK.noAngle, "no angle"],
];

function showTrust() {
  const last = plot.points.at(-1);
  const found = last ? TRUST.find(([bit]) => last[3] & bit) : null;
  byId("trust").classList.toggle("warn", Boolean(found));
  plot.setUnit(last && last[3] & MARK.uncalibrated ? "counts" : "N·m");
  const value = last?.[2];
  const shown = value === null || value === undefined ? "" : `${Math.round(value)} ${plot.unit}`;
  setText("trust", found ? `${found[1]}` : shown);
}

function frame(at) {
  requestAnimationFrame(frame);
  if (!beat) return;
  showWords(view);
  if (!isLive) return;
  plot.draw(nowUs());
  beam.draw(tempoNow());
  figures.frame(at);
}

// The pace goes on between beats; with reduced motion it steps twice a second.
const calm = matchMedia("(prefers-reduced-motion: reduce)");
function tempoNow() {
  const { pace, way, range_degrees: range } = view;
  if (!way || !range) return null;
  const [low, high] = range;
  const share = (degrees) => (degrees === null || degrees === undefined ? null : (high - degrees) / (high - low));
  const tempo = { way, share: share(plot.points.at(-1)?.[1]), from: null, to: null };
  if (pace) {
    let passed = Math.max(0, (nowUs() - pace.since_us) / 1e6);
    if (calm.matches) passed = Math.floor(passed * 2) / 2;
    let at = pace.seconds.findIndex((seconds) => seconds >= passed);
    if (at < 0) at = pace.seconds.length - 1;
    tempo.from = share(pace.high[at]);
    tempo.to = share(pace.low[at]);
  }
  return tempo;
}

setInterval(() => { figures.look(WATCH_MS); judge(performance.now()); }, WATCH_MS);
requestAnimationFrame(frame);
