// Words, numbers and times for people: catalogue, locale, and the units the shop chose.
const root = document.documentElement;
const { table, plurals } = await import(`./text-${root.dataset.language}.js`);
/** More texts of the same language, by the name of their module. */
export const moreTexts = async (name) =>
  Object.assign(table, (await import(`./text-${name}-${root.dataset.language}.js`)).table);
const units = JSON.parse(root.dataset.units);
const locale = root.lang;
const zone = root.dataset.zone || undefined;

export const DASH = "–";
const MINUS = /^-(?=[0.,]*$)/; // a rounded zero has no sign

const fill = (text, values) =>
  values
    ? text.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? values[name] : whole))
    : text;

/** The text in the person's language, with {names} filled in. */
export const t = (text, values) => fill(table[text] || text, values);

const heard = new Map();
const asked = new Map();
const ask = async (text) => {
  const answer = await fetch(`/said?text=${encodeURIComponent(text)}`).catch(() => null);
  if (answer?.ok) heard.set(text, await answer.text());
  asked.delete(text);
};
/** What the unit says, in the person's language: the page is asked once for each text. */
export const inWords = async (text) => {
  if (!text || root.dataset.language === "en") return text;
  if (table[text] || heard.has(text)) return table[text] || heard.get(text);
  if (!asked.has(text)) asked.set(text, ask(text));
  await asked.get(text);
  return heard.get(text) || text;
};
/** The same at once, for what is drawn again and again: as the unit wrote it until it is known. */
export const sentence = (text) => {
  if (text) inWords(text);
  return heard.get(text) || (text ? t(text) : "");
};

/** A recipe's text in the person's language, else in English, else in its first. */
export const said = (text) => {
  const parts = (text || "").split(/^\[([a-z]{2})\] /m);
  if (parts.length < 3 || parts[0]) return text;
  const at = (code) => parts.findIndex((part, i) => i % 2 === 1 && part === code);
  const place = [at(root.dataset.language), at("en")].find((i) => i > 0) ?? 1;
  return parts[place + 1].trim();
};

/** One text for one, another for more; {n} is the number. */
export const nt = (one, more, n, values) => {
  const form = Number(plurals[n < plurals.length ? n : 100 + (n % 100)]);
  const forms = table[one] || [one, more];
  return fill(forms[form] || forms[0], { n: number(n), ...values });
};

const formats = new Map();
const format = (decimals) => {
  if (!formats.has(decimals)) {
    formats.set(
      decimals,
      new Intl.NumberFormat(locale, {
        minimumFractionDigits: decimals,
        maximumFractionDigits: decimals,
      }),
    );
  }
  return formats.get(decimals);
};

export const known = (value) => typeof value === "number" && Number.isFinite(value);

export const number = (value, decimals = 0) =>
  known(value) ? format(decimals).format(value).replace(MINUS, "") : DASH;

/** A value in platelink's own unit, in the shop's. */
export const inUnit = (value, kind) =>
  known(value) ? value / units[kind].factor - units[kind].shift : null;

/** A value typed in the shop's unit, in platelink's own. */
export const ownUnit = (value, kind) => (value + units[kind].shift) * units[kind].factor;

export const symbol = (kind) => units[kind].symbol;
export const bare = (value, kind, decimals = units[kind].decimals) =>
  number(inUnit(value, kind), decimals);
/** A number stays before its unit, also amid text that is written from the right. */
const kept = root.dir === "rtl" ? (text) => `\u2066${text}\u2069` : (text) => text;
export const quantity = (value, kind, decimals) =>
  kept(`${bare(value, kind, decimals)} ${symbol(kind)}`);

/** A band in the shop's unit. */
export const band = (low, high, kind) => kept(`${bare(low, kind)}–${quantity(high, kind)}`);

const two = (value) => String(value).padStart(2, "0");

/** Seconds as people count them: 7.4 s, 42 s, 4:20 min, 1:05:00 h. */
export const duration = (seconds) => {
  if (!known(seconds)) return DASH;
  if (Math.abs(seconds) < 59.5) return kept(`${number(seconds, Math.abs(seconds) < 9.95 ? 1 : 0)} s`);
  const whole = Math.round(seconds);
  if (whole < 3600) return kept(`${Math.floor(whole / 60)}:${two(whole % 60)} min`);
  return kept(
    `${Math.floor(whole / 3600)}:${two(Math.floor(whole / 60) % 60)}:${two(whole % 60)} h`,
  );
};

/** Minutes and seconds, for a figure that runs. */
export const minutes = (seconds) =>
  known(seconds) ? `${Math.floor(seconds / 60)}:${two(Math.floor(seconds % 60))}` : DASH;

const clockFormat = new Intl.DateTimeFormat(locale, { timeStyle: "medium", timeZone: zone });
export const clock = (at) => (at ? clockFormat.format(new Date(at)) : DASH);

export const decimalMark = new Intl.NumberFormat(locale)
  .formatToParts(1.5)
  .find((p) => p.type === "decimal").value;

/** What a person typed, with either decimal mark; NaN when it is no number. */
export const parse = (text) => {
  const plain = text.trim().replace(decimalMark, ".").replace(",", ".");
  return /^[+-]?\d+(\.\d+)?$/.test(plain) ? Number(plain) : NaN;
};
