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

const pair = (label, small = "") => {
  const value = h("span", { class: "value" });
  const unit = h("span", { class: "unit", text: small });
  const node = h(
    "div",
    { class: "big" },
    h("p", { class: "label", text: label }),
    h("p", { class: "figure" }, value),
    unit,
  );
  return { node, value, unit };
};

/** Dose against its target, and the time still to go. */
const exposing = () => {
  const dose = pair(t("Dose"));
  const left = pair(t("Still to go"));
  const bar = meter(t("Dose given"));
  const waits = h("p", { class: "waits" });
  const screen = h("p", { class: "waits" });
  return {
    node: h(
      "div",
      { class: "kind" },
      h("div", { class: "bigs" }, dose.node, left.node),
      bar.node,
      screen,
      waits,
    ),
    update({ now }) {
      const exposure = now.exposure || {};
      put(screen, exposure.screen ? t("Screen: {screen}", { screen: exposure.screen }) : "");
      show(screen, Boolean(exposure.screen));
      put(dose.value, bare(exposure.dose_mj_cm2, "dose"));
      put(dose.unit, t("of {dose}", { dose: quantity(exposure.target_dose_mj_cm2, "dose") }));
      const timed = known(exposure.remaining_s);
      const missing = known(exposure.dose_mj_cm2)
        ? Math.max(0, exposure.target_dose_mj_cm2 - exposure.dose_mj_cm2)
        : null;
      put(left.value, timed ? minutes(Math.ceil(exposure.remaining_s)) : bare(missing, "dose"));
      put(left.unit, timed ? t("min:s") : symbol("dose"));
      bar.update(exposure.dose_mj_cm2 / exposure.target_dose_mj_cm2);
      const list = now.waiting_for || [];
      put(
        waits,
        list.length ? t("Light waits for: {what}", { what: list.map(waitWord).join(", ") }) : "",
      );
      show(waits, list.length > 0);
    },
  };
};

/** Minutes that count, and the oven against its band. */
const baking = () => {
  const counted = pair(t("Counted in band"));
  const oven = pair(t("Oven air"), symbol("temperature"));
  const bar = meter(t("Time in band"));
  const note = h("p", { class: "waits" });
  return {
    node: h(
      "div",
      { class: "kind" },
      h("div", { class: "bigs" }, counted.node, oven.node),
      bar.node,
      note,
    ),
    update({ now }) {
      const bake = now.bake || {};
      put(counted.value, minutes(bake.in_band_s ?? 0));
      put(counted.unit, t("of {time}", { time: duration(bake.needed_s) }));
      put(oven.value, bare(bake.oven_c, "temperature"));
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
            ? t("The oven door seems open: no minutes count.")
            : out
              ? t("Out of its band of {band}: no minutes count.", limits)
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
  const water = pair(t("Water"), symbol("temperature"));
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
    { class: "findings", novalidate: true, onsubmit: send },
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
    h("button", { text: t("Record the temperature") }),
  );
  return {
    node: h("div", {}, water.node, note, form),
    update(current) {
      plate = current;
      const { low_c: low, high_c: high, water_c: value, by } = current.now.water;
      const limits = { band: band(low, high, "temperature"), who: by };
      put(water.value, bare(value, "temperature"));
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

/** A stage by hand with its time. */
const staging = (first) => {
  const bath = first.now.water ? bathing() : null;
  const time = pair(t("Time"));
  const which = pair(t("Stage"));
  const bar = meter(t("Time of this stage"));
  const prompt = h("p", { class: "prompt" });
  const note = h("p", { class: "waits" });
  return {
    node: h(
      "div",
      { class: "kind" },
      prompt,
      h("div", { class: "bigs" }, time.node, which.node),
      bar.node,
      note,
      bath && bath.node,
    ),
    update(plate) {
      const { now } = plate;
      if (bath) bath.update(plate);
      const stage = now.stage || {};
      put(prompt, stage.prompt || "");
      show(prompt, Boolean(stage.prompt) && stage.prompt !== now.instructions);
      const timed = known(stage.planned_s);
      put(time.value, minutes(stage.elapsed_s ?? 0));
      put(time.unit, timed ? t("of {time}", { time: duration(stage.planned_s) }) : "");
      show(time.node, timed || known(stage.elapsed_s));
      put(which.value, known(stage.number) ? number(stage.number) : "");
      put(which.unit, t("of {count}", { count: number(stage.count) }));
      show(which.node, stage.count > 1);
      show(bar.node, timed);
      if (timed) bar.update(stage.elapsed_s / stage.planned_s);
      put(
        note,
        stage.overdue
          ? t("Overdue: end it now and confirm.")
          : stage.due
            ? t("Time is over: end it now and confirm.")
            : "",
      );
      show(note, Boolean(stage.due || stage.overdue));
      set(note, "data-off", stage.overdue ? "yes" : null);
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
    return t("Wait. The device has switched the light off; what still glows is counted.");
  if (exposure?.step === "light" && !known(exposure.dose_mj_cm2))
    return t("The device does not answer: the light may be on. Use the unit's own stop button.");
  if (["holding", "stopping", "aborting"].includes(state) && !acts.includes("hold"))
    return t("Wait. The light is being switched off.");
  if (exposure?.step === "light") return t("Wait. The light ends by itself at the dose.");
  return state === "holding" // the program began anew in it
    ? t("Wait. The device is asked what it gave.")
    : t("Wait. The light comes by itself.");
};

/** What is to be done next, in words. */
const nextAct = (plate) => {
  const { now } = plate;
  const { stage, acts = [] } = now;
  if (now.state === "held") return now.reason ? "" : t("Held. Look for the cause, then restart.");
  if (now.state === "ready" && now.water && now.waiting_for.length)
    return known(now.water.water_c)
      ? t("Correct the water and measure it again; then begin.")
      : t("Measure the water and enter its temperature; then begin.");
  if (now.state === "ready" || now.state === "waiting")
    return now.instructions || t("Begin when you are ready.");
  if (stage && stage.waiting && acts.includes("done"))
    return stage.prompt || now.instructions || "";
  if (now.kind === "expose" && link.status.advisory) {
    return now.exposure?.step === "light"
      ? t("The light is the unit's own: end it when the dose is reached.")
      : t("Start the light with the unit's own timer.");
  }
  if (now.kind === "expose") return lightNext(now, acts);
  if (now.kind === "bake") return t("Leave the plate in the oven, door closed.");
  return now.instructions || "";
};

/** The card of the step at hand. Made anew only when plate or step change. */
export const workCard = (plate) => {
  const { now } = plate;
  const part = (BY_KIND[now.kind] || staging)(plate);
  const state = h("p", { class: "state" });
  const why = h("p", { class: "why", hidden: true });
  const next = h("p", { class: "next" });
  const cautions = (now.cautions || []).length
    ? h("ul", { class: "cautions" }, ...now.cautions.map((line) => h("li", { text: line })))
    : null;
  const node = h(
    "div",
    { class: "work", "data-kind": now.kind },
    h("div", { class: "headline" }, h("h2", { text: now.name }), state),
    why,
    next,
    cautions,
    part.node,
  );
  return {
    node,
    update(current) {
      const lit = current.now.exposure?.step === "light";
      put(state, stateOf(current.now));
      set(node, "data-state", current.now.state);
      set(node, "data-lit", lit ? "yes" : null);
      const reason = current.now.reason || "";
      put(why, reason);
      show(why, Boolean(reason));
      const text = nextAct(current);
      put(next, text);
      set(
        next,
        "data-hand",
        ["ready", "held"].includes(current.now.state) || current.now.stage ? "yes" : null,
      );
      show(next, Boolean(text));
      part.update(current);
    },
  };
};
