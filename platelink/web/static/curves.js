// Recorded curves on a canvas: panels over one time axis, bands, gaps, a moving reading, zoom.
import { colours, h, put } from "./dom.js";
import { bare, clock, duration, inUnit, number, quantity, symbol, t } from "./text.js";

const LEFT = 64;
const RIGHT = 12;
const TOP = 22;
const GAP = 30;
const PANEL = 120;
const STEPS = [1, 2, 5];
const LEAST = { vacuum: 100, irradiance: 1, dose: 1 }; // noise is not blown up to a curve

/** A round step that gives about `count` marks. */
export const step = (span, count) => {
  const rough = span / count;
  const power = 10 ** Math.floor(Math.log10(rough));
  return power * (STEPS.find((one) => one * power >= rough) || 10);
};

const FLAT = 56; // height of a panel on paper
const SMALLER = 1.5; // everything on paper

/** panels: [{name, kind, times, values, low?, high?, over?: {times, values}}], times in ms, those of
 * `over` laid on the same beginning; marks: [{at, kind, number}]; asks `zoomed(from, until)`. */
export class Curves {
  constructor(figure, zoomed, marks = []) {
    this.zoomed = zoomed;
    this.marks = marks;
    this.tall = PANEL;
    this.canvas = h("canvas", { class: "curves", tabindex: 0, role: "img" });
    this.reading = h("p", { class: "note", "aria-live": "off" });
    const tool = (label, work) =>
      h("button", { type: "button", class: "quiet", text: label, onclick: work });
    this.tools = h(
      "div",
      { class: "tools" },
      tool(t("Closer"), () => this.#scale(0.5)),
      tool(t("Earlier"), () => this.#shift(-0.5)),
      tool(t("Later"), () => this.#shift(0.5)),
      tool(t("All"), () => this.zoomed(null, null)),
    );
    figure.prepend(this.canvas, this.reading, this.tools);
    this.data = null;
    this.at = null;
    new ResizeObserver(() => this.draw()).observe(this.canvas);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.draw());
    this.canvas.addEventListener("pointermove", (event) => this.#point(event.offsetX));
    this.canvas.addEventListener("pointerdown", (event) => this.#point(event.offsetX));
    this.canvas.addEventListener("pointerleave", () => this.#read(null));
    this.canvas.addEventListener("keydown", (event) => this.#key(event));
  }

  show(from, until, panels) {
    this.data = { from, until, panels };
    this.#fit();
    this.canvas.setAttribute("aria-label", this.#summary());
    this.#read(null);
    this.draw();
  }

  #fit() {
    const high = this.data.panels.length * (this.tall + GAP) + TOP;
    this.canvas.style.height = `${this.wide ? high / SMALLER : high}px`;
  }

  /** As it is on paper: flat, in the colours of paper, as wide as the column there. */
  print(width) {
    this.tall = FLAT;
    this.wide = width * SMALLER;
    this.at = null;
    this.#fit();
    this.canvas.style.width = `${width}px`;
    this.draw();
  }

  /** Back on the screen. */
  unprint() {
    this.tall = PANEL;
    this.wide = null;
    this.canvas.style.width = "";
    this.#fit();
    this.draw();
  }

  #summary() {
    const { panels } = this.data;
    return panels
      .map(({ name, kind, values }) => {
        const there = values.filter(Number.isFinite);
        if (!there.length) return `${name}: –`;
        const low = there.reduce((a, b) => Math.min(a, b));
        const high = there.reduce((a, b) => Math.max(a, b));
        return t("{name} from {low} to {high}", {
          name,
          low: bare(low, kind),
          high: quantity(high, kind),
        });
      })
      .join("; ");
  }

  get #span() {
    return [this.data.from, this.data.until];
  }

  #scale(part) {
    const [from, until] = this.#span;
    const middle = this.at ?? (from + until) / 2;
    const half = ((until - from) * part) / 2;
    this.zoomed(Math.round(middle - half), Math.round(middle + half));
  }

  #shift(part) {
    const [from, until] = this.#span;
    const by = (until - from) * part;
    this.zoomed(Math.round(from + by), Math.round(until + by));
  }

  #key(event) {
    if (!this.data) return;
    const [from, until] = this.#span;
    const by = (until - from) / 100;
    const to = {
      ArrowLeft: (this.at ?? until) - by,
      ArrowRight: (this.at ?? from) + by,
      Home: from,
      End: until,
    }[event.key];
    if (to === undefined) return;
    event.preventDefault();
    this.#read(Math.min(until, Math.max(from, to)));
  }

  #point(x) {
    if (!this.data) return;
    const [from, until] = this.#span;
    const part = (x - LEFT) / (this.canvas.clientWidth - LEFT - RIGHT);
    this.#read(from + Math.min(1, Math.max(0, part)) * (until - from));
  }

  #read(at) {
    this.at = at;
    put(
      this.reading,
      at === null
        ? t("Touch the curves, or use the arrow keys, to read them.")
        : [
            clock(at),
            ...this.data.panels.map(
              (panel) => `${panel.name} ${quantity(valueAt(panel, at), panel.kind)}`,
            ),
          ].join(" · "),
    );
    this.draw();
  }

  draw() {
    const { canvas, data } = this;
    const width = this.wide || canvas.clientWidth;
    if (!data || !width || data.until <= data.from) return;
    const scale = Math.min(devicePixelRatio || 1, 2) * (this.wide ? 1.5 : 1);
    const high = data.panels.length * (this.tall + GAP) + TOP;
    canvas.width = width * scale;
    canvas.height = high * scale;
    const c = canvas.getContext("2d");
    c.scale(scale, scale);
    c.font = `14px ${getComputedStyle(canvas).fontFamily}`;
    const ink = this.wide ? PAPER : colours();
    const [from, until] = this.#span;
    const x = (time) => LEFT + ((time - from) / (until - from)) * (width - LEFT - RIGHT);
    data.panels.forEach((panel, place) =>
      this.#panel(c, panel, TOP + place * (this.tall + GAP), width, x, ink),
    );
    this.#times(c, from, until, x, ink, width);
    this.#markings(c, x, ink);
    if (this.at !== null) {
      c.strokeStyle = ink.ink;
      c.lineWidth = 1;
      c.beginPath();
      c.moveTo(x(this.at), TOP);
      c.lineTo(x(this.at), this.#bottom);
      c.stroke();
    }
  }

  get #bottom() {
    return TOP + this.data.panels.length * (this.tall + GAP) - GAP;
  }

  /** A line through all panels at each mark, with its number; those too close share a place. */
  #markings(c, x, ink) {
    const [from, until] = this.#span;
    c.save();
    c.strokeStyle = ink.ink;
    c.fillStyle = ink.ink;
    c.lineWidth = 1;
    c.textAlign = "right";
    c.font = `700 12px ${getComputedStyle(this.canvas).fontFamily}`;
    let last = -Infinity;
    for (const { at, kind, number: n } of this.marks) {
      if (at < from || at > until) continue;
      const place = Math.round(x(at)) + 0.5;
      c.setLineDash(DASHES[kind] || [2, 3]);
      c.beginPath();
      c.moveTo(place, TOP);
      c.lineTo(place, this.#bottom);
      c.stroke();
      if (place - last < 16) continue;
      c.fillText(String(n), place - 3, TOP + 11);
      last = place;
    }
    c.restore();
  }

  #times(c, from, until, x, ink, width) {
    const bottom = this.#bottom;
    const every = step((until - from) / 1000, Math.max(2, width / 160));
    c.fillStyle = ink.dim;
    const length = (until - from) / 1000;
    for (let s = 0; s <= length; s += every) {
      c.textAlign = s > length * 0.95 ? "right" : s === 0 ? "left" : "center";
      c.fillText(duration(s), x(from + 1000 * s), bottom + 18);
    }
  }

  #panel(c, { name, kind, times, values, low, high, over }, top, width, x, ink) {
    const there = [...values, ...(over?.values || [])].filter(Number.isFinite);
    const shown = [
      ...(there.length ? [Math.max(...edges(there)), Math.min(...edges(there))] : [0, 1]),
      low,
      high,
    ].filter(Number.isFinite);
    const most = Math.max(...shown.map((v) => inUnit(v, kind)), inUnit(LEAST[kind] ?? 0, kind));
    const least = kind === "temperature" ? Math.min(...shown.map((v) => inUnit(v, kind))) : 0;
    const every = step(Math.max(most - least, 1e-9), 3);
    const floor = Math.floor(least / every) * every;
    const ceiling = Math.max(Math.ceil(most / every) * every, floor + every);
    const yOf = (value) => top + this.tall - ((value - floor) / (ceiling - floor)) * this.tall;
    const y = (value) => yOf(inUnit(value, kind));
    if (Number.isFinite(low) && Number.isFinite(high)) {
      c.fillStyle = ink.band;
      c.fillRect(LEFT, y(high), width - LEFT - RIGHT, y(low) - y(high));
    }
    c.fillStyle = ink.ink;
    c.textAlign = "left";
    c.fillText(`${name}, ${symbol(kind)}`, LEFT, top - 7);
    c.fillStyle = ink.dim;
    c.strokeStyle = ink.line;
    c.lineWidth = 1;
    c.textAlign = "right";
    c.beginPath();
    const decimals = Math.max(0, -Math.floor(Math.log10(every)));
    for (let mark = floor; mark <= ceiling + every / 2; mark += every) {
      c.moveTo(LEFT, Math.round(yOf(mark)) + 0.5);
      c.lineTo(width - RIGHT, Math.round(yOf(mark)) + 0.5);
      c.fillText(number(mark, decimals), LEFT - 8, yOf(mark) + 5);
    }
    c.stroke();
    c.strokeStyle = ink.ink;
    c.save();
    c.beginPath();
    c.rect(LEFT, top - 1, width - LEFT - RIGHT, this.tall + 2);
    c.clip();
    c.lineWidth = 1.5;
    c.lineJoin = "round";
    trace(c, times, values, x, y);
    if (over) {
      c.setLineDash([6, 4]);
      c.strokeStyle = ink.dim;
      trace(c, over.times, over.values, x, y);
    }
    c.restore();
  }
}

const PAPER = { ink: "#000", dim: "#333", line: "#888", band: "#e2e2e2" };
const DASHES = { hold: [], leak: [6, 3], door: [1, 3], alarm: [8, 2, 2, 2] };

const trace = (c, times, values, x, y) => {
  c.beginPath();
  let pen = false;
  for (let i = 0; i < times.length; i++) {
    const value = values[i];
    if (!Number.isFinite(value)) {
      pen = false;
    } else if (pen) {
      c.lineTo(x(times[i]), y(value));
    } else {
      c.moveTo(x(times[i]), y(value));
      pen = true;
    }
  }
  c.stroke();
};

/** The recorded value nearest to a time. */
const valueAt = ({ times, values }, at) => {
  let low = 0;
  let high = times.length - 1;
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (times[middle] < at) low = middle;
    else high = middle;
  }
  return values[at - times[low] < times[high] - at ? low : high];
};

/** Least and greatest, for arrays too long for arguments. */
const edges = (values) => [
  values.reduce((a, b) => Math.min(a, b)),
  values.reduce((a, b) => Math.max(a, b)),
];
