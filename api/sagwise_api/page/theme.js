// Day and night. Law: follows the phone until somebody chooses; the choice is kept on this phone only.

const KEY = "sagwise-theme";
const root = document.documentElement;
const listeners = new Set();

function show(theme) {
  root.dataset.theme = theme;
  for (const button of document.querySelectorAll("button.theme")) {
    button.textContent = theme === "day" ? "Night" : "Day";
    button.setAttribute("aria-label", theme === "day" ? "Night colours" : "Day colours");
  }
  for (const listener of listeners) listener(theme);
}

function chosen() {
  try { return localStorage.getItem(KEY); } catch { return null; }
}

export function onTheme(listener) {
  listeners.add(listener);
  return () => listeners.delete(listener);
}

export function startTheme() {
  for (const button of document.querySelectorAll("button.theme")) {
    button.addEventListener("click", () => {
      const theme = root.dataset.theme === "day" ? "night" : "day";
      try { localStorage.setItem(KEY, theme); } catch { /* private window: the choice lasts as long as the page */ }
      show(theme);
    });
  }
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", (event) => {
    if (!chosen()) show(event.matches ? "night" : "day");
  });
  show(root.dataset.theme);
}
