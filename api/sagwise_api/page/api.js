// Asks the bike. Law: every answer is either the body or an Error with the problem's own words.

const READ_MS = 120_000; // a long ride judged anew on a small computer takes its time
const CHANGE_MS = 15_000;
export const SILENT_BIKE = "the bike does not answer: is the phone on its Wi-Fi?";
const JSON_BODY = { "content-type": "application/json" };

export class Refused extends Error {
  constructor(status, detail) {
    super(detail);
    this.status = status;
  }
}

async function refusal(response, asked) {
  // The session is over: "/" now answers with the pairing page. A phone that may only look stays where it is.
  if (response.status === 401 && asked === undefined) location.reload();
  let detail = `the bike answered ${response.status}`;
  try { detail = (await response.json()).detail ?? detail; } catch { /* not a problem document */ }
  return new Refused(response.status, detail);
}

/** Asks and reads the answer with `read`. A phone that has lost the Wi-Fi would wait for minutes: here it does not. */
async function ask(path, read, options, mostMs = options === undefined ? READ_MS : CHANGE_MS) {
  const signal = AbortSignal.timeout?.(mostMs);
  let response;
  try {
    response = await fetch(`/api/v1${path}`, { ...options, signal });
    if (response.ok) return await read(response);
  } catch {
    throw new Refused(0, SILENT_BIKE);
  }
  throw await refusal(response, options);
}

const json = (response) => response.json();

export function get(path) {
  return ask(path, json);
}

export function getBytes(path) {
  return ask(path, (response) => response.arrayBuffer());
}

export function post(path, body, mostMs) {
  return ask(path, json, { method: "POST", headers: JSON_BODY, body: JSON.stringify(body) }, mostMs);
}

export function change(path, body) {
  return ask(path, json, { method: "PATCH", headers: JSON_BODY, body: JSON.stringify(body) });
}

export function remove(path) {
  return ask(path, json, { method: "DELETE" });
}
