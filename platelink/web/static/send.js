// Acts go to the service from here, and from nowhere else.
import { t } from "./text.js";

/** Whether the person has a right of the service's table. */
export const can = (right) => (document.body.dataset.rights || "").split(" ").includes(right);

const csrf = () => document.body.dataset.csrf || "";
const PATIENCE_MS = 15000;

/** A refusal, in the person's language where it comes in the same words each time. */
const said = (text) => (text ? t(text) : "");

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
    throw new Error(t("The unit's computer did not answer. Look at the unit, then try again."));
  }
  const document = await answer.json().catch(() => ({}));
  if (answer.ok) return document;
  throw Object.assign(
    new Error(said(document.error) || t("The service refused it and said no more.")),
    {
      status: answer.status,
      kind: document.kind,
    },
  );
};

/** Gets a document. */
export const fetched = async (path) => {
  const answer = await fetch(`/api/v1${path}`);
  if (!answer.ok)
    throw new Error((await answer.json().catch(() => ({}))).error || String(answer.status));
  return answer.json();
};
