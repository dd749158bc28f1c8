// Acts go to the service from here, and from nowhere else.
import { inWords, t } from "./text.js";

/** Whether the person has a right of the service's table. */
export const can = (right) => (document.body.dataset.rights || "").split(" ").includes(right);

const csrf = () => document.body.dataset.csrf || "";
const PATIENCE_MS = 15000;

/** Posts; gives the document, or throws an Error whose text says what to do. */
export const post = async (path, body) => {
  let answer;
  try {
    answer = await fetch(`/api/v1${path}`, {
      method: "POST",
      headers: { "Content-Type": "application/json", "X-CSRF-Token": csrf() },
      body: JSON.stringify(body),
      signal: AbortSignal.timeout(PATIENCE_MS),
    });
  } catch {
    throw new Error(t("The unit's computer did not answer. Check the unit, then try again."));
  }
  const document = await answer.json().catch(() => ({}));
  if (answer.ok) return document;
  throw Object.assign(
    new Error(
      (await inWords(document.error)) || t("The service refused it without giving a reason."),
    ),
    {
      status: answer.status,
      kind: document.kind,
      asks: document.asks,
      asksWhy: document.asks_why,
    },
  );
};

const got = async (address) => {
  const answer = await fetch(address);
  if (!answer.ok) {
    const { error } = await answer.json().catch(() => ({}));
    throw new Error((await inWords(error)) || String(answer.status));
  }
  return answer;
};

/** Gets a document. */
export const fetched = async (path) => (await got(`/api/v1${path}`)).json();

/** Gets a file under the name that the service gives it. */
export const file = async (address) => {
  const answer = await got(address).catch((error) => {
    if (error instanceof TypeError)
      throw new Error(t("The unit's computer did not answer. Check the unit, then try again."));
    throw error;
  });
  const [, name] = answer.headers.get("content-disposition").match(/filename="(.+)"/);
  return { name, blob: await answer.blob() };
};
