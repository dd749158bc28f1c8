// Words of the service that people see, each through the catalogue. Free text stays as recorded.
import { t } from "./text.js";

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
};
const KINDS = {
  expose: N("exposure"),
  bake: N("oven"),
  wash: N("washout"),
  blow_off: N("blow-off"),
  inspect: N("inspection"),
  prompt: N("hand work"),
};
const PRIORITIES = { high: N("high priority"), medium: N("medium priority"), low: N("low priority") };

const word = (words) => (name) => (name in words ? t(words[name]) : String(name ?? ""));
export const stateWord = word(STATES);
export const waitWord = word(WAITS);
export const kindWord = word(KINDS);
export const priorityWord = word(PRIORITIES);

/** The state of a step, with the light in it told as such. */
export const stateOf = (now) => (now?.exposure?.step === "light" ? t("light on") : stateWord(now?.state ?? ""));

/** Words that have no table here: an alarm's name, cause and next act, where translated. */
export const serviceWord = (text) => (text ? t(text) : "");
