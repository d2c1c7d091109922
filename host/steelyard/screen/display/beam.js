// The steelyard: a beam of two arms on its edge.  The left arm is the way up, the right arm the
// way down.  The bracket goes along at the asked pace and is as wide as the tempo may vary; the
// poise is the client.  It hangs within the bracket while the tempo is right.

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

  // tempo: {way, share, from, to}, shares of the way up done (0 bent forward, 1 stretched); or nothing.
  draw(tempo) {
    if (this.dirty) this.layOut();
    const { width, height } = this.canvas;
    const pen = this.canvas.getContext("2d");
    pen.clearRect(0, 0, width, height);
    const margin = height * 0.45;
    const edge = width / 2;
    const arm = edge - margin;
    this.frame(pen, margin, edge, height, tempo?.way);
    if (!tempo) return;
    const place = (share) => {
      const held = Math.max(-0.05, Math.min(1.05, share));
      return tempo.way === "down" ? edge + arm * (1 - held) : margin + arm * held;
    };
    if (tempo.from !== null) this.bracket(pen, place(tempo.from), place(tempo.to), height);
    if (tempo.share !== null) this.poise(pen, place(tempo.share), height);
  }

  frame(pen, margin, edge, height, way) {
    const middle = height * 0.36;
    pen.lineCap = "round";
    for (const [side, from, to] of [["up", margin, edge], ["down", edge, 2 * edge - margin]]) {
      pen.strokeStyle = this.colour(way === side ? "ink" : "line");
      pen.lineWidth = height * (way === side ? 0.08 : 0.05);
      stroke(pen, [[from, middle], [to, middle]]);
    }
    pen.fillStyle = this.colour("edge");
    pen.beginPath();
    pen.moveTo(edge, middle + height * 0.05);
    pen.lineTo(edge - height * 0.13, middle + height * 0.3);
    pen.lineTo(edge + height * 0.13, middle + height * 0.3);
    pen.fill();
    pen.font = `600 ${height * 0.27}px system-ui, sans-serif`;
    pen.textBaseline = "bottom";
    pen.textAlign = "left";
    pen.fillStyle = this.colour(way === "up" ? "ink" : "quiet");
    pen.fillText("lift", margin, height);
    pen.textAlign = "right";
    pen.fillStyle = this.colour(way === "down" ? "ink" : "quiet");
    pen.fillText("lower", 2 * edge - margin, height);
  }

  bracket(pen, from, to, height) {
    const [left, right] = from < to ? [from, to] : [to, from];
    const half = height * 0.24;
    const middle = height * 0.36;
    const x = left - half;
    const w = right - left + 2 * half;
    pen.fillStyle = this.colour("reed-wash");
    pen.strokeStyle = this.colour("reed");
    pen.lineWidth = height * 0.06;
    pen.beginPath();
    pen.roundRect(x, middle - half, w, 2 * half, half);
    pen.fill();
    pen.stroke();
  }

  poise(pen, x, height) {
    pen.fillStyle = this.colour("ink");
    pen.beginPath();
    pen.arc(x, height * 0.36, height * 0.16, 0, 2 * Math.PI);
    pen.fill();
  }
}

function stroke(pen, places) {
  pen.beginPath();
  places.forEach(([x, y], at) => (at ? pen.lineTo(x, y) : pen.moveTo(x, y)));
  pen.stroke();
}
