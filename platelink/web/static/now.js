// The view "now": which step of which plate, what it needs, and the readings beside it.
import "./shell.js";
import { Acts } from "./acts.js";
import { advise } from "./advice.js";
import { expect } from "./depth.js";
import { announce, byId, h, keyed, put, set, show } from "./dom.js";
import { exposureCard } from "./single.js";
import { link, painted } from "./link.js";
import { Reading } from "./readings.js";
import { heard, scanned, whatIs } from "./scan.js";
import { fetched } from "./send.js";
import { judgementWord, stateOf, stateWord } from "./words.js";
import { clock, known, number, said, sentence, t } from "./text.js";
import { workCard } from "./work.js";

const GOING = ["running", "holding", "held", "restarting", "stopping", "aborting"];
const HANDS = ["held", "ready"];
const place = byId("work");
const acts = new Acts();

const readings = {
  vacuum: new Reading(t("Vacuum"), "vacuum", 100),
  irradiance: new Reading(t("Irradiance"), "irradiance", 1),
  oven: new Reading(t("Oven air"), "temperature", 100, false),
};
byId("readings").append(...Object.values(readings).map((reading) => reading.node));

let card = null;
let chosen = decodeURIComponent(location.hash.slice(1));
addEventListener("hashchange", () => {
  chosen = decodeURIComponent(location.hash.slice(1));
});

/** The plate a person chose, else the one that needs a hand, else the one in the light. */
const pick = (status) => {
  const plates = status.plates || [];
  return (
    plates.find((plate) => plate.plate === chosen) ||
    plates.find((plate) => plate.plate === status.bed?.plate && plate.now) ||
    plates.find((plate) => HANDS.includes(plate.now?.state)) ||
    plates.find((plate) => plate.now?.stage?.waiting) ||
    plates[0] ||
    null
  );
};

const chips = (plates, current) => {
  const row = byId("chips");
  show(row, plates.length > 1);
  if (plates.length < 2) return;
  keyed(
    row,
    plates,
    (plate) => plate.plate,
    (plate) =>
      h(
        "li",
        {},
        h(
          "a",
          { href: `#${encodeURIComponent(plate.plate)}` },
          h("strong", { text: plate.plate }),
          h("span"),
        ),
      ),
    (item, plate) => {
      const anchor = item.firstChild;
      set(anchor, "aria-current", plate === current ? "true" : null);
      const hand = HANDS.includes(plate.now?.state) || plate.now?.stage?.due;
      set(anchor, "data-hand", hand && plate !== current ? "yes" : null);
      put(
        anchor.lastChild,
        `${plate.now?.name ?? ""}: ${stateOf(plate.now)}`,
      );
    },
  );
};

const steps = (plate) => {
  const list = byId("steps");
  show(list, Boolean(plate));
  if (!plate) return;
  keyed(
    list,
    plate.steps.map((step, number) => ({ ...step, number })),
    (step) => `${plate.plate}/${step.number}`,
    (step) => h("li", {}, h("span", { text: step.name }), h("span", { class: "unseen" })),
    (item, step) => {
      set(item, "aria-current", step.number === plate.step ? "step" : null);
      set(item, "data-state", step.state);
      put(item.lastChild, stateWord(step.state));
    },
  );
};

const heading = (plate) => {
  put(byId("plate"), plate ? plate.plate : t("No plate in progress"));
  const screen = plate?.now?.exposure?.screen;
  const about = plate
    ? [
        screen && t("Screen: {screen}", { screen }),
        plate.lot,
        plate.job,
        plate.title || plate.recipe,
      ]
    : [];
  put(byId("about"), about.filter(Boolean).join(" · "));
  put(
    byId("where"),
    plate && plate.step !== null
      ? t("Step {n} of {count}", { n: number(plate.step + 1), count: number(plate.steps.length) })
      : "",
  );
};

let cautioned = null;
const cautions = (plate) => {
  const lines = plate?.now?.cautions || [];
  const key = lines.join("|");
  if (key === cautioned) return;
  cautioned = key;
  byId("cautions").replaceChildren(...lines.map((line) => h("li", { text: said(line) })));
  show(byId("cautions"), lines.length > 0);
};

const seen = new Set(); // plates that were in progress while this page looked
let cardKey = null;
const work = (plate, status) => {
  const single = !plate && GOING.includes(status.exposure?.state) ? "exposure" : null;
  const key = plate && plate.now ? `${plate.plate}/${plate.step}/${plate.now.kind}` : single;
  const changed = key !== cardKey;
  if (changed) {
    cardKey = key;
    card = key === null ? null : single ? exposureCard() : workCard(plate);
    place.replaceChildren(...(card ? [card.node] : []));
  }
  show(byId("idle"), key === null);
  if (key === null) byId("acts").replaceChildren();
  else if (changed) byId("acts").replaceChildren(single ? card.acts : acts.node);
  if (card) card.update(single ? status : plate);
  if (plate && plate.now) acts.update(plate);
};

/** A code beside the plate: another plate in flight, or the screen or lot held against what is wanted. */
const compared = async (code) => {
  const plate = link.status && pick(link.status);
  const wanted = { screen: plate?.now?.exposure?.screen, lot: plate?.lot };
  try {
    const found = await whatIs(code);
    const right = wanted[found.kind];
    if (!right) location.assign(found.to);
    else if (right === code) heard(t("{code}: right for plate {plate}.", { code, plate: plate.plate }));
    else heard(t("{code}: wrong. Plate {plate} has {right}.", { code, right, plate: plate.plate }), true);
  } catch (error) {
    heard(error.message, true);
  }
};
scanned((code, field) => {
  if (field) return false;
  compared(code);
  return true;
});

const limits = (plate) => {
  const { exposure, bake } = plate?.now || {};
  const { contact } = exposure || {};
  return {
    vacuum: contact ? [contact.low_kpa, contact.high_kpa, exposure.step === "light"] : null,
    oven: bake
      ? [bake.low_c, bake.high_c, plate.now.state === "running" && bake.in_band_s > 0]
      : null,
  };
};

/** Limits of the plate on the bed and in the oven, whichever plate is looked at. */
const allLimits = (status) => {
  const found = { vacuum: null, oven: null };
  for (const plate of status.plates || []) {
    const own = limits(plate);
    found.vacuum ||= own.vacuum;
    found.oven ||= own.oven;
  }
  return found;
};

const measure = (status) => {
  const now = performance.now() / 1000;
  const { reading } = status;
  const bands = allLimits(status);
  const quality = reading?.quality;
  const beside = (what) => status.instruments?.find((one) => one.measures === what);
  readings.vacuum.update(reading?.vacuum_kpa, bands.vacuum, quality, now, beside("vacuum"));
  // A dark sensor wavers around nothing; people need not.
  const irradiance = reading?.irradiance_mw_cm2;
  readings.irradiance.update(
    known(irradiance) ? Math.max(0, irradiance) : null,
    null,
    quality,
    now,
  );
  readings.oven.update(reading?.oven_c, bands.oven, quality, now, beside("oven"));
  const oven = reading?.oven_c !== null && reading?.oven_c !== undefined;
  readings.oven.visible(oven || bands.oven !== null || Boolean(beside("oven")?.lost));
  const faults = [];
  if (reading && !(reading.inputs & 1)) faults.push(t("Cannot start: the lid is open."));
  if (reading && !(reading.inputs & 2)) faults.push(t("Cannot start: the stop button is pressed."));
  if (status.link && status.link.state !== "up")
    faults.push(t("The device does not answer: {text}", { text: sentence(status.link.text) }));
  if (status.problem) faults.push(sentence(status.problem));
  if (status.journal?.fault) faults.push(sentence(status.journal.fault));
  put(byId("unit-faults"), faults.join(" "));
  show(byId("unit-faults"), faults.length > 0);
};

let wasStale = null;
const stale = (yes) => {
  if (yes === wasStale) return;
  wasStale = yes;
  document.body.toggleAttribute("data-stale", yes);
  show(byId("live"), !yes);
  show(byId("silent"), yes);
  if (!yes) return;
  const last = link.status;
  const plate = last && pick(last);
  put(
    byId("last-known"),
    last
      ? plate?.now
        ? t("Last data at {time}: plate {plate}, {step}. What has happened since is not known here.", {
            time: clock(last.at_utc),
            plate: plate.plate,
            step: plate.now.name,
          })
        : t("Last data at {time}.", { time: clock(last.at_utc) })
      : t("No data from it yet."),
  );
};

let told = "";
const tell = (plate) => {
  if (!plate?.now) return;
  const stage = plate.now.stage?.due ? t("Time is up: end it now and confirm.") : "";
  const text = `${plate.plate}, ${plate.now.name}: ${stateWord(plate.now.state)}. ${stage}`;
  if (text !== told) announce(text);
  told = text;
};

painted((status) => {
  stale(status === null);
  const now = performance.now() / 1000;
  if (status === null) {
    for (const reading of Object.values(readings)) reading.silent(now);
    return;
  }
  for (const { plate } of status.plates || []) seen.add(plate);
  const plate = pick(status);
  heading(plate);
  chips(status.plates || [], plate);
  work(plate, status);
  steps(plate);
  cautions(plate);
  measure(status);
  advise(status);
  expect(plate);
  tell(plate);
  for (const reading of Object.values(readings)) if (!reading.node.hidden) reading.draw(now);
});

const ending = ({ ended: plate, state, data }) =>
  data?.judgement
    ? t("Plate {plate} has ended: {state}, judged {judgement}.", {
        plate,
        state: stateWord(state),
        judgement: judgementWord(data.judgement),
      })
    : t("Plate {plate} has ended: {state}.", { plate, state: stateWord(state) });

/** A plate that ended is told with a way to its record. */
link.addEventListener("line", ({ detail }) => {
  if (!detail.ended) return;
  if (!seen.has(detail.ended)) return;
  const note = byId("ended");
  note.replaceChildren(
    ending(detail),
    " ",
    detail.unrecorded
      ? h("strong", { class: "unrecorded", text: t("Not yet recorded: a crash would lose it.") })
      : "",
    " ",
    h("a", { href: `/records/${encodeURIComponent(detail.ended)}`, text: t("See its record") }),
  );
  show(note, true);
});

/** What waited for the journal is written. */
link.addEventListener("status", () => {
  if (link.status.journal?.pending === 0) byId("ended").querySelector(".unrecorded")?.remove();
});

/** A page opened in mid-run shows the minute before it, from the journal. */
const fill = async () => {
  const run = link.status?.run_id;
  if (!run) return;
  const found = await fetched(`/runs/${encodeURIComponent(run)}/samples?points=1200`).catch(
    () => null,
  );
  if (!found?.samples) return;
  const now = performance.now() / 1000;
  for (const [name, column] of [
    ["vacuum", "vacuum_kpa"],
    ["irradiance", "irradiance_mw_cm2"],
    ["oven", "oven_c"],
  ]) {
    const series = found.series[column];
    if (series)
      readings[name].strip.before(
        series.at_utc_ms.map((at) => now + (at - found.until_ms) / 1000),
        series.values,
      );
  }
};
link.addEventListener("status", fill, { once: true });
