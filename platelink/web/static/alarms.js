// The view of alarms: what calls first, what was acknowledged, what is shelved; and the acts on each.
import "./shell.js";
import { byId, h, keyed, put, refill, set, show } from "./dom.js";
import { ask } from "./ask.js";
import { link, painted } from "./link.js";
import { can, post } from "./send.js";
import { measured, priorityWord, serviceWord } from "./words.js";
import { clock, moreTexts, nt, t } from "./text.js";

await moreTexts("alarms"); // likely causes and what to do

const LATER = "9"; // after every date
const HAND_MS = 700; // nothing moves under a finger
const RANK = { high: 0, medium: 1, low: 2 };
const calls = (alarm) => alarm.state.includes("unacknowledged");
const aside = (alarm) =>
  ["shelved", "suppressed", "suppressed by design", "out of service"].includes(
    alarm.state.replace(/_/g, " "),
  );

const stateText = (alarm) => {
  const state = alarm.state.replace(/_/g, " ").replace(/,/g, "");
  return (
    {
      unacknowledged: t("active, not acknowledged"),
      acknowledged: t("active, acknowledged"),
      "returned unacknowledged": t("over, not acknowledged"),
      "latched unacknowledged": t("over, not acknowledged; must be reset"),
      "latched acknowledged": t("over; must be reset"),
      shelved: t("shelved until {time}", { time: clock(alarm.until_utc) }),
      suppressed: t("not used"),
      "suppressed by design": t("not used"),
      "out of service": t("out of service"),
    }[state] || state
  );
};

const acts = (alarm) => {
  const state = alarm.state.replace(/_/g, " ");
  const found = [];
  if (can("answer_alarms") && calls(alarm)) found.push(["acknowledge", t("Acknowledge")]);
  if (can("answer_alarms") && state.includes("latched") && !calls(alarm))
    found.push(["reset", t("Reset")]);
  if (can("change_alarms")) {
    if (state === "shelved") found.push(["unshelve", t("Unshelve")]);
    else if (state === "out of service") found.push(["return", t("Put back in service")]);
    else if (!aside(alarm))
      found.push(["shelve", t("Shelve …")], ["remove", t("Out of service …")]);
  }
  return found;
};

const says = byId("says");
const send = async (alarm, name, more = {}) => {
  show(says, false);
  try {
    await post(`/alarms/${encodeURIComponent(alarm)}/${name}`, more);
  } catch (error) {
    put(says, error.message);
    show(says, true);
  }
};

const minutesField = () => {
  const choice = h("select", { id: "silence-for" });
  for (const minutes of [5, 15, 30, 60, 240, 480]) {
    choice.append(
      h("option", {
        value: minutes,
        text: nt("one minute", "{n} minutes", minutes),
        selected: minutes === 15,
      }),
    );
  }
  return choice;
};

const press = async (alarm, name) => {
  if (name === "shelve" || name === "remove") {
    const choice = name === "shelve" ? minutesField() : null;
    const answer = await ask({
      title:
        name === "shelve"
          ? t("Shelve {alarm}?", { alarm: serviceWord(alarm) })
          : t("Put {alarm} out of service?", { alarm: serviceWord(alarm) }),
      lines: [
        name === "shelve"
          ? t(
              "It stays silent until the time is up, whatever happens. If its cause is still there then, it comes back.",
            )
          : t(
              "It stays silent until somebody puts it back in service; it does not come back by itself.",
            ),
      ],
      fields: choice ? [h("label", { for: "silence-for", text: t("For") }), choice] : [],
      reason: t("Reason"),
      answers: [
        { name, label: name === "shelve" ? t("Shelve it") : t("Put out of service"), needsReason: true },
      ],
    });
    if (!answer) return;
    const more = { why: answer.reason };
    if (choice) more.minutes = Number(choice.value);
    await send(alarm, name, more);
  } else {
    await send(alarm, name);
  }
};

const make = (alarm) => {
  const title = `alarm-${alarm.name.replace(/\W+/g, "-")}`;
  return h(
    "li",
    { class: "alarm" },
    h("span", { class: "mark" }),
    h(
      "article",
      { "aria-labelledby": title },
      h("h3", { id: title, text: serviceWord(alarm.name) }),
      h("p", { class: "text" }),
      h("p", { class: "facts" }),
      h("p", { class: "cause" }),
      h("p", { class: "todo" }),
    ),
    h("div", { class: "acts" }),
  );
};

const facts = (alarm) => {
  const found = [priorityWord(alarm.priority), stateText(alarm)];
  if (alarm.since_utc) found.push(t("since {time}", { time: clock(alarm.since_utc) }));
  if (alarm.count > 1) found.push(nt("once", "{n} times", alarm.count));
  if (alarm.first_out) found.push(t("first of its group"));
  if (alarm.who) found.push(alarm.why ? `${alarm.who}: ${alarm.why}` : alarm.who);
  return found.join(" · ");
};

const update = (item, alarm) => {
  const [mark, article, controls] = item.children;
  const [, text, fact, cause, todo] = article.children;
  set(mark, "data-priority", alarm.priority);
  set(item, "data-calls", calls(alarm) ? "yes" : null);
  put(text, measured(alarm));
  show(text, Boolean(text.textContent));
  put(fact, facts(alarm));
  put(cause, alarm.cause ? t("Likely cause: {text}", { text: serviceWord(alarm.cause) }) : "");
  put(todo, alarm.next_act ? t("Do: {text}", { text: serviceWord(alarm.next_act) }) : "");
  const able = acts(alarm);
  const key = able.map(([name]) => name).join();
  if (controls.dataset.acts === key) return;
  controls.dataset.acts = key;
  refill(
    controls,
    ...able.map(([name, label]) =>
      h("button", {
        type: "button",
        class: name === "acknowledge" || name === "reset" ? "main" : "quiet",
        text: label,
        "aria-label": `${label}: ${serviceWord(alarm.name)}`,
        "data-key": name,
        onclick: () => press(alarm.name, name),
      }),
    ),
  );
};

const order = (a, b) =>
  Number(calls(b)) - Number(calls(a)) ||
  RANK[a.priority] - RANK[b.priority] ||
  Number(b.first_out) - Number(a.first_out) ||
  (a.since_utc || LATER).localeCompare(b.since_utc || LATER);

let asked = new URLSearchParams(location.search).get("alarm"); // by a link in a message
const lead = () => {
  const title = byId(`alarm-${asked.replace(/\W+/g, "-")}`);
  put(byId("gone"), title ? "" : t("“{alarm}” is quiet now.", { alarm: serviceWord(asked) }));
  show(byId("gone"), !title);
  title?.setAttribute("tabindex", "-1");
  title?.focus({ preventScroll: true });
  title?.closest("li").scrollIntoView({ block: "center" });
  asked = null;
};

let touched = -Infinity;
byId("live").addEventListener("pointerdown", () => {
  touched = performance.now();
});

painted((status) => {
  show(byId("live"), status !== null);
  show(byId("silent"), status === null);
  const alarms = status?.alarms;
  if (!alarms || performance.now() - touched < HAND_MS) return;
  const here = alarms.list.filter((alarm) => !aside(alarm)).sort(order);
  const away = alarms.list.filter(aside);
  show(byId("none"), here.length === 0);
  show(byId("flood"), Boolean(alarms.flood));
  put(
    byId("rate"),
    nt("One alarm in the last hour", "{n} alarms in the last hour", alarms.per_hour || 0),
  );
  keyed(byId("alarms"), here, (alarm) => alarm.name, make, update);
  show(byId("aside"), away.length > 0);
  keyed(byId("away"), away, (alarm) => alarm.name, make, update);
  if (asked) lead();
});
