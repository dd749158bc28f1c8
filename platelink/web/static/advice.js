// On a unit that switches its own lamps: what to set on its timer, and when to end the light.
import { byId, put, show } from "./dom.js";
import { link } from "./link.js";
import { fetched } from "./send.js";
import { duration, known, t } from "./text.js";

const TEXTS = {
  "timer advice": ({ data }) =>
    known(data?.timer_s)
      ? t("Set {time} on the unit's own timer, then start it.", { time: duration(data.timer_s) })
      : "",
  "dose reached": () => t("Dose reached: switch the light off now."),
  "light gone": ({ text }) => text,
};

let newest = null; // the event, with the run it is of
const take = (event) => {
  if (event.name in TEXTS) newest = event;
};
link.addEventListener("line", ({ detail }) => {
  if (detail.event) take(detail.event);
});

let asked = null;
/** A page opened in mid-run finds what was said before it. */
const before = async (run) => {
  asked = run;
  const found = await fetched(`/runs/${encodeURIComponent(run)}/events`).catch(() => null);
  for (const event of found?.events || []) take(event);
};

export const advise = (status) => {
  const run = status.advisory ? status.run_id : null;
  if (run && run !== asked) before(run);
  const text = run && newest?.run_id === run ? TEXTS[newest.name](newest) : "";
  put(byId("advice"), text);
  show(byId("advice"), Boolean(text));
};
