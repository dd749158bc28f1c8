// What the sensors say: value, the band it should be in, and the last minute as a curve.
import { h, put, set, show, svg } from "./dom.js";
import { Strip } from "./strip.js";
import { band, bare, known, sentence, symbol, t } from "./text.js";

const MISSING = {
  vacuum: ["vacuum_missing", "vacuum_range", "vacuum_implausible", "vacuum_stale"],
  irradiance: ["light_missing", "light_saturated"],
  temperature: ["oven_missing", "oven_range", "oven_stale"],
};

/** A scale with its band and a notch at the value; the words beside it say the same. */
class Scale {
  constructor(top) {
    this.top = top;
    this.bandMark = svg("rect", { class: "band", y: 6, height: 12, width: 0, x: 0 });
    this.notch = svg("rect", { class: "notch", x: -3, width: 6, height: 24 });
    this.node = svg(
      "svg",
      { class: "scale", viewBox: "-8 0 316 24", "aria-hidden": "true" },
      svg("rect", { class: "ground", y: 6, height: 12, width: 300 }),
      this.bandMark,
      this.notch,
    );
  }

  update(value, low, high) {
    const x = (v) => Math.round(300 * Math.min(1, Math.max(0, v / this.top)));
    set(this.bandMark, "x", low === null ? 0 : x(low));
    set(this.bandMark, "width", low === null ? 0 : x(high) - x(low));
    set(this.notch, "transform", `translate(${known(value) ? x(value) : 0} 0)`);
    set(this.notch, "visibility", known(value) ? "visible" : "hidden");
  }
}

export class Reading {
  constructor(name, kind, top, always = true) {
    this.always = always;
    this.kind = kind;
    this.value = h("span", { class: "value" });
    this.note = h("p", { class: "note" });
    this.scale = new Scale(top);
    const canvas = (this.canvas = h("canvas", { class: "strip", "aria-hidden": "true" }));
    this.strip = new Strip(canvas, { top });
    this.node = h(
      "section",
      { class: "reading", "data-reading": kind },
      h("h2", { text: name }),
      h("p", { class: "figure" }, this.value, h("span", { class: "unit", text: symbol(kind) })),
      this.scale.node,
      this.note,
      canvas,
    );
  }

  /** limits: [low, high, whether it must be in between now]; beside: the instrument that tells it. */
  update(value, limits, quality, now, beside) {
    const wrong = (quality || []).some((flag) => MISSING[this.kind].includes(flag));
    const [low, high, judged] = limits || [null, null, false];
    put(this.value, bare(value, this.kind));
    // What an instrument says of itself takes lines, and there is nothing to draw.
    const gone = wrong && Boolean(beside?.problem);
    show(this.scale.node, Boolean(limits) && !gone);
    show(this.canvas, (Boolean(limits) || this.always) && !gone);
    this.scale.update(value, low, high);
    this.strip.low = low;
    this.strip.high = high;
    const outside = limits && known(value) && (value < low || value > high);
    const out = outside && judged;
    const below = out && value < low;
    let note = "";
    if (gone) note = sentence(beside.problem);
    else if (wrong) note = t("Sensor fault: check its wiring.");
    else if (out)
      note = (below ? t("Below its band of {band}") : t("Above its band of {band}")).replace(
        "{band}",
        band(low, high, this.kind),
      );
    else if (limits) note = t("Band {band}", { band: band(low, high, this.kind) });
    const from = beside && !wrong ? t("From {name}.", { name: beside.name }) : "";
    put(this.note, `${note} ${from}`.trim());
    set(this.node, "data-off", wrong || out ? "yes" : null);
    this.strip.push(now, known(value) ? value : NaN);
  }

  silent(now) {
    put(this.value, "–");
    put(this.note, "");
    set(this.node, "data-off", null);
    this.scale.update(null, null, null);
    this.strip.push(now, NaN);
  }

  draw(now) {
    this.strip.draw(now);
  }

  visible(yes) {
    show(this.node, yes);
  }
}
