// Names as buttons, recent first: a touch fills the field; what is typed or scanned narrows them.
import { h, put, set, show } from "./dom.js";
import { nt } from "./text.js";

const MOST = 6;

/** The list of buttons of one field. */
const follow = (list) => {
  const field = document.getElementById(list.dataset.picks);
  const buttons = [...list.querySelectorAll("[data-value]")];
  let whole = false;
  const more = h("button", { type: "button", class: "quiet" });
  more.addEventListener("click", () => {
    whole = true;
    draw();
  });
  list.append(h("li", {}, more));
  const draw = () => {
    const typed = field.value.trim();
    const chosen = buttons.some((button) => button.dataset.value === typed);
    const fits = (button) =>
      chosen || button.textContent.toLowerCase().includes(typed.toLowerCase());
    let room = whole ? Infinity : MOST;
    let left = 0;
    for (const button of buttons) {
      const pressed = button.dataset.value === typed;
      const here = pressed || (fits(button) && room > 0);
      if (here) room--;
      else if (fits(button)) left++;
      show(button.parentElement, here);
      set(button, "aria-pressed", String(pressed));
    }
    put(more, nt("One more", "{n} more", left));
    show(more.parentElement, left > 0);
  };
  for (const button of buttons)
    button.addEventListener("click", () => choose(field, button.dataset.value));
  field.addEventListener("input", draw);
  draw();
};

/** Puts a value into a field as if it had been typed. */
export const choose = (field, value) => {
  field.value = value;
  field.dispatchEvent(new Event("input", { bubbles: true }));
};

for (const list of document.querySelectorAll("[data-picks]")) follow(list);
