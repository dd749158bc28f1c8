// A number pad of our own, for a panel without a keyboard: it types into the field that has the focus.
import { h } from "./dom.js";
import { decimalMark, t } from "./text.js";

const PANEL = matchMedia("(pointer: coarse) and (min-width: 700px)");
const KEYS = ["7", "8", "9", "4", "5", "6", "1", "2", "3", decimalMark, "0", "⌫"];
const takes = (node) =>
  node instanceof HTMLInputElement && (node.dataset.pad || /^(decimal|numeric)$/.test(node.inputMode));

let field = null;
let letters = false; // a password, not a PIN: the keyboard of the system

const type = (key) => {
  const { selectionStart: from, selectionEnd: to, maxLength, value } = field;
  if (key === "⌫") field.setRangeText("", from === to ? Math.max(0, from - 1) : from, to, "end");
  else if (maxLength < 0 || value.length - (to - from) < maxLength)
    field.setRangeText(key, from, to, "end");
  field.dispatchEvent(new Event("input", { bubbles: true }));
};

const button = (text, onclick, more = {}) =>
  h("button", { type: "button", tabindex: -1, text, onclick, ...more });

const pad = h(
  "div",
  { class: "pad", role: "group", "aria-label": t("Number pad"), hidden: true },
  ...KEYS.map((key) =>
    button(key, () => type(key), { "aria-label": key === "⌫" ? t("Delete the last digit") : null }),
  ),
);
const leave = button(t("Letters"), () => {
  letters = true;
  const kept = field;
  close();
  kept.blur();
  kept.focus();
});
pad.append(leave, button(t("Close"), () => field.blur()));
// A touch on a key leaves the focus where it is.
pad.addEventListener("pointerdown", (event) => event.preventDefault());
pad.addEventListener("mousedown", (event) => event.preventDefault());

const close = () => {
  if (!field) return;
  field.inputMode = field.dataset.pad === "pin" ? "text" : "decimal";
  field = null;
  pad.hidden = true;
};

const open = (target) => {
  if (target === field) return;
  close();
  if (!PANEL.matches || !takes(target) || (letters && target.dataset.pad)) return;
  field = target;
  field.inputMode = "none"; // no second keyboard over it
  leave.hidden = !field.dataset.pad;
  pad.hidden = false;
};
addEventListener("focusin", ({ target }) => open(target));
addEventListener("focusout", ({ relatedTarget }) => {
  if (!pad.contains(relatedTarget)) close();
});
document.body.append(pad);
open(document.activeElement); // it may have the focus since before
