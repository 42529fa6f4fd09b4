// Asking the daemon to do something, and saying what it answered.

import { byId, sign } from "./dom.js";
import { signInNeeded } from "./signed.js";

// ask sends a command. It throws an Error with a sentence for a person.
export async function ask(command, body) {
  let answer;
  try {
    answer = await fetch(`/ask/${command}`, {
      method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body), signal: AbortSignal.timeout(10000),
    });
  } catch {
    throw new Error("The daemon was not reached, or its answer got lost. Look whether it was done before you ask again.");
  }
  if (signInNeeded(answer)) throw new Error("You are signed out: sign in, then ask again.");
  const said = await answer.json().catch(() => null);
  if (answer.ok) return said;
  throw new Error(capital(said?.error ?? `the daemon answered ${answer.status}`));
}

// askAs adds who asks.
export function askAs(command, body) {
  const who = byId("who").value.trim();
  if (who === "") {
    byId("who").focus();
    throw new Error("Enter your name first: what you ask for is recorded under it.");
  }
  return ask(command, { by: who, ...body });
}

// say writes an answer where a form keeps one.
export function say(node, name, text) {
  node.replaceChildren(sign(name), ` ${text}`);
}

// doing runs a task of a form and says how it ended; its buttons rest so long.
export async function doing(form, answer, task) {
  const buttons = [...form.querySelectorAll("button")].filter((button) => !button.disabled);
  answer.replaceChildren();
  form.setAttribute("aria-busy", "true");
  buttons.forEach((button) => button.setAttribute("aria-disabled", "true"));
  try {
    const text = await task();
    if (text) say(answer, "good", text);
    return true;
  } catch (error) {
    say(answer, "bad", `Not done. ${error.message}`);
    return false;
  } finally {
    form.removeAttribute("aria-busy");
    buttons.forEach((button) => button.removeAttribute("aria-disabled"));
  }
}

// filled returns a form's named texts without those that are empty.
export function filled(form) {
  const out = {};
  for (const [name, value] of new FormData(form)) {
    const text = value.trim();
    if (text !== "") out[name] = text;
  }
  return out;
}

export const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);
