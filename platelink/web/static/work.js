// The step at hand of one plate, by its kind: the figure that counts, and what to do next.
import { act } from "./acts.js";
import { h, put, set, show } from "./dom.js";
import { inspectForm } from "./inspect.js";
import { link } from "./link.js";
import { can } from "./send.js";
import { stateOf, waitWord } from "./words.js";
import {
  band,
  bare,
  duration,
  known,
  minutes,
  number,
  ownUnit,
  parse,
  quantity,
  said,
  sentence,
  symbol,
  t,
} from "./text.js";

const meter = (label) => {
  const fill = h("div", { class: "fill" });
  const node = h(
    "div",
    {
      class: "meter",
      role: "progressbar",
      "aria-label": label,
      "aria-valuemin": 0,
      "aria-valuemax": 100,
    },
    fill,
  );
  return {
    node,
    update(part) {
      const whole = Math.round(Math.min(1, Math.max(0, part || 0)) * 1000) / 10;
      fill.style.width = `${whole}%`;
      set(node, "aria-valuenow", Math.round(whole));
    },
  };
};

const FIGURE_EM = 0.64; // width of a digit
const BESIDE_EM = 0.4; // size of the second figure
const GAP_EM = 0.25;
const SIGN_EM = 0.35; // before a time that is over

/** What counts for the hand, large; what belongs to it beside. Each is [value, unit] or null. */
export const figures = () => {
  const one = () => {
    const value = h("p", { class: "value" });
    const unit = h("p", { class: "unit" });
    return { node: h("div", { class: "fig" }, value, unit), value, unit };
  };
  const [first, beside] = [one(), one()];
  const row = h("div", {}, first.node, beside.node);
  const node = h("div", { class: "figs" }, row);
  const fill = (place, what) => {
    show(place.node, Boolean(what));
    put(place.value, what?.[0] ?? "");
    put(place.unit, what?.[1] ?? "");
    return what ? what[0].length * FIGURE_EM : 0;
  };
  return {
    node,
    update(what, also = null, calls = null) {
      const gaps = (also ? GAP_EM : 0) + (calls === "overdue" ? SIGN_EM : 0);
      const ems = fill(first, what) + BESIDE_EM * fill(beside, also) + gaps;
      row.style.setProperty("--ems", Math.max(2, ems).toFixed(2));
      set(node, "data-calls", calls);
      show(node, Boolean(what));
    },
  };
};

/** Time still to go, or over. */
const left = (seconds) => minutes(Math.ceil(Math.max(0, seconds)));
const over = (seconds) => `+${minutes(seconds)}`;

/** The time still to go, or the dose, and how much is given. */
const exposing = () => {
  const figs = figures();
  const bar = meter(t("Dose given"));
  return {
    node: h("div", { class: "kind" }, figs.node, bar.node),
    update({ now }) {
      const exposure = now.exposure || {};
      const { dose_mj_cm2: dose, target_dose_mj_cm2: target } = exposure;
      const of = t("of {dose}", { dose: quantity(target, "dose") });
      const lit = exposure.step === "light";
      if (lit && known(exposure.remaining_s) && known(dose))
        figs.update([left(exposure.remaining_s), t("left, at this light")], [bare(dose, "dose"), of]);
      else if (lit || exposure.step === "tail" || !known(dose))
        figs.update([bare(dose, "dose"), of]);
      else
        figs.update([
          bare(Math.max(0, target - dose), "dose"),
          dose > 0
            ? t("{unit} to go of {dose}", { unit: symbol("dose"), dose: bare(target, "dose") })
            : t("{unit} planned", { unit: symbol("dose") }),
        ]);
      bar.update(dose / target);
    },
  };
};

/** Minutes that still have to count, and the oven against its band. */
const baking = () => {
  const figs = figures();
  const bar = meter(t("Time in band"));
  const note = h("p", { class: "waits" });
  return {
    node: h("div", { class: "kind" }, figs.node, bar.node, note),
    update({ now }) {
      const bake = now.bake || {};
      const toGo = known(bake.needed_s) ? bake.needed_s - (bake.in_band_s ?? 0) : null;
      figs.update(
        [
          known(toGo) ? left(toGo) : "–",
          t("left in band, of {time}", { time: duration(bake.needed_s) }),
        ],
        [bare(bake.oven_c, "temperature"), t("{unit} oven air", { unit: symbol("temperature") })],
      );
      bar.update(bake.in_band_s / bake.needed_s);
      const out = known(bake.oven_c) && (bake.oven_c < bake.low_c || bake.oven_c > bake.high_c);
      const limits = { band: band(bake.low_c, bake.high_c, "temperature") };
      const plate = known(bake.plate_c)
        ? t("Plate about {value}.", { value: quantity(bake.plate_c, "temperature") })
        : "";
      put(
        note,
        [
          bake.door_open
            ? t("The oven door seems to be open: no minutes are counted.")
            : out
              ? t("Out of its band of {band}: no minutes are counted.", limits)
              : t("Band of the air {band}.", limits),
          plate,
        ]
          .join(" ")
          .trim(),
      );
      set(note, "data-off", bake.door_open || (out && now.state === "running") ? "yes" : null);
    },
  };
};

/** The water of a washout: what it has, and where no probe tells it, what a person measured. */
const bathing = () => {
  const note = h("p", { class: "waits" });
  const says = h("p", { class: "wrong", role: "alert", hidden: true });
  const input = h("input", { id: "water", inputmode: "decimal", autocomplete: "off", maxlength: 9 });
  let plate = null;
  const send = async (event) => {
    event.preventDefault();
    const typed = parse(input.value);
    if (!Number.isFinite(typed)) {
      input.focus();
      put(says, t("Enter the temperature of the water, a number."));
      show(says, true);
      return;
    }
    const values = { water_c: ownUnit(typed, "temperature") };
    if (await act(plate, "measure", says, { values })) input.value = "";
  };
  const form = h(
    "form",
    { id: "measure", class: "findings", novalidate: true, onsubmit: send },
    h(
      "div",
      { class: "field" },
      h("label", {
        for: "water",
        text: t("Measured in the water, {unit}", { unit: symbol("temperature") }),
      }),
      input,
    ),
    says,
  );
  return {
    node: h("div", { class: "bath" }, note, form),
    update(current) {
      plate = current;
      const { low_c: low, high_c: high, water_c: value, by } = current.now.water;
      const limits = { band: band(low, high, "temperature"), who: by };
      const out = known(value) && (value < low || value > high);
      put(
        note,
        out
          ? t("Out of its band of {band}: correct it.", limits)
          : by && known(value)
            ? t("Band {band}. Typed by {who}.", limits)
            : t("Band {band}", limits),
      );
      set(note, "data-off", out ? "yes" : null);
      show(form, (current.now.acts || []).includes("measure") && can("run"));
    },
  };
};

/** A stage by hand: the time still to go, then the time over. */
const staging = (first) => {
  const bath = first.now.water ? bathing() : null;
  const figs = figures();
  const bar = meter(t("Time of this stage"));
  return {
    node: h("div", { class: "kind" }, figs.node, bar.node, bath && bath.node),
    update(plate) {
      const { stage, water } = plate.now;
      if (bath) bath.update(plate);
      const timed = known(stage?.planned_s);
      const toGo = timed ? stage.planned_s - (stage.elapsed_s ?? 0) : null;
      const time = timed ? duration(stage.planned_s) : "";
      const degrees =
        water && known(water.water_c)
          ? [
              bare(water.water_c, "temperature"),
              t("{unit} in the water", { unit: symbol("temperature") }),
            ]
          : null;
      const figure = !timed
        ? degrees
        : stage.due
          ? [over(-toGo), t("over {time}", { time })]
          : stage.waiting
            ? [left(stage.planned_s), t("planned")]
            : [left(toGo), t("left of {time}", { time })];
      const typing = (plate.now.acts || []).includes("measure");
      figs.update(
        typing ? null : figure,
        timed ? degrees : null,
        stage?.overdue ? "overdue" : stage?.due ? "due" : null,
      );
      show(bar.node, timed && !typing);
      if (timed) bar.update((stage.elapsed_s ?? 0) / stage.planned_s);
    },
  };
};

const BY_KIND = {
  expose: exposing,
  bake: baking,
  wash: staging,
  blow_off: staging,
  prompt: staging,
  inspect: inspectForm,
};

/** What becomes of the light. */
const lightNext = ({ state, exposure }, acts) => {
  if (exposure?.step === "tail")
    return t("Wait. The light is off; the after-glow is being counted.");
  if (exposure?.step === "light" && !known(exposure.dose_mj_cm2))
    return t("The device does not answer: the light may be on. Use the unit's own stop button.");
  if (["holding", "stopping", "aborting"].includes(state) && !acts.includes("hold"))
    return t("Wait. The light is being switched off.");
  if (exposure?.step === "light") return t("Wait. The light ends by itself at the dose.");
  return state === "holding" // the program began anew in it
    ? t("Wait. The device is reporting the dose it gave.")
    : t("Wait. The light comes by itself.");
};

/** What is to be done next, in words. */
const nextAct = (plate) => {
  const { now } = plate;
  const { stage, acts = [], waiting_for: waits = [] } = now;
  if (now.state === "held") return now.reason ? "" : t("Held. Look for the cause, then restart.");
  if (now.state === "ready" && now.water && waits.length)
    return known(now.water.water_c)
      ? t("Correct the water and measure it again; then begin.")
      : t("Measure the water and enter its temperature; then begin.");
  if (now.state === "ready" || now.state === "waiting")
    return said(now.instructions) || t("Begin when you are ready.");
  if (stage?.due) return t("Time is up: end it now, then confirm.");
  if (stage) return said(stage.prompt || now.instructions || "");
  if (now.kind === "expose" && link.status.advisory) {
    return now.exposure?.step === "light"
      ? t("The light is the unit's own: end it when the dose is reached.")
      : t("Start the light with the unit's own timer.");
  }
  if (now.kind === "expose")
    return waits.length
      ? t("Light waits for: {what}", { what: waits.map(waitWord).join(", ") })
      : lightNext(now, acts);
  if (now.kind === "bake") return t("Leave the plate in the oven, door closed.");
  return said(now.instructions || "");
};

const HANDS = ["ready", "held"];
const LONG = [90, 200]; // characters of an instruction from which it is set smaller

const length = (node, text) => {
  const steps = LONG.filter((limit) => text.length > limit).length;
  set(node, "data-long", steps || null);
};

/** The card of the step at hand. Made anew only when plate or step change. */
export const workCard = (plate) => {
  const { now } = plate;
  const part = (BY_KIND[now.kind] || staging)(plate);
  const state = h("p", { class: "state" });
  const why = h("p", { class: "say why", hidden: true });
  const next = h("p", { class: "say next" });
  const node = h(
    "div",
    { class: "work", "data-kind": now.kind },
    h("div", { class: "headline" }, h("h2", { text: now.name }), state),
    why,
    next,
    part.node,
  );
  return {
    node,
    update(current) {
      const { stage, state: at, exposure } = current.now;
      const reason = sentence(current.now.reason);
      const named = stage?.name && at === "running";
      const which =
        stage?.count > 1
          ? t("stage {n} of {count}", { n: number(stage.number), count: number(stage.count) })
          : "";
      put(state, [named ? stage.name : stateOf(current.now), which].filter(Boolean).join(" · "));
      set(node, "data-state", at);
      set(node, "data-lit", exposure?.step === "light" ? "yes" : null);
      put(why, reason);
      show(why, Boolean(reason));
      length(why, reason);
      const text = nextAct(current);
      put(next, text);
      length(next, text);
      set(next, "data-hand", HANDS.includes(at) || stage ? "yes" : null);
      set(next, "data-calls", stage?.due || stage?.overdue ? "yes" : null);
      show(next, Boolean(text));
      part.update(current);
    },
  };
};
