// Small helpers to build elements. Law: text goes in as text, never as markup.

export function element(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children.filter((child) => child !== null && child !== undefined));
  return made;
}

export function figure(words, label) {
  return element("span", { class: "fig" }, element("b", {}, words), element("small", {}, label));
}

/** A button that can be pressed. */
export function button(words, pressed, kind = "tap") {
  const made = element("button", { class: kind, type: "button" }, words);
  made.addEventListener("click", pressed);
  return made;
}

const sheets = new Map();

/** Loads a style sheet once; done when it counts. */
export function stylesheet(path) {
  if (!sheets.has(path)) {
    const link = element("link", { rel: "stylesheet", href: path });
    sheets.set(path, new Promise((done) => { link.onload = link.onerror = done; }));
    document.head.append(link);
  }
  return sheets.get(path);
}

/** Fetches modules that are likely wanted next, all at once and not one after the other as each names the next. */
export function ahead(names) {
  for (const name of names) {
    const href = `/page/${name}`;
    if (!document.querySelector(`link[href="${href}"]`)) document.head.append(element("link", { rel: "modulepreload", href }));
  }
}

/** Asks before something is changed; resolves to whether it was confirmed. */
export function confirmed(title, lines, yes) {
  return new Promise((done) => {
    const dialog = element("dialog", { "aria-labelledby": "dialog-title" },
      element("h2", { id: "dialog-title" }, title), ...lines.map((line) => element("p", {}, line)));
    const close = (answer) => () => { window.removeEventListener("hashchange", left); dialog.close(); dialog.remove(); done(answer); };
    const left = close(false); // what was asked about is no longer on the screen
    window.addEventListener("hashchange", left);
    dialog.append(element("div", { class: "buttons" }, button(yes, close(true), "tap chosen"), button("Leave it", close(false))));
    dialog.addEventListener("cancel", left);
    document.body.append(dialog);
    dialog.showModal();
  });
}

/** A line at the foot of the view that says what was done, with a way back where there is one. */
export function tell(body, words, undo) {
  body.querySelector(".told")?.remove();
  const line = element("p", { class: "told", role: "status" }, element("span", {}, words));
  if (undo) line.append(button("Undo", () => { line.remove(); return undone(body, undo); }));
  body.append(line);
  return line;
}

/** Takes something back; where the bike refuses, it says so and can be asked again. */
async function undone(body, undo) {
  try {
    await undo();
  } catch (error) {
    tell(body, error.message, undo);
  }
}
