// The pairing page. Law: the code goes in a body, never in an address; what the bike answers is shown as it is.

import { startTheme } from "./theme.js";

const form = document.getElementById("pair");
const code = document.getElementById("code");
const name = document.getElementById("name");
const answer = document.getElementById("answer");

async function pair() {
  const response = await fetch("/api/v1/pair", {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify({ code: code.value, device: name.value }),
  });
  if (response.ok) return location.replace("/");
  const problem = await response.json();
  answer.textContent = problem.detail;
  code.select();
}

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  answer.textContent = "";
  const button = form.querySelector("button");
  button.disabled = true;
  try {
    await pair();
  } catch {
    answer.textContent = "the bike does not answer: is the phone on its Wi-Fi?";
  } finally {
    button.disabled = false;
  }
});

/** A first guess, so that the owner has less to type. */
function guessedName() {
  const agent = navigator.userAgent;
  if (/iPhone/.test(agent)) return "iPhone";
  if (/iPad/.test(agent)) return "iPad";
  return /Android/.test(agent) ? "Android phone" : "computer";
}

startTheme();
name.value = guessedName();
code.focus();
