// Codes of a scanner, which types quickly and ends with Enter: heard in every view, whatever has the focus.
import { h, put, set, show } from "./dom.js";
import { link } from "./link.js";
import { t } from "./text.js";

const GAP_MS = 50; // between two characters; nobody types three that quickly
const LEAST = 3;
const SHOWN_MS = 8000;
const takers = [];

/** Hands each code to `take(code, field, undo)`, newest taker first, until one returns true. `field` is
 * the field that was typed into, if any; `undo` takes the code out of it again. */
export const scanned = (take) => takers.unshift(take);

const note = h("p", { class: "heard", role: "status", hidden: true });
document.body.append(note);
let timer = 0;
/** What came of a code, for some seconds. */
export const heard = (text, wrong = false) => {
  put(note, text);
  set(note, "data-wrong", wrong ? "yes" : null);
  show(note, true);
  clearTimeout(timer);
  timer = setTimeout(() => show(note, false), SHOWN_MS);
};

/** What a code names: {kind, name, to}. */
export const whatIs = async (code) => {
  if ((link.status?.plates || []).some(({ plate }) => plate === code))
    return { kind: "plate", name: code, to: `/#${encodeURIComponent(code)}` };
  const answer = await fetch(`/code?is=${encodeURIComponent(code)}`);
  if (!answer.ok) throw new Error(t("The unit's computer did not answer. Scan it once more."));
  return answer.json();
};

scanned((code, field) => {
  if (field || !document.body.dataset.role) return false;
  whatIs(code).then(
    ({ to }) => location.assign(to),
    (error) => heard(error.message, true),
  );
  return true;
});

const typing = (node) =>
  (node instanceof HTMLInputElement && !["radio", "checkbox", "button", "file"].includes(node.type)) ||
  node instanceof HTMLTextAreaElement
    ? node
    : null;

let keys = "";
let last = -Infinity;
let field = null;
let before = "";

const undo = () => {
  if (field) field.value = before;
  field?.dispatchEvent(new Event("input", { bubbles: true }));
};

const taken = (code) => {
  if (field?.type === "password") return false;
  if (!field && document.querySelector("dialog[open]")) return true; // a question is answered by hand
  return takers.some((take) => take(code, field, undo));
};

addEventListener(
  "keydown",
  (event) => {
    if (event.isComposing || event.repeat || event.ctrlKey || event.altKey || event.metaKey) {
      keys = "";
      return;
    }
    const quick = event.timeStamp - last < GAP_MS;
    if (event.key === "Enter") {
      const code = quick ? keys.trim() : "";
      keys = "";
      if (code.length >= LEAST && taken(code)) {
        event.preventDefault(); // nor does it press what has the focus
        event.stopImmediatePropagation();
      }
      return;
    }
    if (event.key.length !== 1) return;
    if (!quick || !keys) { // a second code may follow the first as quickly, in another field
      keys = "";
      field = typing(event.target);
      before = field?.value ?? "";
    }
    keys += event.key;
    last = event.timeStamp;
    if (keys.length > 1 && !field) event.preventDefault(); // a blank would press it too
  },
  true,
);
