// Questions that a person answers before something happens, in the browser's own dialog.
import { h } from "./dom.js";
import { link } from "./link.js";
import { t } from "./text.js";

let count = 0;

/** A question with what will happen; gives the name of the answer, or null for "not now".
 * answers: [{name, label, text?, plain?, needsReason?}]; reasons: usual ones, by a touch;
 * fields: elements to show in between. */
export const ask = ({ title, lines = [], cautions = [], answers, reason = null, reasons = [], fields = [] }) =>
  new Promise((resolve) => {
    const id = `ask-${++count}`;
    const input =
      reason && h("input", { id: `${id}-why`, type: "text", maxlength: 300, autocomplete: "off" });
    const wrong = h("p", { class: "wrong", role: "alert", hidden: true });
    const buttons = answers.map((answer) =>
      h("button", {
        type: "button",
        class: answer.plain ? "" : "main",
        text: answer.label,
        "data-answer": answer.name,
        "aria-describedby": answer.text ? `${id}-${answer.name}` : null,
        onclick: () => {
          if (answer.needsReason && !input.value.trim()) {
            wrong.textContent = t("Say why; it goes into the record.");
            wrong.hidden = false;
            input.focus();
            return;
          }
          dialog.close(answer.name);
        },
      }),
    );
    const dialog = h(
      "dialog",
      { class: "ask", "aria-labelledby": id },
      h("h2", { id, text: title }),
      ...lines.map((line) => h("p", { text: line })),
      cautions.length
        ? h("ul", { class: "cautions" }, ...cautions.map((line) => h("li", { text: line })))
        : null,
      ...fields,
      input && h("label", { for: `${id}-why`, text: reason }),
      input,
      reasons.length
        ? h(
            "div",
            { class: "used" },
            ...reasons.map((text) =>
              h("button", {
                type: "button",
                text,
                onclick: () => {
                  input.value = text;
                },
              }),
            ),
          )
        : null,
      wrong,
      h(
        "div",
        { class: "answers" },
        ...answers.map((answer, place) =>
          h(
            "div",
            {},
            buttons[place],
            answer.text ? h("p", { id: `${id}-${answer.name}`, text: answer.text }) : null,
          ),
        ),
        h(
          "div",
          {},
          h("button", {
            type: "button",
            text: t("Not now"),
            autofocus: true,
            onclick: () => dialog.close(""),
          }),
        ),
      ),
    );
    // What is asked is asked of what is seen: without news there is nothing to answer.
    const silent = () => {
      if (link.stale) dialog.close("");
    };
    link.addEventListener("change", silent);
    dialog.addEventListener("close", () => {
      link.removeEventListener("change", silent);
      dialog.remove();
      resolve(
        dialog.returnValue
          ? { name: dialog.returnValue, reason: input ? input.value.trim() : "" }
          : null,
      );
    });
    document.body.append(dialog);
    dialog.showModal();
  });
