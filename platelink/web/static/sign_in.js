// Signing in; names that this screen knows are offered, secrets are never kept.
import "./shell.js";
import { byId, h, put, show } from "./dom.js";
import { keep, names } from "./names.js";
import { scanned } from "./scan.js";
import { post } from "./send.js";

const form = byId("sign-in");
const name = byId("name");
const secret = byId("secret");
const says = byId("says");

const choose = (chosen) => {
  name.value = chosen;
  secret.focus();
};

if (form) {
  byId("used").append(
    ...names().map((one) => h("button", { type: "button", text: one, onclick: () => choose(one) })),
  );
  show(byId("used-part"), names().length > 0);
  scanned((code) => {
    choose(code);
    return true;
  });
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    show(says, false);
    const who = name.value.trim();
    try {
      await post("/sign-in", { name: who, secret: secret.value });
    } catch (error) {
      secret.value = "";
      put(says, error.message);
      show(says, true);
      secret.focus();
      return;
    }
    keep(who);
    location.assign(form.dataset.onward);
  });
}
