// Counts of the sensor that is being calibrated, as they come. A reading is taken by the service,
// and only when it has settled; what stands here decides nothing.
import "./forms.js";
import { byId, put, set } from "./dom.js";
import { fetched } from "./send.js";
import { known, number, t } from "./text.js";

const LOOK_MS = 700;
const facts = byId("counts");

const tell = (now) => {
  put(byId("counts-mean"), number(now.counts?.mean ?? null, 2));
  put(byId("counts-rms"), number(now.counts?.rms ?? null, 2));
  put(byId("counts-value"), known(now.value) ? number(now.value, 2) : "–");
  const state = byId("counts-state");
  put(state, now.settled ? t("Settled: a reading can be taken.") : t("Not settled yet: wait."));
  set(state, "title", now.text);
  set(state, "class", now.settled ? null : "dim");
};

const nothing = (error) => {
  for (const id of ["counts-mean", "counts-rms", "counts-value"]) put(byId(id), "–");
  put(byId("counts-state"), t(error.message));
};

const look = async () => {
  try {
    tell(await fetched(`/counts/${encodeURIComponent(facts.dataset.sensor)}`));
  } catch (error) {
    nothing(error);
  }
  setTimeout(look, LOOK_MS);
};

if (facts) look();
