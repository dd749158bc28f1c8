// An exposure that belongs to no plate, asked for on the command line: shown, held and ended here.
import { h, put, refill, show } from "./dom.js";
import { lampsAsked, lampsWere } from "./acts.js";
import { ask } from "./ask.js";
import { link } from "./link.js";
import { can, post } from "./send.js";
import { stateOf, waitWord } from "./words.js";
import { bare, duration, quantity, sentence, t } from "./text.js";
import { figures } from "./work.js";

const labels = () => ({
  hold: t("Hold: light off"),
  restart: t("Restart: light on"),
  stop: t("Stop the exposure"),
  abort: t("Abort the exposure"),
});

const ACTS = {
  running: ["hold", "stop", "abort"],
  held: ["restart", "stop", "abort"],
  restarting: ["hold", "stop", "abort"],
};

export const exposureCard = () => {
  const state = h("p", { class: "state" });
  const figs = figures();
  const left = h("p", { class: "say next" });
  const says = h("p", { class: "wrong", role: "alert", hidden: true });
  const row = h("div", { class: "acts" });
  const node = h(
    "div",
    { class: "work", "data-kind": "expose" },
    h("div", { class: "headline" }, h("h2", { text: t("Exposure without a plate") }), state),
    left,
    figs.node,
  );
  const send = async (name) => {
    const asks = name === "restart" && link.status?.exposure?.asks_what_fell;
    let reason = "";
    if (name === "restart") {
      const answer = await ask({
        title: labels().restart,
        lines: [
          ...(asks ? [lampsAsked()] : []),
          t(
            "UV light comes on in the unit by itself. Close the lid. Make sure that nobody looks in.",
          ),
        ],
        answers: asks ? lampsWere() : [{ name, label: labels().restart }],
      });
      if (!answer) return;
      if (asks) reason = answer.name;
    }
    show(says, false);
    try {
      await post(`/exposure/${name}`, { reason });
    } catch (error) {
      put(says, error.message);
      show(says, true);
    }
  };
  let key = null;
  return {
    node,
    acts: h("div", {}, says, row),
    update({ exposure }) {
      if (!exposure) return;
      put(state, stateOf({ state: exposure.state, exposure }));
      node.dataset.state = exposure.state;
      figs.update([
        bare(exposure.dose_mj_cm2, "dose"),
        t("of {dose}", { dose: quantity(exposure.target_dose_mj_cm2, "dose") }),
      ]);
      const waits = exposure.waiting_for || [];
      put(
        left,
        waits.length
          ? t("Light waits for: {what}", { what: waits.map(waitWord).join(", ") })
          : sentence(exposure.reason) || t("{time} left", { time: duration(exposure.remaining_s) }),
      );
      if (exposure.state === key) return;
      key = exposure.state;
      const acts = can("run") ? ACTS[key] || [] : [];
      refill(
        row,
        ...acts.map((name) =>
          h("button", {
            type: "button",
            text: labels()[name],
            "data-key": name,
            onclick: () => send(name),
          }),
        ),
      );
    },
  };
};
