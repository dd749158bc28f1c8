// Names offered at the sign-in of this screen; secrets are never kept.
const KEEP = "platelink names";
const MOST = 24;

export const names = () => {
  try {
    const found = JSON.parse(localStorage.getItem(KEEP) || "[]");
    return Array.isArray(found) ? found.filter((name) => typeof name === "string") : [];
  } catch {
    return [];
  }
};

/** Puts names first. */
export const keep = (...first) =>
  localStorage.setItem(KEEP, JSON.stringify([...new Set([...first, ...names()])].slice(0, MOST)));
