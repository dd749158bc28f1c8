// What every view has: the state of the link, light in the unit, alarms that call, signing out.
import { byId, put, set, show } from "./dom.js";
import { link, painted } from "./link.js";
import { post } from "./send.js";
import { measured, serviceWord } from "./words.js";
import { nt, number, t } from "./text.js";

const RANK = { high: 0, medium: 1, low: 2 };

const silence = () => {
  const age = link.age;
  if (link.state === "connecting") return t("Connecting …");
  if (age === null) return t("No link to the unit");
  return t("No news from the unit for {s} s", { s: number(Math.floor(age / 1000)) });
};

const tell = () => {
  const line = byId("link-state");
  if (!line) return;
  put(line, link.stale ? silence() : t("Live"));
  set(line, "data-off", link.stale && link.state !== "connecting" ? "yes" : null);
};

const lit = (status) =>
  status.exposure?.step === "light" ||
  (status.plates || []).some((plate) => plate.now?.exposure?.step === "light");

const calls = (status) => {
  const strip = byId("calls");
  const alarms = status?.alarms;
  const waiting = alarms?.unacknowledged || 0;
  show(strip, waiting > 0);
  if (!waiting) return;
  const worst = alarms.list
    .filter((alarm) => alarm.state.includes("unacknowledged"))
    .sort(
      (a, b) => RANK[a.priority] - RANK[b.priority] || Number(b.first_out) - Number(a.first_out),
    )[0];
  const anchor = byId("calls-link");
  set(byId("calls-mark"), "data-priority", worst?.priority || "low");
  const more = waiting > 1 ? nt("and one more", "and {n} more", waiting - 1) : "";
  put(
    anchor,
    worst
      ? [serviceWord(worst.name), measured(worst), more].filter(Boolean).join(" · ")
      : nt("One alarm calls", "{n} alarms call", waiting),
  );
};

painted((status) => {
  tell();
  const light = byId("light");
  if (!light) return;
  show(light, Boolean(status && lit(status)));
  calls(status);
  if (status) put(byId("unit-name"), status.unit);
});
link.addEventListener("age", tell);

byId("sign-out")?.addEventListener("click", async () => {
  await post("/sign-out", {}).catch(() => null);
  location.assign("/sign-in");
});

if (document.body.dataset.role) link.start();
