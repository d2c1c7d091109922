// The steelyard: a beam of two unequal arms on its edge.  The left arm is the way up, the
// right arm the way down, each as long as it may take.  The hollow ring is the pace, the
// full poise is the client; they belong together.

export class Beam {
  constructor(root) {
    this.root = root;
    this.canvas = root.querySelector("canvas");
    this.dirty = true;
    new ResizeObserver(() => { this.dirty = true; }).observe(root);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { this.dirty = true; });
  }

  layOut() {
    const ratio = Math.min(devicePixelRatio || 1, 1.5);
    const { width, height } = this.root.getBoundingClientRect();
    this.canvas.width = Math.max(1, Math.round(width * ratio));
    this.canvas.height = Math.max(1, Math.round(height * ratio));
    const style = getComputedStyle(this.root);
    this.colour = (name) => style.getPropertyValue(`--${name}`).trim();
    this.dirty = false;
  }

  // tempo: {up_seconds, down_seconds, way, share, pace} or nothing.
  draw(tempo) {
    if (this.dirty) this.layOut();
    const { width, height } = this.canvas;
    const pen = this.canvas.getContext("2d");
    pen.clearRect(0, 0, width, height);
    const up = tempo?.up_seconds ?? 2;
    const down = tempo?.down_seconds ?? 4;
    const margin = height * 0.5;
    const length = width - 2 * margin;
    const edge = margin + (length * up) / (up + down);
    this.frame(pen, margin, edge, length, height);
    if (!tempo) return;
    const place = (way, share) => (way === "down" ? edge + (margin + length - edge) * share : margin + (edge - margin) * share);
    if (tempo.pace !== null) this.ring(pen, place(tempo.way, tempo.pace), height);
    if (tempo.share !== null) this.poise(pen, place(tempo.way, tempo.share), height);
    this.labels(pen, margin, edge, length, height, tempo);
  }

  frame(pen, margin, edge, length, height) {
    pen.strokeStyle = this.colour("edge");
    pen.lineWidth = height * 0.05;
    stroke(pen, [[margin, height * 0.5], [margin + length, height * 0.5]]);
    pen.fillStyle = this.colour("edge");
    pen.beginPath();
    pen.moveTo(edge, height * 0.5);
    pen.lineTo(edge - height * 0.14, height * 0.78);
    pen.lineTo(edge + height * 0.14, height * 0.78);
    pen.fill();
  }

  ring(pen, x, height) {
    pen.strokeStyle = this.colour("ink");
    pen.lineWidth = height * 0.06;
    pen.beginPath();
    pen.arc(x, height * 0.5, height * 0.27, 0, 2 * Math.PI);
    pen.stroke();
  }

  poise(pen, x, height) {
    pen.fillStyle = this.colour("reed");
    pen.beginPath();
    pen.arc(x, height * 0.5, height * 0.17, 0, 2 * Math.PI);
    pen.fill();
  }

  labels(pen, margin, edge, length, height, tempo) {
    pen.fillStyle = this.colour("quiet");
    pen.font = `600 ${height * 0.24}px system-ui, sans-serif`;
    pen.textBaseline = "alphabetic";
    pen.textAlign = "left";
    pen.fillText(`lift ${tempo.up_seconds} s`, margin, height * 0.99);
    pen.textAlign = "right";
    pen.fillText(`lower ${tempo.down_seconds} s`, margin + length, height * 0.99);
  }
}

function stroke(pen, places) {
  pen.beginPath();
  places.forEach(([x, y], at) => (at ? pen.lineTo(x, y) : pen.moveTo(x, y)));
  pen.stroke();
}
