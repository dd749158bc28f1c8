// The view of people: a lead has their names offered at the sign-in of this screen.
import "./forms.js";
import { byId } from "./dom.js";
import { keep, names } from "./names.js";
import { heard } from "./scan.js";
import { t } from "./text.js";

byId("offer")?.addEventListener("click", ({ currentTarget }) => {
  const open = JSON.parse(currentTarget.dataset.names);
  keep(...names().filter((name) => open.includes(name)), ...open);
  heard(t("Signing in in this browser now takes a touch on the name, and the PIN."));
});
