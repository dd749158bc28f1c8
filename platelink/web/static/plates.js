// The view of plates in progress: each with its step, its state and a way to its work.
import "./shell.js";
import { byId, h, keyed, put, set, show } from "./dom.js";
import { painted } from "./link.js";
import { stateOf } from "./words.js";
import { bare, duration, known, minutes, number, quantity, t } from "./text.js";

const progress = ({ now }) => {
  if (!now) return "";
  const { exposure, bake, stage } = now;
  if (exposure && known(exposure.dose_mj_cm2)) {
    return t("{dose} of {target}", {
      dose: bare(exposure.dose_mj_cm2, "dose"),
      target: quantity(exposure.target_dose_mj_cm2, "dose"),
    });
  }
  if (bake)
    return t("{time} of {needed} in band", {
      time: minutes(bake.in_band_s),
      needed: duration(bake.needed_s),
    });
  if (stage && known(stage.planned_s))
    return t("{time} of {needed}", {
      time: minutes(stage.elapsed_s ?? 0),
      needed: duration(stage.planned_s),
    });
  return "";
};

const make = (plate) =>
  h(
    "li",
    { class: "row" },
    h(
      "a",
      { href: `/#${encodeURIComponent(plate.plate)}` },
      h("strong", { text: plate.plate }),
      h("span", { class: "dim about" }),
    ),
    h("span", { class: "step" }),
    h("span", { class: "state" }),
    h("span", { class: "progress" }),
  );

const update = (item, plate) => {
  const [anchor, step, state, done] = item.children;
  put(anchor.lastChild, [plate.recipe, plate.job, plate.lot].filter(Boolean).join(" · "));
  const where =
    plate.step === null
      ? ""
      : t("{n} of {count}", { n: number(plate.step + 1), count: number(plate.steps.length) });
  put(step, `${plate.now?.name ?? ""} ${where}`);
  put(state, stateOf(plate.now));
  set(state, "data-state", plate.now?.state ?? plate.state);
  put(done, progress(plate));
  item.title = t("made by {who}", { who: plate.by });
};

painted((status) => {
  show(byId("live"), status !== null);
  show(byId("silent"), status === null);
  if (status === null) return;
  const plates = status.plates || [];
  show(byId("none"), plates.length === 0);
  keyed(byId("in-flight"), plates, (plate) => plate.plate, make, update);
});
