// Torque against angle.  Two layers: the ground (axes, corridor, last repetition) is drawn
// when it changes, the trace at every frame.

export const MARK = { flagged: 1, saturated: 2, uncalibrated: 4, extrapolated: 8, noAngle: 16, overload: 32 };
const KEPT_POINTS = 4096;
const FREE_TRACE_US = 6e6;      // without repetitions the last six seconds are shown
const STEPS = [1, 2, 2.5, 5, 10];

export class Plot {
  constructor(root) {
    this.root = root;
    this.ground = root.querySelector(".ground");
    this.trace = root.querySelector(".trace");
    this.points = [];
    this.view = {};
    this.top = 100;
    this.dirty = true;
    new ResizeObserver(() => { this.dirty = true; }).observe(root);
    for (const query of ["(prefers-color-scheme: dark)", "(prefers-contrast: more)"]) {
      matchMedia(query).addEventListener("change", () => { this.dirty = true; });
    }
  }

  add(points, whole) {
    if (whole) this.points = [];
    this.points.push(...points);
    if (this.points.length > KEPT_POINTS) this.points.splice(0, this.points.length - KEPT_POINTS);
    for (const point of points) if (point[2] !== null && Math.abs(point[2]) > this.top) this.raise(point[2]);
  }

  raise(value) {
    this.top = niceTop(Math.abs(value) * 1.1);
    this.dirty = true;
  }

  setView(view) {
    const text = JSON.stringify([view.range_degrees, view.corridor, view.last, view.top_nm]);
    if (text === this.viewText) { this.view = view; return; }
    this.viewText = text;
    this.view = view;
    if (view.top_nm) this.top = niceTop(view.top_nm);
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
    this.letter = Math.max(13, Math.min(width, height * 1.4) / 34) * ratio;
    const pad = { left: this.letter * 3.2, right: this.letter * 1.2, top: this.letter * 1.6, bottom: this.letter * 2.4 };
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

  y(value) {
    const bottom = -0.06 * this.top;
    return this.box.y + this.box.h * (1 - (Math.min(value, this.top * 1.02) - bottom) / (this.top * 1.02 - bottom));
  }

  drawGround() {
    const pen = this.ground.getContext("2d");
    pen.clearRect(0, 0, this.ground.width, this.ground.height);
    this.drawAxes(pen);
    if (this.view.corridor) this.drawCorridor(pen, this.view.corridor);
    if (this.view.last) this.drawLast(pen, this.view.last);
  }

  drawAxes(pen) {
    const { x, y, w, h } = this.box;
    pen.font = `600 ${this.letter}px system-ui, sans-serif`;
    pen.fillStyle = this.colour("quiet");
    pen.strokeStyle = this.colour("line");
    pen.lineWidth = Math.max(1, this.letter / 16);
    pen.textBaseline = "middle";
    pen.textAlign = "right";
    for (const value of ticks(0, this.top, 4)) {
      line(pen, [[x, this.y(value)], [x + w, this.y(value)]]);
      pen.fillText(String(value), x - this.letter * 0.5, this.y(value));
    }
    pen.textBaseline = "top";
    pen.textAlign = "center";
    const [low, high] = this.view.range_degrees ?? [-15, 65];
    for (const degrees of ticks(low, high, Math.max(2, w / this.letter / 7))) {
      line(pen, [[this.x(degrees), y + h], [this.x(degrees), y + h - this.letter * 0.5]]);
      pen.fillText(`${degrees}°`, this.x(degrees), y + h + this.letter * 0.35);
    }
    pen.strokeStyle = this.colour("edge");
    line(pen, [[x, y], [x, y + h], [x + w, y + h]]);
    pen.textAlign = "left";
    pen.textBaseline = "bottom";
    pen.fillText(this.unit ?? "N·m", x - this.letter * 2.4, y - this.letter * 0.3);
    pen.textAlign = "left";
    pen.textBaseline = "top";
    pen.fillText("bent forward", x, y + h + this.letter * 1.35);
    pen.textAlign = "right";
    pen.fillText("stretched", x + w, y + h + this.letter * 1.35);
  }

  setUnit(unit) {
    if (unit === this.unit) return;
    this.unit = unit;
    this.dirty = true;
  }

  // The corridor is told by its edges and a wash; outside it stays plain.
  drawCorridor(pen, rows) {
    const upper = rows.map(([degrees, , high]) => [this.x(degrees), this.y(high)]);
    const lower = rows.map(([degrees, low]) => [this.x(degrees), this.y(low)]);
    pen.fillStyle = this.colour("reed-wash");
    pen.beginPath();
    [...upper, ...lower.reverse()].forEach(([px, py], at) => (at ? pen.lineTo(px, py) : pen.moveTo(px, py)));
    pen.fill();
    pen.strokeStyle = this.colour("reed");
    pen.lineWidth = this.letter / 7;
    line(pen, upper);
    line(pen, lower);
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
    const since = this.view.trace_since_us ?? nowUs - FREE_TRACE_US;
    const first = this.points.findIndex((point) => point[0] >= since);
    if (first < 0) return;
    pen.lineJoin = pen.lineCap = "round";
    for (const piece of pieces(this.points, first)) this.drawPiece(pen, piece);
    this.drawHead(pen, this.points.at(-1));
  }

  drawPiece(pen, { rows, plain }) {
    pen.strokeStyle = this.colour(plain ? "reed" : "sand");
    pen.lineWidth = this.letter / (plain ? 3.2 : 4.5);
    pen.setLineDash(plain ? [] : [this.letter * 0.15, this.letter * 0.45]);
    line(pen, rows.map((point) => [this.x(point[1]), this.y(point[2])]));
    pen.setLineDash([]);
  }

  // A good value is a full disc; a value beyond the scale an arrowhead; none at all a cross.
  drawHead(pen, point) {
    const [, degrees, value, mark] = point;
    if (degrees === null) return;
    const size = this.letter * 0.75;
    const px = this.x(degrees);
    pen.lineWidth = this.letter / 4;
    if (value === null || mark & MARK.saturated) {
      const py = this.y(mark & MARK.saturated ? this.top : 0);
      pen.strokeStyle = this.colour("rust");
      if (mark & MARK.saturated) line(pen, [[px - size, py + size], [px, py], [px + size, py + size]]);
      else { line(pen, [[px - size, py - size], [px + size, py + size]]); line(pen, [[px - size, py + size], [px + size, py - size]]); }
      return;
    }
    pen.beginPath();
    pen.arc(px, this.y(value), size, 0, 2 * Math.PI);
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

export function niceTop(value) {
  const power = 10 ** Math.floor(Math.log10(Math.max(value, 1e-6)));
  return STEPS.map((step) => step * power).find((top) => top >= value) ?? 10 * power;
}

function ticks(low, high, about) {
  const step = niceTop((high - low) / about);
  const found = [];
  for (let at = Math.ceil(low / step); at * step <= high + 1e-9; at += 1) found.push(Number((at * step).toFixed(6)));
  return found;
}
