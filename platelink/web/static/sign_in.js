// Signing in; names that were used on this screen are offered, secrets are never kept.
import "./shell.js";
import { byId, h, put, show } from "./dom.js";
import { post } from "./send.js";

const KEEP = "platelink names";
const MOST = 6;
const names = () => {
  try {
    const found = JSON.parse(localStorage.getItem(KEEP) || "[]");
    return Array.isArray(found) ? found.filter((name) => typeof name === "string") : [];
  } catch {
    return [];
  }
};

const form = byId("sign-in");
const name = byId("name");
const secret = byId("secret");
const says = byId("says");

const choose = (chosen) => {
  name.value = chosen;
  secret.focus();
};

const used = byId("used");
used.append(
  ...names().map((one) => h("button", { type: "button", text: one, onclick: () => choose(one) })),
);
show(byId("used-part"), names().length > 0);

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
  const kept = [who, ...names().filter((one) => one !== who)].slice(0, MOST);
  localStorage.setItem(KEEP, JSON.stringify(kept));
  location.assign(form.dataset.onward);
});
