// The form of a new plate: what is scanned goes to the field it belongs to.
import "./forms.js";
import { ask } from "./ask.js";
import { byId } from "./dom.js";
import { choose } from "./picks.js";
import { scanned } from "./scan.js";
import { t } from "./text.js";

const named = (code) =>
  [...document.querySelectorAll("[data-picks] [data-value]")].find(
    ({ dataset }) => dataset.value === code || dataset.value.split("@")[0] === code,
  );

const asked = async (code) => {
  const answer = await ask({
    title: t("What is {code}?", { code }),
    answers: [
      { name: "lot", label: t("Lot of the stock") },
      { name: "film", label: t("Film") },
      { name: "plate", label: t("Name of the plate") },
      { name: "job", label: t("Job") },
    ],
  });
  if (answer) choose(byId(answer.name), code);
};

scanned((code, field, undo) => {
  if (!byId("recipe")) return false;
  const button = named(code);
  if (button) {
    undo();
    button.click();
    return true;
  }
  if (field) return false;
  asked(code);
  return true;
});
