// The view of one record: curves of its runs, drawn when they come into sight.
import "./shell.js";
import { h, show } from "./dom.js";
import { Curves } from "./curves.js";
import { fetched } from "./send.js";
import { t } from "./text.js";

const POINTS = 1000; // as in the template, which asks ahead
const COLUMNS = [
  ["irradiance_mw_cm2", "irradiance", () => t("Irradiance")],
  ["dose_mj_cm2", "dose", () => t("Dose")],
  ["vacuum_kpa", "vacuum", () => t("Vacuum")],
  ["oven_c", "temperature", () => t("Oven air")],
];

const panelsOf = (series, figure) => {
  const exposed = series.dose_mj_cm2?.values.some(Number.isFinite);
  const only = exposed ? ["irradiance_mw_cm2", "dose_mj_cm2", "vacuum_kpa"] : ["oven_c"];
  const limits = { vacuum_kpa: figure.dataset.contact, oven_c: figure.dataset.oven };
  return COLUMNS.filter(
    ([name]) => only.includes(name) && series[name]?.values.some(Number.isFinite),
  ).map(([name, kind, label]) => {
    const [low, high] = (limits[name] || "").split(",").map((text) => (text ? Number(text) : NaN));
    const { at_utc_ms: times, values } = series[name];
    return { name: label(), kind, times, values: values.map((value) => value ?? NaN), low, high };
  });
};

const load = (figure) => {
  const says = figure.querySelector(".wrong");
  let curves = null;
  const ask = async (from, until) => {
    const range = from === null ? "" : `&from_ms=${from}&until_ms=${until}`;
    try {
      const found = await fetched(
        `/runs/${encodeURIComponent(figure.dataset.run)}/samples?points=${POINTS}${range}`,
      );
      const panels = panelsOf(found.series, figure);
      const few = !panels.length || found.samples < 2;
      if (few && curves) return;
      says.textContent = t("No samples are recorded of this.");
      show(says, few);
      if (few) return;
      curves ||= new Curves(figure, ask);
      curves.show(found.from_ms, found.until_ms, panels);
      figure.dataset.drawn = performance.now().toFixed(0);
    } catch (error) {
      says.textContent = error.message;
      show(says, true);
    }
  };
  return ask(null, null);
};

const seen = new IntersectionObserver((entries) => {
  for (const { isIntersecting, target } of entries) {
    if (!isIntersecting) continue;
    seen.unobserve(target);
    load(target);
  }
});
for (const figure of document.querySelectorAll("figure[data-run]")) {
  figure.append(h("p", { class: "wrong", hidden: true }));
  seen.observe(figure);
}
