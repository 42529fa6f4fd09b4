// Building what is shown. Text always goes in as text: nothing here, and nothing
// that uses it, can turn a person's or an instrument's words into markup.

const svg = "http://www.w3.org/2000/svg";

export const byId = (id) => document.getElementById(id);

// el makes an element. Properties are attributes, but for "on", an object of
// listeners. Children are nodes or texts; null and "" are left out.
export function el(tag, properties = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (name === "on") {
      for (const [event, listener] of Object.entries(value)) node.addEventListener(event, listener);
    } else if (value !== null && value !== undefined && value !== false) {
      node.setAttribute(name, value === true ? "" : value);
    }
  }
  return fill(node, ...children);
}

// fill puts children in place of those that a node has.
export function fill(node, ...children) {
  node.replaceChildren(...children.filter((child) => child !== null && child !== undefined && child !== ""));
  return node;
}

// sign draws one of the document's signs. It says nothing: words stand beside it.
export function sign(name) {
  const node = document.createElementNS(svg, "svg");
  node.setAttribute("class", `sign sign-${name}`);
  node.setAttribute("aria-hidden", "true");
  const use = document.createElementNS(svg, "use");
  use.setAttribute("href", `#sign-${name}`);
  node.append(use);
  return node;
}

// setText changes a text only if it differs, so that a live region is read out
// once and the browser has nothing to do most of the time.
export function setText(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

// setSign shows another sign in a place kept for one.
export function setSign(node, name) {
  if (node.dataset.sign === name) return;
  node.dataset.sign = name;
  node.replaceChildren(sign(name));
}

export function facts(...pairs) {
  const known = pairs.filter(([, value]) => value !== "" && value !== null && value !== undefined);
  return el("dl", { class: "facts" }, ...known.map(([name, value]) => el("div", {}, el("dt", {}, name), el("dd", {}, String(value)))));
}
