// Words of the service that people see, each through the catalogue. Free text stays as recorded.
import { known, number, quantity, t } from "./text.js";

const N = (text) => text;

const STATES = {
  waiting: N("waiting"),
  ready: N("ready"),
  idle: N("idle"),
  running: N("running"),
  holding: N("holding"),
  held: N("held"),
  restarting: N("restarting"),
  complete: N("complete"),
  skipped: N("skipped"),
  stopping: N("stopping"),
  stopped: N("stopped"),
  aborting: N("aborting"),
  aborted: N("aborted"),
};
const WAITS = {
  "contact vacuum": N("contact vacuum"),
  "dark reading": N("dark reading"),
  interlock: N("the lid (interlock open)"),
  "stop button": N("the stop button (pressed)"),
  "device clock": N("the device's clock"),
  "record": N("the record (it cannot be written)"),
};
const PRIORITIES = {
  high: N("high priority"),
  medium: N("medium priority"),
  low: N("low priority"),
};

const JUDGEMENTS = { good: N("good"), reject: N("reject") };

const word = (words) => (name) => (name in words ? t(words[name]) : String(name ?? ""));
export const stateWord = word(STATES);
export const waitWord = word(WAITS);
export const priorityWord = word(PRIORITIES);
export const judgementWord = word(JUDGEMENTS);

/** The state of a step, with the light in it told as such. */
export const stateOf = (now) =>
  now?.exposure?.step !== "light"
    ? stateWord(now?.state ?? "")
    : known(now.exposure.dose_mj_cm2)
      ? t("light on")
      : t("light not known");

const KINDS_OF_UNIT = {
  kPa: "vacuum",
  "°C": "temperature",
  "mJ/cm²": "dose",
  "mW/cm²": "irradiance",
};
/** A value of an alarm, in the shop's unit where it has one. */
const inShopUnit = (value, unit) =>
  unit in KINDS_OF_UNIT
    ? quantity(value, KINDS_OF_UNIT[unit])
    : `${number(value, 1)} ${unit || ""}`.trim();

/** What an alarm measured, and its limit. */
export const measured = ({ value, limit, unit }) =>
  !known(value)
    ? ""
    : known(limit)
      ? t("{value}, limit {limit}", {
          value: inShopUnit(value, unit),
          limit: inShopUnit(limit, unit),
        })
      : inShopUnit(value, unit);

/** Words that have no table here: an alarm's name, cause and next act, where translated. */
export const serviceWord = (text) => (text ? t(text) : "");
