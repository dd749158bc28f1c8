// The findings of an inspection: depths and answers, typed with wet hands, kept until they are sent.
import { act } from "./acts.js";
import { h, put, set, show } from "./dom.js";
import { ask } from "./ask.js";
import { can } from "./send.js";
import { number, parse, said, t } from "./text.js";

let count = 0;

const limitsOf = (point) =>
  t("{low} to {high} µm", {
    low: number(point.low_um, point.low_um % 1 ? 1 : 0),
    high: number(point.high_um, point.high_um % 1 ? 1 : 0),
  });

const pointField = (point) => {
  const id = `point-${++count}`;
  const input = h("input", {
    id,
    inputmode: "decimal",
    autocomplete: "off",
    maxlength: 9,
    "aria-describedby": `${id}-limits`,
  });
  const verdict = h("span", { class: "verdict", role: "status" });
  input.addEventListener("input", () => {
    const value = parse(input.value);
    const out = Number.isFinite(value) && (value < point.low_um || value > point.high_um);
    put(verdict, out ? t("out of limits") : "");
    set(input, "data-off", out ? "yes" : null);
  });
  const node = h(
    "div",
    { class: "field" },
    h("label", { for: id, text: t("{name}, µm", { name: point.name }) }),
    input,
    h(
      "p",
      { class: "note", id: `${id}-limits` },
      point.where ? `${said(point.where)} ` : "",
      h("span", { text: limitsOf(point) }),
      " ",
      verdict,
    ),
  );
  return { node, input, point };
};

const checkField = (check) => {
  const name = `check-${++count}`;
  const radio = (value, label) =>
    h(
      "label",
      { class: "choice" },
      h("input", { type: "radio", name, value }),
      h("span", { text: label }),
    );
  const node = h(
    "fieldset",
    {},
    h("legend", { text: said(check.question) }),
    radio("yes", t("Yes")),
    radio("no", t("No: {defect}", { defect: check.defect })),
  );
  return { node, check, value: () => node.querySelector("input:checked")?.value };
};

/** Reads every field; the first that is missing gets the focus and is named. */
const collect = (points, checks) => {
  const values = { points: {}, checks: {} };
  for (const { input, point } of points) {
    const value = parse(input.value);
    if (!Number.isFinite(value)) {
      input.focus();
      throw new Error(t("{name}: enter the depth in µm, a number.", { name: point.name }));
    }
    values.points[point.name] = value;
  }
  for (const { node, check, value } of checks) {
    if (!value()) {
      node.querySelector("input").focus();
      throw new Error(t("{name}: answer yes or no.", { name: check.name }));
    }
    values.checks[check.name] = value() === "yes";
  }
  return values;
};

const faults = (values, points, checks) => [
  ...points
    .filter(
      ({ point }) =>
        values.points[point.name] < point.low_um || values.points[point.name] > point.high_um,
    )
    .map(({ point }) => point.name),
  ...checks.filter(({ check }) => !values.checks[check.name]).map(({ check }) => check.defect),
];

export const inspectForm = (first) => {
  const { point: places, check: questions } = first.now.inspect;
  const points = places.map(pointField);
  const checks = questions.map(checkField);
  const noteId = `note-${++count}`;
  const note = h("input", { id: noteId, maxlength: 300, autocomplete: "off" });
  const says = h("p", { class: "wrong", role: "alert", hidden: true });
  let plate = first;
  const send = async (event) => {
    event.preventDefault();
    show(says, false);
    try {
      const values = collect(points, checks);
      const wrong = faults(values, points, checks);
      if (wrong.length) {
        const answer = await ask({
          title: t("Record this plate as a reject?"),
          lines: [
            t("Not in order: {what}. The plate will be recorded as a reject.", {
              what: wrong.join(", "),
            }),
          ],
          answers: [{ name: "reject", label: t("Record as reject") }],
        });
        if (!answer) return;
      }
      await act(plate, "measure", says, { values: { ...values, note: note.value.trim() } });
    } catch (error) {
      put(says, error.message);
      show(says, true);
    }
  };
  const form = h(
    "form",
    { id: "measure", class: "findings", novalidate: true, onsubmit: send },
    ...points.map((field) => field.node),
    ...checks.map((field) => field.node),
    h("div", { class: "field" }, h("label", { for: noteId, text: t("Note") }), note),
    says,
  );
  return {
    node: form,
    update(current) {
      plate = current;
      const may = (current.now.acts || []).includes("measure") && can("run");
      show(form, may);
    },
  };
};
