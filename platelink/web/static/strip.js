// A live curve of the last minute on a canvas: one value, its band, gaps where nothing came.
import { colours } from "./dom.js";

const SPAN_S = 60;
const MOST = 1200;

export class Strip {
  constructor(canvas, { top, low = null, high = null }) {
    this.canvas = canvas;
    this.top = top;
    this.low = low;
    this.high = high;
    this.times = new Float64Array(MOST);
    this.values = new Float64Array(MOST);
    this.first = 0;
    this.count = 0;
    this.width = 0;
    new ResizeObserver(([entry]) => this.#size(entry.contentRect)).observe(canvas);
  }

  #size({ width, height }) {
    const scale = Math.min(devicePixelRatio || 1, 2);
    this.width = this.canvas.width = Math.round(width * scale);
    this.height = this.canvas.height = Math.round(height * scale);
    this.scale = scale;
  }

  /** One value at a time in seconds; NaN is a gap. */
  push(time, value) {
    const at = (this.first + this.count) % MOST;
    this.times[at] = time;
    this.values[at] = value;
    if (this.count < MOST) this.count++;
    else this.first = (this.first + 1) % MOST;
    if (value > this.top) this.top = value * 1.1;
  }

  /** Older values, put before what has come since. */
  before(times, values) {
    const since = [];
    for (let i = 0; i < this.count; i++) {
      const at = (this.first + i) % MOST;
      since.push([this.times[at], this.values[at]]);
    }
    this.first = this.count = 0;
    times.forEach((time, i) => this.push(time, values[i] ?? NaN));
    for (const [time, value] of since) if (!(time <= times.at(-1))) this.push(time, value);
  }

  draw(now) {
    const { canvas, width, height, scale } = this;
    if (!width) return;
    const c = canvas.getContext("2d");
    const ink = colours();
    c.clearRect(0, 0, width, height);
    const y = (value) => height - scale - (Math.max(0, value) / this.top) * (height - 3 * scale);
    const x = (time) => width * (1 - (now - time) / SPAN_S);
    if (this.low !== null) {
      c.fillStyle = ink.band;
      c.fillRect(0, y(this.high), width, y(this.low) - y(this.high));
      c.strokeStyle = ink.line;
      c.lineWidth = scale;
      c.setLineDash([4 * scale, 4 * scale]);
      c.beginPath();
      for (const edge of [this.low, this.high]) {
        c.moveTo(0, y(edge));
        c.lineTo(width, y(edge));
      }
      c.stroke();
      c.setLineDash([]);
    }
    c.strokeStyle = ink.line;
    c.lineWidth = scale;
    c.beginPath();
    c.moveTo(0, height - scale / 2);
    c.lineTo(width, height - scale / 2);
    c.stroke();
    c.strokeStyle = ink.ink;
    c.lineWidth = 2 * scale;
    c.lineJoin = "round";
    c.beginPath();
    let pen = false;
    let last = 0;
    for (let i = 0; i < this.count; i++) {
      const at = (this.first + i) % MOST;
      const time = this.times[at];
      if (now - time > SPAN_S) continue;
      const value = this.values[at];
      if (!Number.isFinite(value) || (pen && time - last > 1.5)) {
        pen = false;
        if (!Number.isFinite(value)) continue;
      }
      if (pen) c.lineTo(x(time), y(value));
      else c.moveTo(x(time), y(value));
      pen = true;
      last = time;
    }
    c.stroke();
  }
}
