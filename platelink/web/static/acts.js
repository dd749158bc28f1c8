// What a person may do with a plate now: buttons, the one question before light or heat, sending.
import { h, refill, show } from "./dom.js";
import { ask } from "./ask.js";
import { link } from "./link.js";
import { can, post } from "./send.js";
import { band, duration, inWords, known, quantity, said, t } from "./text.js";

const may = (act) => can(act === "skip" ? "skip_steps" : "run");

const light = (plate) => plate.now.kind === "expose";
const heat = (plate) => plate.now.kind === "bake";

const beginLines = (plate) => {
  const { exposure, bake } = plate.now;
  if (exposure && link.status.advisory) {
    return [
      t("The unit's own timer switches the light; platelink measures it."),
      t("It says what to set on that timer, and when the dose is reached."),
      t("Close the lid. Make sure that nobody looks in."),
    ];
  }
  if (exposure) {
    const left = exposure.target_dose_mj_cm2 - (exposure.dose_mj_cm2 || 0);
    const lines = [
      known(exposure.remaining_s)
        ? t(
            "UV light comes on in the unit by itself, and goes off at {dose}, after about {time}.",
            {
              dose: quantity(exposure.target_dose_mj_cm2, "dose"),
              time: duration(exposure.remaining_s),
            },
          )
        : t("UV light comes on in the unit by itself, and goes off at {dose}.", {
            dose: quantity(exposure.target_dose_mj_cm2, "dose"),
          }),
    ];
    if (exposure.dose_mj_cm2 > 0)
      lines.push(t("{dose} to go.", { dose: quantity(left, "dose") }));
    const { contact } = exposure;
    lines.push(
      contact
        ? t("It waits for a vacuum of {band}.", {
            band: band(contact.low_kpa, contact.high_kpa, "vacuum"),
          })
        : t("It does not wait for vacuum."),
    );
    return [...lines, t("Close the lid. Make sure that nobody looks in.")];
  }
  if (bake) {
    return [
      t("Put the plate into the oven. {time} between {band}; other time is not counted.", {
        time: duration(bake.needed_s),
        band: band(bake.low_c, bake.high_c, "temperature"),
      }),
      t("The oven is heated by its own thermostat; set and check it there."),
    ];
  }
  return [];
};

const labels = (plate, act) => {
  const { stage } = plate.now;
  switch (act) {
    case "begin":
      return light(plate) ? t("Begin exposure") : heat(plate) ? t("Begin baking") : t("Begin");
    case "done":
      return stage && stage.name ? t("Done: {stage}", { stage: stage.name }) : t("Done");
    case "hold":
      return light(plate) ? t("Hold: light off") : t("Hold");
    case "restart":
      return light(plate) ? t("Restart: light on") : t("Restart");
    default:
      return act;
  }
};

const endings = (acts) =>
  [
    {
      name: "stop",
      label: t("Stop the plate"),
      text: t("Ends it, incomplete. What was done stays on record."),
    },
    {
      name: "abort",
      label: t("Abort the plate"),
      text: t("Ends it at once: something is wrong with it."),
    },
    {
      name: "skip",
      label: t("Skip this step"),
      text: t("The plate continues with the next step. Needs a reason."),
      needsReason: true,
    },
  ].filter((ending) => acts.includes(ending.name) && may(ending.name));

/** Sends an act; what went wrong is shown in `says` and stays there until the next act. */
export const act = async (plate, name, says, more = {}) => {
  show(says, false);
  try {
    await post(`/plates/${encodeURIComponent(plate.plate)}/${name}`, { step: plate.step, ...more });
    return true;
  } catch (error) {
    says.textContent = error.message;
    show(says, true);
    return false;
  }
};

const overdue = () =>
  (link.status?.alarms?.list || []).find(
    (alarm) => alarm.name === "calibration overdue" && alarm.active,
  );

/** What a person saw of the lamps while the light sensor was in doubt: the reason of a restart. */
export const lampsWere = () => [
  { name: "lamps on", label: t("They were on. Restart") },
  { name: "lamps off", label: t("They were off. Restart") },
  { name: "not known", label: t("Not known. Restart") },
];
export const lampsAsked = () =>
  t("The light sensor failed for a while. What did the lamps do meanwhile?");

const asked = async (plate, name, says) => {
  if ((name !== "begin" && name !== "restart") || !(light(plate) || heat(plate)))
    return act(plate, name, says);
  const asks = name === "restart" && plate.now.exposure?.asks_what_fell;
  const late = light(plate) && can("accept_overdue") ? overdue() : null;
  const answer = await ask({
    title: labels(plate, name),
    lines: [
      ...(asks ? [lampsAsked()] : []),
      ...beginLines(plate),
      ...(late
        ? [
            await inWords(late.text),
            t("Continuing with an overdue calibration will be recorded."),
          ]
        : []),
    ],
    cautions: (plate.now.cautions || []).map(said),
    answers: asks ? lampsWere() : [{ name, label: labels(plate, name) }],
  });
  if (!answer) return false;
  const more = { ...(late && { accept_overdue: true }), ...(asks && { reason: answer.name }) };
  return act(plate, name, says, more);
};

const whoEndsLight = () =>
  link.status.advisory
    ? t("The unit's own timer ends the light, not platelink.")
    : t("Light goes off with each of these.");

const ended = async (plate, acts, says) => {
  const answer = await ask({
    title: t("End plate {plate}?", { plate: plate.plate }),
    lines: light(plate) ? [whoEndsLight()] : [],
    answers: endings(acts),
    reason: t("Reason"),
    reasons: [t("plate damaged"), t("begun by mistake"), t("trial over")],
  });
  if (answer) await act(plate, answer.name, says, { reason: answer.reason });
};

/** A row of controls that follows the plate; the buttons change only when the acts do. */
export class Acts {
  constructor() {
    this.says = h("p", { class: "wrong", role: "alert", hidden: true });
    this.row = h("div", { class: "acts" });
    this.node = h("div", {}, this.says, this.row);
    this.key = null;
    this.plate = null;
  }

  update(plate) {
    this.plate = plate;
    const acts = (plate.now?.acts || []).filter(may);
    const key = [plate.plate, plate.step, plate.now?.stage?.name, ...acts].join("|");
    if (key === this.key) return;
    this.key = key;
    const order = ["begin", "done", "restart", "hold"].filter((name) => acts.includes(name));
    const buttons = order.map((name, place) =>
      h("button", {
        type: "button",
        class: place === 0 ? "main" : "",
        text: labels(plate, name),
        "data-key": name,
        onclick: (click) => this.#once(click, () => asked(this.plate, name, this.says)),
      }),
    );
    if (acts.includes("measure"))
      buttons.push(
        h("button", {
          class: buttons.length ? "" : "main",
          form: "measure",
          text: plate.now.inspect ? t("Record the findings") : t("Record the temperature"),
          "data-key": "measure",
        }),
      );
    if (endings(acts).length) {
      buttons.push(
        h("button", {
          type: "button",
          class: "quiet",
          text: t("End …"),
          "data-key": "end",
          onclick: (click) => this.#once(click, () => ended(this.plate, acts, this.says)),
        }),
      );
    }
    refill(this.row, ...buttons);
  }

  /** A double touch is one act, also when the answer came between its two touches. */
  async #once(click, work) {
    const button = click.currentTarget;
    if (button.ariaDisabled === "true" || click.detail > 1) return;
    button.ariaDisabled = "true";
    try {
      await work();
    } finally {
      button.ariaDisabled = null;
    }
  }
}
