// The last pulls, tests and weighings, from the journal.

import { byId, el, facts, sign } from "./dom.js";
import { drawCurve } from "./curve.js";
import { forceText, percentText, pressureText, secondsText, timeText, wholeText, withUncertainty } from "./figures.js";
import { decisionText, reasonText, verdictOf } from "./words.js";

const shownAtFirst = 6;
const curves = new Map(); // points by pull
const lines = new Map(); // what is shown, so that only what changed is made anew
const said = new Map(); // the answer to assigning a pull
let all = false;

// showRecords shows what the daemon answered to /pulls. act has what can be done
// with a record: assign(pull, form), inspect(job).
export function showRecords(records, state, act) {
  const pulls = records.pulls.toReversed();
  const tests = records.tests.toReversed().slice(0, shownAtFirst);
  const job = state?.open_job?.job;
  show(byId("pulls"), "No pull was made yet.", pulls.slice(0, all ? pulls.length : shownAtFirst).map((pull) =>
    line(`pull ${pull.data.pull}`, [pull.record, pull.corrected?.record, isLoose(pull) && job], () => pullLine(pull, state, act))));
  show(byId("tests"), "No test has ended yet.", tests.map((test) =>
    line(`test ${test.record}`, test.inspections.length, () => testLine(test, act))));
  show(byId("weighings"), "Nothing was weighed yet.", records.weighings.toReversed().map((w) =>
    line(`weighing ${w.record}`, 0, () => weighingLine(w))));
  const more = byId("more-pulls");
  more.hidden = all || pulls.length <= shownAtFirst;
  more.onclick = () => { all = true; showRecords(records, state, act); };
}

// forget is for another journal, whose records have the same numbers.
export function forget() {
  for (const kept of [curves, lines, said]) kept.clear();
}

// line returns the line that is shown already, if nothing of it has changed.
function line(key, content, make) {
  const text = JSON.stringify(content);
  const kept = lines.get(key);
  if (kept?.text === text) return kept.node;
  const node = make();
  const open = kept?.node.querySelector("details")?.open;
  if (open) node.querySelector("details").open = true;
  lines.set(key, { text, node });
  return node;
}

// show puts lines in a list, and gives the keyboard back its place in it. A list whose
// lines are those it has is left alone, for a click on it may have begun.
function show(list, none, nodes) {
  if (nodes.length > 0 && nodes.length === list.children.length && nodes.every((node, i) => node === list.children[i])) return;
  const at = list.contains(document.activeElement) ? document.activeElement.dataset.key : null;
  list.replaceChildren(...(nodes.length > 0 ? nodes : [el("li", { class: "soft" }, none)]));
  if (at) list.querySelector(`[data-key="${CSS.escape(at)}"]`)?.focus();
}

// isLoose says whether a pull belongs to no job.
const isLoose = (record) => record.data.verdict === "unassigned" && !record.assigned;

// judged is what a pull comes to: as it was corrected, if it was.
const judged = (record) => (record.corrected ? { ...record.corrected.data.corrected, trace: record.data.trace } : record.data);

function pullLine(record, state, act) {
  const p = judged(record);
  const verdict = verdictOf(p.verdict);
  const of = [record.item, p.label].filter(Boolean).join(", ");
  const details = el("details", { "data-pull": String(p.pull) },
    el("summary", { "data-key": `pull-${p.pull}` },
      sign(verdict.sign),
      el("span", { class: "what" }, el("strong", {}, verdict.word), ` pull ${p.pull}${of ? `: ${of}` : ""}`),
      el("span", {}, timeText(p.started_at)),
      el("span", { class: "second" }, `peak ${withUncertainty(p.peak_newtons, p.peak_uncertainty) || "not known"}, hold ${secondsText(p.hold_seconds)}`),
      record.corrected ? el("span", { class: "why" }, `Corrected: ${record.corrected.data.why}.`) : null,
      why(p.reasons)));
  details.addEventListener("toggle", () => details.open && fillPull(details, record, state, act));
  return el("li", {}, details);
}

const why = (reasons) => (reasons.length > 0 ? el("span", { class: "why" }, reasons.map(reasonText).join(" ")) : null);

// fillPull adds what is only looked at when a pull is opened.
function fillPull(details, record, state, act) {
  if (details.children.length > 1) return;
  const p = judged(record);
  const canvas = el("canvas", { role: "img", "aria-label": `Force and pressure of pull ${p.pull} over time` });
  const fault = el("p", { class: "answer", role: "status" });
  details.append(
    el("p", {}, verdictOf(p.verdict).says),
    p.trace ? canvas : el("p", { class: "soft" }, "No trace of this pull was kept."),
    fault, pullFacts(p, record.false_acceptance), correction(record), ...assignment(record, state, act));
  if (p.trace) drawPull(canvas, p, fault);
}

// riskText shows a probability; far out its digits say nothing.
function riskText(percent) {
  if (percent === null) return "";
  return percent < 0.01 ? "below 0.01 %" : percentText(percent);
}

function pullFacts(p, risk) {
  const stated = (force, budget) => force !== null && force !== undefined && budget === null ? "not stated" : null;
  return facts(["Required", forceText(p.required_newtons) || "nothing"], ["Limit", forceText(p.limit_newtons)], ["Decision rule", decisionText(p.decision_rule)],
    ["Hold asked", wholeText(p.required_hold_seconds)], ["Held for", secondsText(p.hold_seconds)],
    ["Peak, k = 2", withUncertainty(p.peak_newtons, p.peak_uncertainty)], ["Force held, k = 2", withUncertainty(p.held_newtons, p.held_uncertainty)],
    ["Uncertainty", stated(p.peak_newtons, p.peak_uncertainty)], ["Risk: really below the force asked", riskText(risk.below_asked_percent)],
    ["Risk: really above the limit", riskText(risk.above_limit_percent)],
    ["Highest reading", forceText(p.highest_newtons)], ["Pressure at peak", pressureText(p.pressure_at_peak_pascals)],
    ["Force against pressure", percentText(p.force_pressure_ratio_percent)],
    ["Zero shift", forceText(p.zero_shift_newtons)], ["Ended", p.ended_at ? timeText(p.ended_at) : "not seen"], ["Job", p.job]);
}

// correction says what stood there before a pull was corrected.
function correction(record) {
  if (!record.corrected) return "";
  const { recorded, why, by, scale } = record.corrected.data;
  return el("p", { class: "soft" }, `Corrected by ${by}, with the scale ${scale}: ${why}. First recorded: ` +
    `${verdictOf(recorded.verdict).word.toLowerCase()}, peak ${forceText(recorded.peak_newtons) || "not known"}, hold ${secondsText(recorded.hold_seconds)}.`);
}

// assignment is what can be done with a pull that belongs to no job, and what
// came of it.
function assignment(record, state, act) {
  const pull = record.data.pull;
  const job = state?.open_job;
  const loose = isLoose(record);
  if (loose && !job) return [el("p", { class: "soft" }, "To count it for an item, open that item's job first.")];
  if (!loose && !said.has(pull)) return [];
  const answer = el("p", { class: "answer", role: "status" }, said.get(pull));
  const form = el("form", { "data-ask": "job.assign", class: "row" },
    loose ? el("button", { "data-key": `assign-${pull}` }, `Assign pull ${pull} to ${job.item}`) : null, answer);
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const text = await act.assign(pull, form, answer);
    if (!text) return;
    said.set(pull, text);
    // The line may have been made anew before the answer was here.
    lines.get(`pull ${pull}`)?.node.querySelector("form .answer")?.replaceChildren(text);
  });
  return [form];
}

async function drawPull(canvas, p, fault) {
  try {
    if (!curves.has(p.pull)) {
      const got = await fetch(`/pulls/${p.pull}/curve`);
      const body = await got.json();
      if (!got.ok) throw new Error(body.error);
      curves.set(p.pull, body.points);
    }
    const points = curves.get(p.pull);
    if (points.length === 0) return;
    drawCurve(canvas, {
      points, from: points[0][0], to: points[points.length - 1][0], required: p.required_newtons, limit: p.limit_newtons,
      timeText: (t) => `${+t.toFixed(3)} s`,
    });
  } catch (error) {
    fault.replaceChildren(sign("bad"), ` No curve: ${error.message}`);
  }
}

function testLine(test, act) {
  const t = test.data;
  const last = test.inspections[test.inspections.length - 1];
  return resultLine({
    job: t.job, item: t.item, verdict: t.verdict, reasons: t.reasons, time: test.time,
    second: [t.kind, `${t.pulls.length} ${t.pulls.length === 1 ? "pull" : "pulls"}`].filter(Boolean).join(", "),
    finding: last && `${last.data.finding} by ${last.data.inspector}`,
  }, act);
}

// foundLine is a test as the search answers it.
export function foundLine(test, act) {
  return resultLine({
    job: test.job, item: test.item, verdict: test.verdict, reasons: test.reasons, time: test.ended_at,
    second: [test.kind, test.owner, test.rule].filter(Boolean).join(", "),
    finding: test.inspection && `${test.inspection.finding} by ${test.inspection.inspector}`,
  }, act);
}

function resultLine(test, act) {
  const verdict = verdictOf(test.verdict);
  const paper = (format) => `/certificate/${encodeURIComponent(test.job)}.${format}`;
  return el("li", {},
    el("div", { class: "line" },
      sign(verdict.sign),
      el("span", { class: "what" }, el("strong", {}, verdict.word), ` ${test.item}`),
      el("span", {}, timeText(test.time)),
      el("span", { class: "second" }, [test.second, test.finding ?? "not inspected yet"].filter(Boolean).join(" · ")),
      why(test.reasons)),
    el("p", { class: "doing" },
      el("a", { href: paper("pdf"), download: "", "data-key": `pdf-${test.job}`, "aria-label": `Certificate of ${test.item} as PDF` }, "Certificate, PDF"),
      el("a", { href: paper("html"), target: "_blank", rel: "noopener", "data-key": `html-${test.job}`, "aria-label": `Certificate of ${test.item} as a page` }, "as a page"),
      test.finding ? null : el("button", { type: "button", "data-key": `inspect-${test.job}`, "aria-label": `Inspect ${test.item}`, on: { click: () => act.inspect(test.job) } }, "Inspect")));
}

function weighingLine(record) {
  const w = record.data;
  return el("li", {},
    el("div", { class: "line" },
      sign("rest"),
      el("span", { class: "what" }, el("strong", {}, forceText(w.net_newtons)), ` net${w.item ? `, ${w.item}` : ""}`),
      el("span", {}, timeText(record.time)),
      el("span", { class: "second" }, `gross ${forceText(w.gross_newtons)}, tare ${forceText(w.tare_newtons)}, spread ${forceText(w.spread_newtons)}, stable for ${secondsText(w.stable_seconds)}`)));
}
