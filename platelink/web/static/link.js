// The live line to the unit: newest status, its age by this page's own clock, and reconnecting.

export const STALE_MS = 1500; // stale is shown within 2 s, with the ticks below in between
const LOOK_MS = 200;
const HUNG_MS = 4000; // open, and nothing comes: a new connection
const BACK_OFF_MS = [250, 500, 1000, 2000, 4000];

const now = () => performance.now();

class Link extends EventTarget {
  status = null;
  stale = true;
  state = "connecting"; // connecting, live, silent, lost, crowded, signed-out
  #socket = null;
  #tries = 0;
  #timer = 0;
  #heard = now(); // anything at all
  #fresh = null; // a status that is newer than the one before
  #lastAt = null;
  #crowded = false; // this sign-in has as many live lines as it may

  start() {
    setInterval(() => this.#look(), LOOK_MS);
    for (const name of ["visibilitychange", "online", "pageshow"])
      addEventListener(name, () => this.#wake());
    document.addEventListener("visibilitychange", () => this.#wake());
    this.#open();
  }

  /** Milliseconds since the unit was last heard of; null before the first time. */
  get age() {
    return this.#fresh === null ? null : now() - this.#fresh;
  }

  #open() {
    clearTimeout(this.#timer);
    const scheme = location.protocol === "https:" ? "wss" : "ws";
    const socket = new WebSocket(`${scheme}://${location.host}/api/v1/live`);
    this.#socket = socket;
    this.#heard = now();
    socket.onmessage = (message) => {
      if (socket === this.#socket) this.#take(message.data);
    };
    socket.onclose = (end) => {
      if (socket !== this.#socket) return;
      this.#socket = null;
      if (end.code === 4401) return this.#signedOut();
      this.#crowded = end.code === 4429;
      this.#again();
    };
  }

  #again() {
    const wait = BACK_OFF_MS[Math.min(this.#tries++, BACK_OFF_MS.length - 1)];
    this.#timer = setTimeout(() => this.#open(), wait * (0.75 + Math.random() / 2));
    this.#look();
  }

  /** Only when the service says so by itself, too: else two views would send each other round. */
  async #signedOut() {
    const answer = await fetch("/api/v1/me").catch(() => null);
    if (answer?.status !== 401) return this.#again();
    this.state = "signed-out";
    this.dispatchEvent(new Event("change"));
    const here = location.pathname + location.search;
    location.assign(`/sign-in?next=${encodeURIComponent(here)}`);
  }

  #take(text) {
    this.#heard = now();
    const line = JSON.parse(text);
    if (line.status) {
      this.#tries = 0;
      this.#crowded = false;
      // The first one may have been kept for long: only one that differs proves a unit that lives.
      if (this.#lastAt !== null && line.status.at_utc !== this.#lastAt) this.#fresh = now();
      this.#lastAt = line.status.at_utc;
      this.status = line.status;
      this.#look(true);
    } else {
      this.dispatchEvent(new CustomEvent("line", { detail: line }));
    }
  }

  #look(told = false) {
    const stale = this.age === null || this.age > STALE_MS;
    const state = !stale
      ? "live"
      : this.#crowded
        ? "crowded"
        : this.#socket === null
          ? "lost"
          : this.age === null
            ? "connecting"
            : "silent";
    if (this.#socket && now() - this.#heard > HUNG_MS) {
      const hung = this.#socket;
      this.#socket = null;
      hung.close();
      this.#timer = setTimeout(() => this.#open(), 0);
    }
    const changed = stale !== this.stale || state !== this.state;
    this.stale = stale;
    this.state = state;
    if (changed) this.dispatchEvent(new Event("change"));
    if (told) this.dispatchEvent(new Event("status"));
    else if (stale) this.dispatchEvent(new Event("age"));
  }

  #wake() {
    if (document.visibilityState !== "visible") return;
    this.#look();
    if (this.#socket === null && this.state !== "signed-out") {
      this.#tries = 0;
      this.#open();
    }
  }
}

export const link = new Link();

/** Calls paint with the newest status once a frame at most, and whenever it becomes stale. */
export const painted = (paint) => {
  let asked = false;
  const ask = () => {
    if (asked) return;
    asked = true;
    requestAnimationFrame(() => {
      asked = false;
      paint(link.stale ? null : link.status);
    });
  };
  link.addEventListener("status", ask);
  link.addEventListener("change", ask);
  if (link.status) ask();
};
