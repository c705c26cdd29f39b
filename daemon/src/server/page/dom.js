// Makes elements, and changes only what is different, so that a screen reader hears what is new and focus stays.

/** An element: tag, properties (attributes, `on…` listeners, `text`), children. */
export function h(tag, properties = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name === "text") element.textContent = value;
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(name, value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined && child !== false));
  return element;
}

/** The same in SVG. */
export function s(tag, attributes = {}, ...children) {
  const element = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name === "text") element.textContent = value;
    else element.setAttribute(name, value);
  }
  element.append(...children);
  return element;
}

/** Sets a text where it is another one. */
export function write(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/** Replaces an element's children where `key` is another one than last time. */
export function fill(element, key, make) {
  const text = JSON.stringify(key);
  if (element.dataset.key === text) return;
  element.dataset.key = text;
  element.replaceChildren(...[make()].flat().filter(Boolean));
}

/** A point in time, as people here write it. */
export const when = (utc) => new Date(utc).toLocaleString([], { dateStyle: "medium", timeStyle: "short" });

const cells = (tag, texts) => texts.map((text, at) => (text instanceof Node
  ? h("td", {}, text)
  : h(at === 0 && tag === "td" ? "th" : tag, { text, scope: tag === "th" ? "col" : at === 0 ? "row" : null })));

/** A table that can be scrolled by itself. */
export function table(caption, head, rows) {
  return h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": caption },
    h("table", {}, h("caption", { text: caption }),
      h("thead", {}, h("tr", {}, ...cells("th", head))),
      h("tbody", {}, ...rows.map((row) => h("tr", {}, ...cells("td", row))))));
}

/** Asks the program; gives its answer, or throws what it says is wrong. */
export async function ask(path, body) {
  const options = body === undefined ? {} : {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify(body),
  };
  const answer = await fetch(path, options);
  if (answer.ok) return answer.status === 204 ? null : answer.json();
  const problem = await answer.json().catch(() => ({ error: `${answer.status}` }));
  throw new Error([problem.error, problem.hint].filter(Boolean).join(" — "));
}
