// What every view has: the state of the link, light in the unit, alarms that call, signing out.
import { byId, put, set, show } from "./dom.js";
import { link, painted } from "./link.js";
import "./scan.js";
import { fetched, post } from "./send.js";
import "./sound.js";
import { measured, serviceWord } from "./words.js";
import { known, nt, number, t } from "./text.js";

// The number pad is for panels: other browsers do not load it.
const PANEL = matchMedia("(pointer: coarse) and (min-width: 700px)"); // as in base.html
const pad = () => PANEL.matches && import("./pad.js");
PANEL.addEventListener("change", pad);
pad();

const RANK = { high: 0, medium: 1, low: 2 };

const silence = () => {
  const age = link.age;
  if (link.state === "connecting") return t("Connecting …");
  if (link.state === "crowded") return t("Too many views of this sign-in are open: close one");
  if (age === null) return t("No connection to the unit");
  return t("No data from the unit for {s} s", { s: number(Math.floor(age / 1000)) });
};

/** How old the device's values are. */
const freshness = () => {
  const age = link.status.link?.last_frame_age_s;
  return known(age)
    ? t("values {s} s old", { s: number(age + link.age / 1000, 1) })
    : t("no values from the device");
};

const tell = () => {
  const line = byId("link-state");
  if (!line) return;
  put(line, link.stale ? silence() : freshness());
  set(line, "data-off", link.stale && link.state !== "connecting" ? "yes" : null);
};

const LOOK_MS = 1000;
const MAY_GLOW = ["running", "holding", "restarting", "stopping", "aborting"];

/** Something is made that may be lit while nothing is heard of it. */
const exposing = (status) =>
  MAY_GLOW.includes(status.exposure?.state) ||
  (status.plates || []).some(
    ({ now }) => now?.kind === "expose" && MAY_GLOW.includes(now.state),
  );

const sign = (light, going) => {
  const place = byId("light");
  const on = light?.state === "on";
  const unheard = light?.state === "unknown" && going;
  put(
    place,
    on
      ? light.left_on
        ? t("UV light is still on: switch the unit off at its main switch and keep the lid closed")
        : t("UV light is on")
      : unheard
        ? t("UV light may be on, no information: use the unit's own stop button")
        : light?.state === "dark"
          ? t("no UV light")
          : t("UV light: not known"),
  );
  set(place, "data-on", on || unheard ? "yes" : null);
};

/** Before anybody has signed in there is no live line. */
const look = async () => {
  sign(await fetched("/light").catch(() => null), false);
  setTimeout(look, LOOK_MS);
};

const over = (alarm) => /^(returned|latched)/.test(alarm.state);

const calls = (status) => {
  const strip = byId("calls");
  const alarms = status?.alarms;
  const waiting = alarms?.unacknowledged || 0;
  show(strip, waiting > 0);
  if (!waiting) return;
  const worst = alarms.list
    .filter((alarm) => alarm.state.includes("unacknowledged"))
    .sort(
      (a, b) =>
        RANK[a.priority] - RANK[b.priority] ||
        Number(over(a)) - Number(over(b)) ||
        Number(b.first_out) - Number(a.first_out),
    )[0];
  set(byId("calls-mark"), "data-priority", worst?.priority || "low");
  const more = waiting > 1 ? nt("and one more", "and {n} more", waiting - 1) : "";
  put(
    byId("calls-text"),
    worst
      ? [
          serviceWord(worst.name),
          measured(worst),
          over(worst) ? t("over, not acknowledged") : "",
          more,
        ]
          .filter(Boolean)
          .join(" · ")
      : nt("One alarm not acknowledged", "{n} alarms not acknowledged", waiting),
  );
};

/** What the view lets a person do now stands first in its help. */
const help = byId("help");
help?.addEventListener("beforetoggle", ({ newState }) => {
  if (newState !== "open") return;
  const text = help.querySelector("template");
  text?.replaceWith(text.content);
  const plain = (node) => node.textContent.trim().replace(/\s*…$/, "");
  const here = [...document.querySelectorAll("main :is(button, a, summary)")]
    .filter((node) => node.checkVisibility())
    .map(plain);
  const [now, later] = help.querySelectorAll("dl");
  const rows = [...help.querySelectorAll("dl > div")];
  const words = rows.map((row) => plain(row.firstElementChild));
  const own = (text, word) => !words.includes(text) && text.startsWith(`${word}:`);
  for (const [place, row] of rows.entries()) {
    const possible = here.some((text) => text === words[place] || own(text, words[place]));
    (possible ? now : later).append(row);
  }
  for (const list of [now, later]) show(list.previousElementSibling, list.children.length > 0);
});

painted((status) => {
  tell();
  sign(status?.light, status !== null && exposing(status));
  calls(status);
  if (status) put(byId("unit-name"), status.unit);
});
link.addEventListener("age", tell);

byId("sign-out")?.addEventListener("click", async () => {
  await post("/sign-out", {}).catch(() => null);
  location.assign("/sign-in");
});

if (document.body.dataset.role) link.start();
else look();
