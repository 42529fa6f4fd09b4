// Who has signed in. On a bench where nobody signs in, none of this shows.

import { byId, setText } from "./dom.js";

// signInNeeded goes to the form when the daemon asks who this is.
export function signInNeeded(answer) {
  if (answer.status !== 401) return false;
  location.assign("/sign-in");
  return true;
}

// showSigned shows who has signed in and offers what their role may do. What is asked
// for is recorded under that name, whatever a page says.
export function showSigned(user) {
  if (!user) return;
  byId("signed").hidden = false;
  setText(byId("signed-as"), `${user.name} (${user.role})`);
  byId("sign-out").addEventListener("click", signOut);
  document.documentElement.dataset.role = user.role;
  const who = byId("who");
  who.value = user.name;
  who.readOnly = true;
  setText(byId("who-hint"), "You have signed in under this name; everything asked for here is recorded under it.");
}

async function signOut() {
  await fetch("/sign-out", { method: "POST" }).catch(() => null);
  location.assign("/sign-in");
}
