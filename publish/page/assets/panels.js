// The readiness list and the open job.

import { byId, el, fill, sign } from "./dom.js";
import { forceText, wholeText } from "./figures.js";
import { openVerification, rangeText } from "./verify.js";
import { checks, decisionText, verdictOf } from "./words.js";

// shown remembers what a panel was made of, so that it is made anew only when
// that has changed: a person may be reading it, or be in it with the keyboard.
const shown = {};

function changed(name, content) {
  const text = JSON.stringify(content);
  if (shown[name] === text) return false;
  shown[name] = text;
  return true;
}

export function showReadiness(state) {
  if (!changed("readiness", [state.readiness, state.ready])) return;
  const wrong = state.readiness.filter((check) => check.state === "not-in-order" || check.state === "waiting").length;
  const odd = state.readiness.filter((check) => check.state === "attention").length;
  byId("ready-said").replaceChildren(...readyLine(state.ready, wrong, odd));
  const order = Object.keys(checks);
  const worst = state.readiness.toSorted((a, b) => order.indexOf(b.state) - order.indexOf(a.state));
  byId("checks").replaceChildren(...worst.map(checkLine));
}

function readyLine(ready, wrong, odd) {
  if (!ready) return [sign("bad"), `Not ready: ${wrong} not in order`];
  if (odd > 0) return [sign("attention"), `Ready, ${odd} to look at`];
  return [sign("good"), "Ready"];
}

function checkLine(check) {
  const known = checks[check.state] ?? { word: check.state, sign: "unknown" };
  const fine = check.state === "in-order";
  return el("li", { class: fine ? null : "wide" },
    sign(known.sign),
    el("span", {}, el(fine ? "span" : "strong", {}, `${check.title}: ${known.word}`),
      check.figure ? el("span", { class: "figure soft" }, `, ${check.figure}`) : null),
    check.why ? el("span", { class: "why soft" }, sentence(check.why)) : null);
}

const sentence = (text) => text.charAt(0).toUpperCase() + text.slice(1) + (/[.!?]$/.test(text) ? "" : ".");

// showJob shows the open job; inspect is called with the job of a test whose
// item nobody has inspected yet.
export function showJob(state, lastTest, inspect) {
  if (!changed("job", [state.open_job, state.weighing, state.verification_session, lastTest, state.in_pull])) return;
  const job = state.open_job;
  byId("job-work").hidden = !job;
  if (!job) {
    byId("job").replaceChildren(...withoutJob(state, lastTest, inspect));
    return;
  }
  // When all planned pulls were made, somebody must choose.
  if (changed("choice", [job.job, job.made.length, job.next_planned_pull])) byId("job-choices").open = job.next_planned_pull === null;
  const said = [job.wll_newtons === null ? "" : `WLL ${forceText(job.wll_newtons)}`, job.length_metres === null ? "" : `${job.length_metres} m long`,
    job.legs > 1 ? `${job.legs} legs` : "", job.owner && `of ${job.owner}`, job.operator && `operator ${job.operator}`, job.ambient];
  const source = [job.rule, job.requirement_source].filter(Boolean).join(": ");
  fill(byId("job"),
    el("p", { class: "item" }, job.item),
    el("p", {}, [job.kind, job.description].filter(Boolean).join(", ")),
    el("p", { class: "soft" }, said.filter(Boolean).join(" · ")),
    source ? el("details", {}, el("summary", {}, "Where the requirement comes from"), el("p", { class: "soft" }, source), el("p", { class: "soft" }, `Job ${job.job}`)) : null,
    el("ol", { class: "planned" }, ...job.planned.map((planned, i) => plannedLine(job, planned, i + 1))),
    job.next_planned_pull ? null : el("p", {}, "All planned pulls were made: repeat the last one, or finish the test."));
}

function plannedLine(job, planned, number) {
  const made = job.made.filter((attempt) => attempt.planned_pull === number);
  const last = made[made.length - 1];
  const verdict = last && verdictOf(last.verdict);
  const next = job.next_planned_pull === number;
  let word = verdict ? `${verdict.word.toLowerCase()}, pull ${last.pull}` : "not made yet";
  if (made.length > 1) word += `, attempt ${made.length}`;
  if (next) word = verdict ? `next, again (${word})` : "next";
  const guarded = planned.asked_newtons !== planned.required_newtons;
  const asked = [guarded ? `${forceText(planned.required_newtons)} (asked ${forceText(planned.asked_newtons)})` : forceText(planned.required_newtons), planned.required_hold_seconds ? `for ${wholeText(planned.required_hold_seconds)}` : ""];
  if (planned.limit_newtons !== null) asked.push(`limit ${forceText(planned.limit_newtons)}`);
  if (planned.decision_rule) asked.push(decisionText(planned.decision_rule));
  return el("li", { "aria-current": next ? "step" : null },
    sign(verdict && !next ? verdict.sign : next ? "pulling" : "waiting"),
    el("span", {}, `${number}. ${planned.label}: ${word}`),
    el("span", { class: "level" }, asked.filter(Boolean).join(", ")));
}

function withoutJob(state, lastTest, inspect) {
  if (state.weighing) {
    const w = state.weighing;
    return [el("p", { class: "item" }, w.item || "Weighing"),
      el("p", {}, w.lifted ? (w.settled_newtons === null ? "On the hook, not settled yet." : `Settled at ${forceText(w.settled_newtons)}.`) : "The hook is empty."),
      el("p", { class: "soft" }, `Weighing is on: ${w.lifts} lifts so far. No pull is judged until it is stopped.`)];
  }
  if (state.verification_session) {
    const v = state.verification_session;
    return [el("p", { class: "item" }, "Verification"), el("p", {}, `The force readings of ${rangeText(v.range)} are being compared with ${v.standard}.`),
      el("p", { class: "doing" }, `${v.points.length} points so far. `,
        el("button", { type: "button", on: { click: openVerification } }, "Go on with it"))];
  }
  const lines = [el("p", {}, "No job is open. A pull made now belongs to nobody; it can be assigned later.")];
  if (lastTest && lastTest.inspections.length === 0) {
    const verdict = verdictOf(lastTest.data.verdict);
    lines.unshift(el("p", { class: "item" }, lastTest.data.item),
      el("p", { class: "verdict-line" }, sign(verdict.sign), `Test ended: ${verdict.word.toLowerCase()}`),
      el("p", { class: "doing" }, "Now inspect the item. ",
        el("button", { type: "button", on: { click: () => inspect(lastTest.data.job) } }, "Record the inspection")));
  }
  return lines;
}
