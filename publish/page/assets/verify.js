// The verification of the force readings: a session against a reference standard.

import { byId, el, fill, setText, sign } from "./dom.js";
import { ask } from "./asking.js";
import { forceNumber, forceText, forceUnit, percentText } from "./figures.js";

let shownAs = "";

export const rangeText = (name) => (name ? `range ${name}` : "the whole range");

// offerRanges lists the indicator's measuring ranges where there are several.
export function offerRanges(ranges) {
  byId("verify-range").replaceChildren(...ranges.map((r) => el("option", { value: r.range }, `${r.range}, to ${forceText(r.up_to_newtons)}`)));
  byId("verify-range-choice").hidden = ranges.length === 0;
}

// showVerification shows the session in hand, or the form that begins one.
export function showVerification(state) {
  const session = state.verification_session;
  const text = JSON.stringify(session);
  if (text === shownAs) return;
  shownAs = text;
  byId("verify-start").hidden = Boolean(session);
  byId("verify-now").hidden = !session;
  if (!session) return;
  setText(byId("verify-of"), `Verification of ${rangeText(session.range)} against ${session.standard}, uncertainty ${session.standard_uncertainty_percent} % (k = 2), by ${session.by}.`);
  byId("verify-points").replaceChildren(...session.points.map(pointRow));
  setText(byId("verify-applied-head"), `Reference, ${forceUnit()}`);
  setText(byId("verify-indicated-head"), `Indicated, ${forceUnit()}`);
  byId("verify-table").hidden = session.points.length === 0;
  byId("verify-zero").disabled = session.points.length === 0 || session.points.at(-1).applied_newtons === 0;
  tellLacks(text);
}

function pointRow(p) {
  return el("tr", {}, el("td", {}, String(p.run)), el("td", {}, p.applied_newtons === 0 ? "zero return" : forceNumber(p.applied_newtons)),
    el("td", {}, forceNumber(p.indicated_newtons)), el("td", {}, errorText(p).replace(" %", "")));
}

// errorText is the error of a point as a part of the reference's force; at zero
// there is none.
export function errorText(p) {
  if (p.applied_newtons === 0) return "";
  return percentText(((p.indicated_newtons - p.applied_newtons) / p.applied_newtons) * 100, true);
}

// showSteady says whether a point can be taken now, and what it would be.
export function showSteady(view, fresh) {
  if (!view.state?.verification_session) return;
  const r = fresh ? view.reading : null;
  const steady = r !== null && r.force_newtons !== null && view.state.stable;
  const indicated = r?.force_newtons ?? null;
  const line = byId("verify-steady");
  const word = indicated === null ? "No fresh reading" : steady ? "Steady" : "Still moving: hold the force";
  const shown = `${word}|${steady}`;
  if (line.dataset.shown !== shown) {
    line.dataset.shown = shown;
    line.replaceChildren(sign(steady ? "good" : "attention"), word);
  }
  setText(byId("verify-indicated"), indicated === null ? "" : `Indicated: ${forceText(indicated + view.state.tare_newtons)}`);
}

// tellLacks says what still speaks against the verification.
async function tellLacks(of) {
  const said = byId("verify-lacks");
  try {
    const answer = await ask("verify.show", {});
    if (of !== shownAs) return; // there is a later answer
    fill(said, answer.lacks.length === 0 ? "Nothing speaks against it: it can be finished." : "So far it cannot be finished, or not for all forces:",
      el("ul", { class: "reasons" }, ...answer.lacks.map((text) => el("li", {}, text))));
  } catch (error) {
    said.replaceChildren(error.message);
  }
}

// openVerification leads to the session in hand.
export function openVerification() {
  byId("verify-work").open = true;
  byId("verify-force").focus();
}
