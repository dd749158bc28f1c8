// The depth to expect of a plate once its last exposure with contact is over, before it is washed:
// in the head in a few words, whole in its record; what must not be washed is said at length.
import { byId, put, show } from "./dom.js";
import { fetched } from "./send.js";
import { number, t } from "./text.js";

const MEANS = {
  "go on": ({ picked }) => (picked ? t("to be measured") : t("need not be measured")),
  measure: () => t("to be measured"),
  "stop before wash": () => t("do not wash"),
  "cannot tell": () => t("to be measured"),
};
const SHOWN = ["wash", "blow_off", "bake", "inspect"];

const inShort = (found) => {
  const point = found.points.find((one) => one.verdict === found.verdict);
  const means = MEANS[found.verdict](found);
  return point?.depth_um == null
    ? means
    : t("Depth {depth} µm expected, {low}–{high}: {means}", {
        depth: number(point.depth_um, 1),
        low: number(point.low_um, 1),
        high: number(point.high_um, 1),
        means,
      });
};

let asked = null;
const ask = async (key, { plate, now }) => {
  const place = `/plates/${encodeURIComponent(plate)}/depth`;
  const found = await fetched(place).catch(() => null);
  if (key !== asked || !found?.record) return;
  put(byId("depth"), inShort(found));
  show(byId("depth"), true);
  const stop = found.verdict === "stop before wash" && now.kind === "wash";
  put(byId("not-to-wash"), stop ? t("Outside the limits: do not wash it, find the cause.") : "");
  show(byId("not-to-wash"), stop);
};

/** Asked anew at each step: while the plate is in the light there is nothing to tell. */
export const expect = (plate) => {
  const due = SHOWN.includes(plate?.now?.kind);
  const key = due ? `${plate.plate}/${plate.step}` : null;
  if (key === asked) return;
  asked = key;
  show(byId("depth"), false);
  show(byId("not-to-wash"), false);
  if (key) ask(key, plate);
};
