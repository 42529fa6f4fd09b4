// The force in very large digits, with its state in words.

import { byId, setSign, setText } from "./dom.js";
import { forceNumber, forceText, forceUnit, leftText, pressureNumber, pressureUnit, wholeText } from "./figures.js";
import { alarmOf, decisionText, qualityText, verdictOf } from "./words.js";

const linkWords = {
  lost: "connection to the daemon lost",
  connecting: "connecting to the daemon",
  full: "too many screens are open",
};

const stripColours = { good: "good", attention: "attention", waiting: "attention", bad: "bad", unknown: "bad" };

// isFresh says whether the last reading may still be shown.
export function isFresh(view, now) {
  if (view.link !== "live" || !view.reading) return false;
  const age = view.reading.age_seconds + view.readingHeard.late + (now - view.readingHeard.at) / 1000;
  return age <= view.setup.age_limit_seconds;
}

// showForce shows the view as it is now.
export function showForce(view, now) {
  const fresh = isFresh(view, now);
  const standing = standingOf(view, fresh);
  byId("strip").dataset.state = standing.colour;
  setSign(byId("strip-sign"), standing.sign);
  setSign(byId("brief-sign"), standing.sign);
  setText(byId("phase"), standing.word);
  setText(byId("brief-state"), standing.word);
  setText(byId("phase-more"), standing.more);
  showDigits(view, fresh, standing);
  showLevels(view, fresh);
}

// alarmOn is the alarm that is on, as it was heard last.
export const alarmOn = (view) => (view.link === "live" ? ((view.reading ?? view.state)?.alarm ?? null) : null);

// standingOf puts the bench's state into words.
function standingOf(view, fresh) {
  if (view.link !== "live") {
    const word = linkWords[view.link];
    return { word: capital(word), more: "", sign: "unknown", colour: view.link === "connecting" ? "idle" : "bad", instead: word };
  }
  const alarm = alarmOn(view);
  if (alarm) return { word: "Alarm", more: "stop pumping", sign: "bad", colour: "bad", instead: alarmOf(alarm.alarm).instead };
  if (!fresh) return { word: "No fresh reading", more: "", sign: "unknown", colour: "bad", instead: "no fresh reading" };
  const r = view.reading;
  if (r.state === "not-ready" || r.force_newtons === null) {
    return { word: "Not ready", more: "", sign: "unknown", colour: "bad", instead: `no fresh reading: ${qualityText(r.quality)}` };
  }
  if (view.state?.verification_session) return { word: "Verifying", more: view.state.stable ? "steady" : "moving", sign: "rest", colour: "idle" };
  if (isAbove(view)) return { word: "Above the limit", more: `limit ${forceText(r.limit_newtons)}`, sign: "bad", colour: "bad" };
  if (r.state === "pulling") {
    return { word: "Pulling", more: r.required_newtons === null ? "no job is open" : `to ${forceText(r.required_newtons)}`, sign: "pulling", colour: "pulling" };
  }
  if (r.state === "holding") return { word: "Holding", more: holdText(view), sign: "holding", colour: "good" };
  return atRest(view);
}

function atRest(view) {
  const s = view.state;
  if (s?.in_pull) return { word: "Released", more: "the pull is being judged", sign: "rest", colour: "idle" };
  if (view.reading.state === "weighing") return { word: "Weighing", more: weighText(s), sign: "rest", colour: "idle" };
  if (s?.verdict && isOnShow(s)) {
    const verdict = verdictOf(s.verdict);
    return { word: `Ended: ${verdict.word.toLowerCase()}`, more: `pull ${s.pull}`, sign: verdict.sign, colour: stripColours[verdict.sign] };
  }
  return { word: "At rest", more: nextText(s), sign: "rest", colour: "idle" };
}

function weighText(state) {
  const w = state?.weighing;
  if (!w) return "";
  if (!w.lifted) return "the hook is empty";
  return w.settled_newtons === null ? "not settled yet" : "settled";
}

// isOnShow says whether the last pull is still what the operator is about: it
// is not once another job is open.
function isOnShow(state) {
  return !state.open_job || state.open_job.made.some((made) => made.pull === state.pull);
}

function nextText(state) {
  const job = state?.open_job;
  if (!job?.next_planned_pull) return "";
  return `next: ${job.planned[job.next_planned_pull - 1].label}`;
}

// isAbove says whether the pull in hand was above its limit, if only with one
// reading.
function isAbove(view) {
  const r = view.reading;
  if (r.limit_newtons === null || r.state === "at-rest") return false;
  return view.highest > r.limit_newtons || r.peak_newtons > r.limit_newtons;
}

function holdText(view) {
  const left = view.hold?.hold_left_seconds;
  if (left === null || left === undefined) return "";
  return left === 0 ? "hold complete" : `${leftText(left)} left`;
}

function showDigits(view, fresh, standing) {
  const digits = byId("digits");
  const text = standing.instead ?? forceNumber(view.reading.force_newtons);
  setText(byId("force"), text);
  setText(byId("force-unit"), forceUnit());
  setText(byId("brief-force"), standing.instead ? "" : `${text} ${forceUnit()}`);
  digits.toggleAttribute("data-words", Boolean(standing.instead));
  if (!standing.instead) {
    const chars = String(Math.max(view.widest ?? 0, text.length));
    if (digits.style.getPropertyValue("--chars") !== chars) digits.style.setProperty("--chars", chars);
  }
}

function showLevels(view, fresh) {
  const r = fresh ? view.reading : null;
  const doubted = alarmOn(view) !== null; // what came of the force
  const say = (id, text, none) => {
    const figure = r ? text() : "";
    setText(byId(id), figure || (r ? none : "not known"));
    byId(id).toggleAttribute("data-words", !figure);
  };
  const inPull = Boolean(r && view.state?.in_pull);
  say("required", () => forceNumber(r.required_newtons), "none");
  say("limit", () => forceNumber(r.limit_newtons), "none");
  say("peak", () => (doubted ? "" : forceNumber(r.peak_newtons)), doubted ? "in doubt" : "none yet");
  say("pressure", () => pressureNumber(r.pressure_pascals), "not known");
  say("tare-now", () => forceNumber(view.state?.tare_newtons), "not known");
  say("hold", () => (doubted ? "" : holdFigure(view, inPull)), doubted ? "in doubt" : "none");
  const decision = r && r.required_newtons !== null ? decisionText(view.state?.decision_rule) : "";
  setText(byId("decision"), decision && `Decision rule: ${decision}.`);
  name("required", "Required", forceUnit());
  name("limit", "Limit", forceUnit());
  name("tare", "Tare", forceUnit());
  name("pressure", "Pressure", pressureUnit());
  name("peak", inPull || !r?.pull ? "Peak" : "Last peak", forceUnit());
  setText(byId("hold-name"), inPull ? "Hold left" : "Hold asked");
}

const name = (level, words, unit) => setText(byId(`${level}-name`), `${words}, ${unit}`);

function holdFigure(view, inPull) {
  const hold = view.hold;
  if (!hold?.required_hold_seconds) return "";
  if (!inPull) return wholeText(hold.required_hold_seconds);
  return hold.hold_left_seconds === 0 ? "complete" : leftText(hold.hold_left_seconds);
}

const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);
