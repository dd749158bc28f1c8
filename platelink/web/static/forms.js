// Forms that send an act as JSON: <form data-post="/lots/{name}/close" data-then="/stock">.
import "./shell.js";
import { ask } from "./ask.js";
import { h, put, show } from "./dom.js";
import { scanned } from "./scan.js";
import { post } from "./send.js";
import { number as shown, parse, t } from "./text.js";

/** One field's value; null when it is left empty. */
const value = async (field) => {
  if (field.type === "file") return field.files[0] ? field.files[0].text() : null;
  const text = field.value.trim();
  if (!text) return null;
  if (field.dataset.type !== "number") return text;
  const number = parse(text);
  if (!Number.isFinite(number)) {
    field.focus();
    throw new Error(
      t("{name}: enter a number.", { name: field.labels[0]?.textContent.trim() || field.name }),
    );
  }
  const { least, most } = field.dataset;
  if (number < Number(least ?? -Infinity) || number > Number(most ?? Infinity)) {
    field.focus();
    throw new Error(
      t("{name}: at least {least}, at most {most}.", {
        name: field.labels[0]?.textContent.trim() || field.name,
        least: shown(Number(least)),
        most: shown(Number(most)),
      }),
    );
  }
  return field.dataset.unit ? `${number} ${field.dataset.unit}` : number;
};

/** "reference.name" is a name within another; ``many`` fields of a name make a list. */
const putIn = (values, name, found, many) => {
  const [outer, inner] = name.split(".");
  if (inner === undefined) values[outer] = found;
  else {
    const one = many ? [...(values[outer]?.[inner] ?? []), found] : found;
    values[outer] = { ...values[outer], [inner]: one };
  }
};

const body = async (form) => {
  const values = {};
  for (const field of form.elements) {
    if (!field.name || (field.type === "radio" && !field.checked)) continue;
    const found = await value(field);
    if (field.required && found === null) {
      field.focus();
      throw new Error(
        t("{name}: must be filled in.", {
          name: field.labels[0]?.textContent.trim() || field.name,
        }),
      );
    }
    if (found !== null) putIn(values, field.name, found, "many" in field.dataset);
  }
  return values;
};

/** Names in braces are taken from the values, and then not sent. */
const address = (form, values) =>
  form.dataset.post.replace(/\{(\w+)\}/g, (_, name) => {
    const part = encodeURIComponent(values[name] ?? "");
    delete values[name];
    return part;
  });

const onward = (form, answer) => {
  const then = form.dataset.then || "";
  const to = then.replace(/\{(\w+)\}/g, (_, name) =>
    encodeURIComponent(answer[name] ?? answer.plate?.[name] ?? ""),
  );
  if (to) location.assign(to);
  else location.reload();
};

/** Posts; what stands against it is read first, and accepted by its name. */
const posted = async (path, values) => {
  try {
    return await post(path, values);
  } catch (error) {
    if (!error.asks) throw error;
    const lines = error.message.split("\n").map((line, place) => {
      const name = error.asks[place] ?? "";
      return t(name) === name ? line : `${t(name)}: ${line}`;
    });
    const answer = await ask({
      title: t("Continue anyway?"),
      lines: [...lines, t("It is recorded as a deviation.")],
      reason: error.asksWhy ? t("Reason") : null,
      answers: [{ name: "yes", label: t("Continue anyway"), needsReason: error.asksWhy }],
    });
    if (!answer) throw error;
    const why = error.asksWhy ? { accept_why: answer.reason } : {};
    return posted(path, { ...values, ...why, accept: [...(values.accept || []), ...error.asks] });
  }
};

const send = async (form, says, button) => {
  show(says, false);
  button.disabled = true;
  try {
    const values = await body(form);
    onward(form, await posted(address(form, values), values));
  } catch (error) {
    put(says, error.message);
    show(says, true);
    button.disabled = false;
  }
};

const onTo = (form, field) => {
  const fields = [...form.elements].filter((one) => one.name);
  const rest = fields.slice(fields.indexOf(field) + 1);
  (rest.find((one) => !one.value) || form.querySelector("button.main")).focus();
};

/** A scanner ends in Enter: it goes to the next empty field, and sends nothing. */
scanned((_, field) => {
  const { form } = field || {};
  if (!form?.dataset.post) return false;
  onTo(form, field);
  return true;
});
const entered = (event, form) => {
  if (event.key !== "Enter" || event.target.tagName !== "INPUT" || !("scan" in form.dataset))
    return;
  event.preventDefault();
  onTo(form, event.target);
};

for (const form of document.querySelectorAll("form[data-post]")) {
  const says = h("p", { class: "wrong", role: "alert", hidden: true });
  const button = form.querySelector("button:not([type=button])");
  button.before(says);
  form.noValidate = true;
  form.addEventListener("keydown", (event) => entered(event, form));
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    send(form, says, button);
  });
}
