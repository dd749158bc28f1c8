// Elements, made and changed without markup in strings.

/** h("p", {class: "x", text: "…", onclick}, ...children) */
export const h = (tag, attributes = {}, ...children) => {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name === "text") node.textContent = value;
    else if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else node.setAttribute(name, value === true ? "" : value);
  }
  node.append(...children.filter((child) => child !== null && child !== undefined));
  return node;
};

const SVG = "http://www.w3.org/2000/svg";
export const svg = (tag, attributes = {}, ...children) => {
  const node = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  node.append(...children);
  return node;
};

export const byId = (id) => document.getElementById(id);

/** Text, written only when it differs: five times a second costs nothing while nothing changes. */
export const put = (node, text) => {
  if (node.textContent !== text) node.textContent = text;
};

export const set = (node, name, value) => {
  if (value === null || value === false) node.removeAttribute(name);
  else if (node.getAttribute(name) !== String(value)) node.setAttribute(name, value);
};

export const show = (node, visible) => {
  node.toggleAttribute("hidden", !visible);
};

/** Replaces children; the focus stays on the control of the same name. */
export const refill = (parent, ...children) => {
  const held = parent.contains(document.activeElement) ? document.activeElement.dataset.key : null;
  parent.replaceChildren(...children);
  if (held) parent.querySelector(`[data-key="${CSS.escape(held)}"]`)?.focus();
};

/** Children by key: those that stay are the same elements, so nothing moves under a finger. */
export const keyed = (parent, rows, keyOf, make, update) => {
  const old = new Map([...parent.children].map((child) => [child.dataset.key, child]));
  rows.forEach((row, place) => {
    const key = String(keyOf(row));
    let child = old.get(key);
    if (!child) {
      child = make(row);
      child.dataset.key = key;
    }
    old.delete(key);
    if (parent.children[place] !== child)
      parent.insertBefore(child, parent.children[place] || null);
    update(child, row);
  });
  for (const gone of old.values()) gone.remove();
};

const NAMES = ["ink", "dim", "line", "band"];
let palette = null;
/** Colours of the style for a canvas, as they are now. */
export const colours = () => {
  if (!palette) {
    const probe = h("span", { hidden: true });
    document.body.append(probe);
    palette = {};
    for (const name of NAMES) {
      probe.style.color = `var(--${name})`;
      palette[name] = getComputedStyle(probe).color;
    }
    probe.remove();
  }
  return palette;
};
const forget = () => {
  palette = null;
};
for (const query of ["(prefers-color-scheme: dark)", "(forced-colors: active)"])
  matchMedia(query).addEventListener("change", forget);

const voice = byId("voice");
/** One sentence to a screen reader; sparing. */
export const announce = (text) => {
  if (voice && voice.textContent !== text) voice.textContent = text;
};
