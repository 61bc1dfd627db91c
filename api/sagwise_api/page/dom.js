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
