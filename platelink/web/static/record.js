// The view of one record: curves of its runs with their marks, another laid over them, printing.
import "./forms.js";
import { byId, h, show } from "./dom.js";
import { Curves } from "./curves.js";
import { fetched, file } from "./send.js";
import { t } from "./text.js";

const POINTS = 1000; // as in the template, which asks ahead
const PAPER_PX = { whole: 690, half: 335 }; // A4 at 96 px an inch, less its margins
const COLUMNS = [
  ["irradiance_mw_cm2", "irradiance", () => t("Irradiance")],
  ["dose_mj_cm2", "dose", () => t("Dose")],
  ["vacuum_kpa", "vacuum", () => t("Vacuum")],
  ["oven_c", "temperature", () => t("Oven air")],
];

const numbers = (values) => values.map((value) => value ?? NaN);

const panelsOf = (series, figure, over) => {
  const exposed = series.dose_mj_cm2?.values.some(Number.isFinite);
  const only = exposed ? ["irradiance_mw_cm2", "dose_mj_cm2", "vacuum_kpa"] : ["oven_c"];
  const limits = { vacuum_kpa: figure.dataset.contact, oven_c: figure.dataset.oven };
  return COLUMNS.filter(
    ([name]) => only.includes(name) && series[name]?.values.some(Number.isFinite),
  ).map(([name, kind, label]) => {
    const [low, high] = (limits[name] || "").split(",").map((text) => (text ? Number(text) : NaN));
    const { at_utc_ms: times, values } = series[name];
    return {
      name: label(), kind, times, values: numbers(values), low, high, over: over?.[name],
    };
  });
};

/** Another run, moved so that both begin at the same moment. */
const overOf = async (figure, from) => {
  const run = figure.dataset.over;
  if (!run) return null;
  const found = await fetched(`/runs/${encodeURIComponent(run)}/samples?points=${POINTS}`);
  if (found.removed_utc) {
    const note = figure.querySelector(".over");
    note.querySelector(".gone")?.remove();
    note.append(h("span", { class: "gone" }, " – ", t("not drawn, as its samples were removed")));
  }
  if (!found.samples) return null;
  const by = from - found.from_ms;
  return Object.fromEntries(
    Object.entries(found.series).map(([name, { at_utc_ms: times, values }]) => [
      name,
      { times: times.map((time) => time + by), values: numbers(values) },
    ]),
  );
};

/** Moments listed below the curves, numbered there and on them. */
const marksOf = (figure) =>
  [...figure.querySelectorAll(".marks li")].map((line, place) => ({
    at: Date.parse(line.dataset.at),
    kind: line.dataset.kind,
    number: place + 1,
  }));

const removed = ({ removed_utc: at, removed_days: days, removed_seal_holds: holds }) => {
  const told = { date: at.slice(0, 10), days };
  return holds
    ? t("Samples removed on {date} by the retention of {days} days. All else is as it was sealed, and so is their sum: the seal holds.", told)
    : t("Samples removed on {date} by the retention of {days} days. The seal was not found to hold. On the unit’s computer, run platelink verify.", told);
};

const drawn = [];

const load = (figure) => {
  const says = figure.querySelector(".says");
  let curves = null;
  let over = null;
  const ask = async (from, until) => {
    const range = from === null ? "" : `&from_ms=${from}&until_ms=${until}`;
    try {
      const found = await fetched(
        `/runs/${encodeURIComponent(figure.dataset.run)}/samples?points=${POINTS}${range}`,
      );
      over ||= found.samples ? await overOf(figure, found.from_ms) : null;
      const panels = panelsOf(found.series, figure, over);
      const few = !panels.length || found.samples < 2;
      if (few && curves) return;
      says.textContent = found.removed_utc ? removed(found) : t("No samples were recorded.");
      says.className = `says ${found.removed_seal_holds ? "told" : "wrong"}`;
      show(says, few);
      if (few) return;
      if (!curves) {
        curves = new Curves(figure, ask, marksOf(figure));
        drawn.push([figure, curves]);
      }
      curves.show(found.from_ms, found.until_ms, panels);
      figure.dataset.drawn = performance.now().toFixed(0);
    } catch (error) {
      says.textContent = error.message;
      show(says, true);
    }
  };
  return ask(null, null);
};

const waiting = new Set(document.querySelectorAll("figure[data-run]"));
const take = (figure) => (waiting.delete(figure) ? load(figure) : null);
const seen = new IntersectionObserver((entries) => {
  for (const { isIntersecting, target } of entries) {
    if (!isIntersecting) continue;
    seen.unobserve(target);
    take(target);
  }
});
for (const figure of waiting) {
  figure.append(h("p", { class: "says wrong", hidden: true }));
  seen.observe(figure);
}

// Paper shows what the screen has not come to yet: the rest is drawn when the page is quiet.
const rest = async () => {
  for (const figure of [...waiting]) await take(figure);
  document.body.dataset.whole = "yes";
};
(window.requestIdleCallback || setTimeout)(rest);
const plate = document.querySelectorAll("figure[data-run]").length > 1;
addEventListener("beforeprint", () => {
  for (const [, curves] of drawn) curves.print(plate ? PAPER_PX.half : PAPER_PX.whole);
});
addEventListener("afterprint", () => {
  for (const [, curves] of drawn) curves.unprint();
});
byId("print")?.addEventListener("click", async () => {
  await rest();
  print();
});

// Reports and labels: a browser that saves by itself says nothing of why it could not.
const problem = byId("not-saved");
for (const link of document.querySelectorAll(".saves a")) {
  link.addEventListener("click", async (click) => {
    click.preventDefault();
    if (link.ariaBusy === "true") return;
    link.ariaBusy = "true";
    show(problem, false);
    try {
      const { name, blob } = await file(link.href);
      const address = URL.createObjectURL(blob);
      h("a", { href: address, download: name }).click();
      setTimeout(() => URL.revokeObjectURL(address), 60000);
    } catch (error) {
      problem.textContent = error.message;
      show(problem, true);
    }
    link.ariaBusy = "false";
  });
}

// What is corrected: a depth goes with the name of its point.
byId("field")?.addEventListener("change", (event) => {
  byId("point").value = event.target.selectedOptions[0].dataset.point || "";
});
