// Torque against angle, or against time where the arm is locked.  Two layers: the ground (axes,
// band, last repetition) is drawn when it changes, the trace at every frame.

export const MARK = { flagged: 1, saturated: 2, uncalibrated: 4, extrapolated: 8, noAngle: 16, overload: 32 };
const KEPT_POINTS = 4096;
const FREE_TRACE_US = 6e6;      // without repetitions the last six seconds are shown
const TIME_SPAN_US = 12e6;
const HEAD_AT = 0.86;           // share of the width at which the present stands, against time
const STEPS = [1, 2, 2.5, 5, 10];
const TOPS = [1, 1.5, 2, 3, 4, 5, 6, 8, 10];

export class Plot {
  // mostLetter: CSS pixels; a display is read from afar, a page from near.
  constructor(root, mostLetter = Infinity) {
    this.root = root;
    this.mostLetter = mostLetter;
    this.ground = root.querySelector(".ground");
    this.trace = root.querySelector(".trace");
    this.points = [];
    this.view = {};
    this.low = 0;
    this.top = 0;                 // until the first view says what suits the machine
    this.dirty = true;
    new ResizeObserver(() => { this.dirty = true; }).observe(root);
    for (const query of ["(prefers-color-scheme: dark)", "(prefers-contrast: more)"]) {
      matchMedia(query).addEventListener("change", () => { this.dirty = true; });
    }
  }

  add(points, whole) {
    if (whole) this.points = [];
    const last = this.points.at(-1)?.[0] ?? 0;
    this.points.push(...points.filter((point) => point[0] > last));
    if (this.points.length > KEPT_POINTS) this.points.splice(0, this.points.length - KEPT_POINTS);
    for (const point of points) if (point[2] !== null) this.makeRoom(point[2]);
  }

  makeRoom(value) {
    if (value <= this.top && value >= this.bottom) return;
    if (value > this.top) this.top = niceTop(value * 1.1);
    else this.low = -niceTop(-value * 1.1);
    this.dirty = true;
  }

  get bottom() {
    return Math.min(-0.06 * this.top, this.low);
  }

  setView(view) {
    const text = JSON.stringify([view.range_degrees, view.plot, view.band_nm, view.last, view.top_nm, view.target_nm]);
    if (text === this.viewText) { this.view = view; return; }
    this.viewText = text;
    if (!this.top || view.plot !== this.view.plot) [this.top, this.low] = [niceTop(view.scale_nm), 0];  // another kind of effort
    this.view = view;
    if (view.top_nm) this.top = niceTop(view.top_nm);
    else if (view.band_nm && !this.banded) this.top = niceTop(view.band_nm[1] * 1.5);
    this.banded = Boolean(view.band_nm);
    this.dirty = true;
  }

  draw(nowUs) {
    if (this.dirty) this.layOut();
    this.drawTrace(nowUs);
  }

  layOut() {
    const ratio = Math.min(devicePixelRatio || 1, 1.5);
    const { width, height } = this.root.getBoundingClientRect();
    for (const canvas of [this.ground, this.trace]) {
      canvas.width = Math.max(1, Math.round(width * ratio));
      canvas.height = Math.max(1, Math.round(height * ratio));
    }
    const style = getComputedStyle(this.root);
    this.colour = (name) => style.getPropertyValue(`--${name}`).trim();
    this.letter = Math.max(14, Math.min(width / 30, height / 14, this.mostLetter)) * ratio;
    const pad = { left: this.letter * 3.2, right: this.letter * 1.2, top: this.letter * 1.9, bottom: this.letter * 1.6 };
    this.box = { x: pad.left, y: pad.top, w: this.ground.width - pad.left - pad.right, h: this.ground.height - pad.top - pad.bottom };
    this.dirty = false;
    this.drawGround();
  }

  // The bent end stands left, so that lifting runs to the right.
  x(degrees) {
    const [low, high] = this.view.range_degrees ?? [-15, 65];
    const slack = (high - low) * 0.04;
    return this.box.x + this.box.w * ((high + slack - degrees) / (high - low + 2 * slack));
  }

  get overTime() {
    return this.view.plot === "time";
  }

  // Where a point stands: by its angle, or by its age.
  place(point, nowUs) {
    if (!this.overTime) return this.x(point[1]);
    return this.box.x + this.box.w * (HEAD_AT - (nowUs - point[0]) / TIME_SPAN_US);
  }

  y(value) {
    const { top, bottom } = this;
    const held = Math.max(bottom, Math.min(value, top * 1.02));
    return this.box.y + this.box.h * (1 - (held - bottom) / (top * 1.02 - bottom));
  }

  drawGround() {
    const pen = this.ground.getContext("2d");
    pen.clearRect(0, 0, this.ground.width, this.ground.height);
    if (this.view.band_nm && !this.overTime) this.drawBand(pen, this.view.band_nm);
    this.drawValueAxis(pen);
    if (this.overTime) this.drawTarget(pen);
    else this.drawAngleAxis(pen);
    if (this.view.last && !this.overTime) this.drawLast(pen, this.view.last);
  }

  drawValueAxis(pen) {
    const { x, y, w, h } = this.box;
    pen.font = `600 ${this.letter}px system-ui, sans-serif`;
    pen.fillStyle = this.colour("quiet");
    pen.strokeStyle = this.colour("line");
    pen.lineWidth = Math.max(1, this.letter / 16);
    pen.textBaseline = "middle";
    pen.textAlign = "right";
    for (const value of ticks(this.low, this.top, 4)) {
      line(pen, [[x, this.y(value)], [x + w, this.y(value)]]);
      pen.fillText(String(value), x - this.letter * 0.5, this.y(value));
    }
    pen.strokeStyle = this.colour("edge");
    line(pen, [[x, y], [x, y + h], [x + w, y + h]]);
    pen.textAlign = "left";
    pen.textBaseline = "bottom";
    pen.fillText(this.unit ?? "N·m", x - this.letter * 2.4, y - this.letter * 0.5);
  }

  drawAngleAxis(pen) {
    const { x, y, w, h } = this.box;
    const [low, high] = this.view.range_degrees ?? [-15, 65];
    pen.textBaseline = "top";
    pen.textAlign = "center";
    const [bent, stretched] = ["bent forward", "stretched"].map((words) => pen.measureText(words).width + this.letter * 2);
    for (const degrees of ticks(low, high, Math.max(2, w / this.letter / 7))) {
      const px = this.x(degrees);
      line(pen, [[px, y + h], [px, y + h - this.letter * 0.5]]);
      if (px > x + bent && px < x + w - stretched) pen.fillText(`${degrees}°`, px, y + h + this.letter * 0.4);
    }
    pen.textAlign = "left";
    pen.fillText("bent forward", x, y + h + this.letter * 0.4);
    pen.textAlign = "right";
    pen.fillText("stretched", x + w, y + h + this.letter * 0.4);
  }

  // The band is told by its edges and a wash; outside it stays plain.
  drawBand(pen, [low, high]) {
    const { x, w } = this.box;
    pen.fillStyle = this.colour("reed-wash");
    pen.fillRect(x, this.y(high), w, this.y(low) - this.y(high));
    pen.strokeStyle = this.colour("reed");
    pen.lineWidth = this.letter / 9;
    for (const value of [low, high]) line(pen, [[x, this.y(value)], [x + w, this.y(value)]]);
  }

  drawTarget(pen) {
    const target = this.view.target_nm;
    if (!target) return;
    pen.strokeStyle = this.colour("tide");
    pen.lineWidth = this.letter / 5;
    pen.setLineDash([this.letter, this.letter * 0.5]);
    line(pen, [[this.box.x, this.y(target)], [this.box.x + this.box.w, this.y(target)]]);
    pen.setLineDash([]);
  }

  setUnit(unit) {
    if (unit === this.unit) return;
    this.unit = unit;
    this.dirty = true;
  }

  drawLast(pen, rows) {
    pen.strokeStyle = this.colour("past");
    pen.lineWidth = this.letter / 6;
    pen.setLineDash([this.letter * 0.5, this.letter * 0.5]);
    line(pen, rows.map(([degrees, value]) => [this.x(degrees), this.y(value)]));
    pen.setLineDash([]);
  }

  drawTrace(nowUs) {
    const pen = this.trace.getContext("2d");
    pen.clearRect(0, 0, this.trace.width, this.trace.height);
    const span = this.overTime ? TIME_SPAN_US * HEAD_AT : FREE_TRACE_US;
    const since = (this.overTime ? null : this.view.trace_since_us) ?? nowUs - span;
    const first = this.points.findIndex((point) => point[0] >= since);
    if (first < 0) return;
    pen.lineJoin = pen.lineCap = "round";
    for (const piece of pieces(this.points, first)) this.drawPiece(pen, piece, nowUs);
    this.drawHead(pen, this.points.at(-1), nowUs);
  }

  drawPiece(pen, { rows, plain }, nowUs) {
    pen.strokeStyle = this.colour(plain ? "reed" : "sand");
    pen.lineWidth = this.letter / (plain ? 3.2 : 4.5);
    pen.setLineDash(plain ? [] : [this.letter * 0.15, this.letter * 0.45]);
    line(pen, rows.map((point) => [this.place(point, nowUs), this.y(this.net(point[2]))]));
    pen.setLineDash([]);
  }

  // Where the client's relaxed weight was taken, it is taken off: what is shown is muscle.
  net(value) {
    return this.overTime && this.view.zero_nm ? value - this.view.zero_nm : value;
  }

  // A good value is a full disc; a value beyond the scale an arrowhead; none at all a cross.
  drawHead(pen, point, nowUs) {
    const [, degrees, value, mark] = point;
    if (degrees === null && !this.overTime) return;
    const size = this.letter * 0.75;
    const px = this.place(point, nowUs);
    pen.lineWidth = this.letter / 4;
    if (value === null || mark & MARK.saturated) {
      const py = this.y(mark & MARK.saturated ? this.top : 0);
      pen.strokeStyle = this.colour("rust");
      if (mark & MARK.saturated) line(pen, [[px - size, py + size], [px, py], [px + size, py + size]]);
      else { line(pen, [[px - size, py - size], [px + size, py + size]]); line(pen, [[px - size, py + size], [px + size, py - size]]); }
      return;
    }
    pen.beginPath();
    pen.arc(px, this.y(this.net(value)), size, 0, 2 * Math.PI);
    pen.fillStyle = this.colour(mark & ~64 ? "paper" : "reed");
    pen.strokeStyle = this.colour(mark & ~64 ? "sand" : "paper");
    pen.fill();
    pen.stroke();
  }
}

// Cuts the points where a value is missing, and where good ones turn into doubtful ones.
function* pieces(points, first) {
  let rows = [];
  let plain = true;
  for (let at = first; at < points.length; at += 1) {
    const point = points[at];
    const good = !(point[3] & ~64);
    if (point[1] === null || point[2] === null || good !== plain) {
      if (rows.length > 1) yield { rows, plain };
      rows = point[1] === null || point[2] === null ? [] : [...rows.slice(-1), point];
      plain = good;
    } else {
      rows.push(point);
    }
  }
  if (rows.length > 1) yield { rows, plain };
}

function line(pen, places) {
  pen.beginPath();
  places.forEach(([x, y], at) => (at ? pen.lineTo(x, y) : pen.moveTo(x, y)));
  pen.stroke();
}

export function niceTop(value, steps = TOPS) {
  const power = 10 ** Math.floor(Math.log10(Math.max(value, 1e-6)));
  return steps.map((step) => step * power).find((top) => top >= value) ?? 10 * power;
}

function ticks(low, high, about) {
  const step = niceTop((high - low) / about, STEPS);
  const found = [];
  for (let at = Math.ceil(low / step); at * step <= high + 1e-9; at += 1) found.push(Number((at * step).toFixed(6)));
  return found;
}
