// Calls by sound, for who is not looking. Off until somebody turns a sort on; told apart by rhythm, and
// none of them touches the unit's own beeper.
import { byId, set, show } from "./dom.js";
import { painted } from "./link.js";

const KEEP = "platelink sounds";
const GAP_S = 0.1;
const LOUD = 0.5;
const EDGE_S = 0.01; // without it each tone begins with a click
/** What calls first stands first: the pitch, the lengths of the tones, and after how long again. */
const SORTS = {
  alarm: { hz: 880, tones_s: [0.08, 0.08, 0.08, 0.4], again_ms: 4000 },
  held: { hz: 440, tones_s: [0.9], again_ms: 8000 },
  due: { hz: 660, tones_s: [0.15, 0.15], again_ms: 8000 },
};

const on = new Set();
try {
  for (const sort of JSON.parse(localStorage.getItem(KEEP) || "[]")) if (sort in SORTS) on.add(sort);
} catch {
  // kept by nobody: all of them are off
}

let audio = null;
const ready = () => {
  audio ||= new AudioContext();
  if (audio.state === "suspended") audio.resume().catch(() => null);
  return audio;
};

const play = ({ hz, tones_s: tones }) => {
  const context = ready();
  let at = context.currentTime + 0.02;
  for (const length of tones) {
    const tone = new OscillatorNode(context, { type: "triangle", frequency: hz });
    const gain = new GainNode(context, { gain: 0 });
    gain.gain.linearRampToValueAtTime(0, at);
    gain.gain.linearRampToValueAtTime(LOUD, at + EDGE_S);
    gain.gain.setValueAtTime(LOUD, at + length - EDGE_S);
    gain.gain.linearRampToValueAtTime(0, at + length);
    tone.connect(gain).connect(context.destination);
    tone.start(at);
    tone.stop(at + length);
    at += length + GAP_S;
  }
};

/** What calls, by sort: names, so that a new one is heard at once. */
const calling = ({ alarms, plates, exposure }) => ({
  alarm: (alarms?.list || []).filter((one) => one.state === "unacknowledged").map((one) => one.name),
  held: [
    ...(plates || []).filter(({ now }) => now?.state === "held").map(({ plate }) => plate),
    ...(exposure?.state === "held" ? ["exposure"] : []),
  ],
  due: (plates || [])
    .filter(({ now }) => now?.stage?.due)
    .map(({ plate, now }) => `${plate} ${now.stage.name}`),
});

const known = { alarm: new Set(), held: new Set(), due: new Set() };
let played = -Infinity;
let last = null;
painted((status) => {
  const calls = status ? calling(status) : { alarm: [], held: [], due: [] };
  let next = null;
  let fresh = false;
  for (const sort of Object.keys(SORTS)) {
    const names = calls[sort];
    const added = names.some((name) => !known[sort].has(name));
    if (status) known[sort] = new Set(names);
    if (!names.length || !on.has(sort)) continue;
    if (next === null || (added && !fresh)) next = sort;
    fresh ||= added;
  }
  show(byId("sound-waits"), next !== null && audio !== null && audio.state !== "running");
  const now = performance.now();
  if (next === null || (!fresh && now - played < SORTS[last]?.again_ms)) return;
  last = next;
  played = now;
  play(SORTS[next]);
});

// A browser lets a page sound after a touch only.
addEventListener("pointerdown", () => on.size && ready(), true);

for (const button of document.querySelectorAll("[data-sound]")) {
  const { sound } = button.dataset;
  const draw = () => set(button, "aria-pressed", String(on.has(sound)));
  button.addEventListener("click", () => {
    if (!on.delete(sound)) on.add(sound);
    localStorage.setItem(KEEP, JSON.stringify([...on]));
    draw();
  });
  draw();
}
for (const button of document.querySelectorAll("[data-hear]"))
  button.addEventListener("click", () => play(SORTS[button.dataset.hear]));
