// Asks the bike. Law: every answer is either the body or an Error with the problem's own words.

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

async function ask(path, options) {
  let response;
  try {
    response = await fetch(`/api/v1${path}`, options);
  } catch {
    throw new Refused(0, "the bike does not answer: is the phone on its Wi-Fi?");
  }
  if (!response.ok) throw await refusal(response, options);
  return response;
}

export async function get(path) {
  return (await ask(path)).json();
}

export async function getBytes(path) {
  return (await ask(path)).arrayBuffer();
}

export async function post(path, body) {
  const headers = { "content-type": "application/json" };
  return (await ask(path, { method: "POST", headers, body: JSON.stringify(body) })).json();
}

export async function change(path, body) {
  const headers = { "content-type": "application/json" };
  return (await ask(path, { method: "PATCH", headers, body: JSON.stringify(body) })).json();
}

export async function remove(path) {
  return (await ask(path, { method: "DELETE" })).json();
}
