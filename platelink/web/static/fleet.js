// The wall of all units, renewed; what is too old says so.
const EVERY_MS = 2000, OLD_MS = 10000;
const wall = document.getElementById("wall"), silent = document.getElementById("silent");
let heard = performance.now();

async function renew() {
  try {
    const answer = await fetch("/wall", { signal: AbortSignal.timeout(OLD_MS) });
    if (answer.ok) {
      const read = new DOMParser().parseFromString(await answer.text(), "text/html");
      wall.replaceChildren(...read.body.childNodes);
      heard = performance.now();
    }
  } catch {
    // the sentence below says it
  }
  const old = performance.now() - heard > OLD_MS;
  silent.hidden = !old;
  wall.toggleAttribute("data-old", old);
  setTimeout(renew, EVERY_MS);
}

renew();
