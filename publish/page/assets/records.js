// The last pulls, tests and weighings, from the journal.

import { byId, el, facts, sign } from "./dom.js";
import { drawCurve } from "./curve.js";
import { forceText, pressureText, secondsText, timeText, wholeText } from "./figures.js";
import { reasonText, verdictOf } from "./words.js";

const shownAtFirst = 6;
const curves = new Map(); // points by pull, of the list that is shown
let all = false;

// showRecords shows what the daemon answered to /pulls. act has what can be done
// with a record: assign(pull, answer), inspect(job).
export function showRecords(records, state, act) {
  const open = openPulls();
  const pulls = records.pulls.toReversed();
  const lines = pulls.slice(0, all ? pulls.length : shownAtFirst).map((pull) => pullLine(pull, state, act));
  keep(byId("pulls"), lines, "No pull was made yet.");
  for (const node of byId("pulls").querySelectorAll("details")) node.open = open.has(node.dataset.pull);
  const more = byId("more-pulls");
  more.hidden = all || pulls.length <= shownAtFirst;
  more.onclick = () => { all = true; showRecords(records, state, act); };
  keep(byId("tests"), records.tests.toReversed().slice(0, shownAtFirst).map((test) => testLine(test, act)), "No test has ended yet.");
  keep(byId("weighings"), records.weighings.toReversed().map(weighingLine), "Nothing was weighed yet.");
}

export function forgetCurves() { curves.clear(); }

const openPulls = () => new Set([...byId("pulls").querySelectorAll("details[open]")].map((node) => node.dataset.pull));

// keep replaces a list's content, and gives the keyboard back its place in it.
function keep(list, lines, none) {
  const at = list.contains(document.activeElement) ? document.activeElement.dataset.key : null;
  list.replaceChildren(...(lines.length > 0 ? lines : [el("li", { class: "soft" }, none)]));
  if (at) list.querySelector(`[data-key="${CSS.escape(at)}"]`)?.focus();
}

function pullLine(record, state, act) {
  const p = record.data;
  const verdict = verdictOf(p.verdict);
  const of = [record.item, p.label].filter(Boolean).join(", ");
  const details = el("details", { "data-pull": String(p.pull) },
    el("summary", { "data-key": `pull-${p.pull}` },
      sign(verdict.sign),
      el("span", { class: "what" }, el("strong", {}, verdict.word), ` pull ${p.pull}${of ? `: ${of}` : ""}`),
      el("span", {}, timeText(p.started_at)),
      el("span", { class: "second" }, `peak ${forceText(p.peak_newtons) || "not known"}, hold ${secondsText(p.hold_seconds)}`)));
  details.addEventListener("toggle", () => details.open && fillPull(details, record, state, act));
  return el("li", {}, details);
}

// fillPull adds what is only looked at when a pull is opened.
function fillPull(details, record, state, act) {
  if (details.children.length > 1) return;
  const p = record.data;
  const canvas = el("canvas", { role: "img", "aria-label": `Force and pressure of pull ${p.pull} over time` });
  const answer = el("p", { class: "answer", role: "status" });
  details.append(
    el("p", {}, verdictOf(p.verdict).says),
    el("ul", { class: "reasons" }, ...p.reasons.map((reason) => el("li", {}, reasonText(reason)))),
    p.trace ? canvas : el("p", { class: "soft" }, "No trace of this pull was kept."),
    pullFacts(p), doings(record, state, act, answer), answer);
  if (p.trace) drawPull(canvas, p, answer);
}

function pullFacts(p) {
  return facts(["Required", forceText(p.required_newtons) || "nothing"], ["Limit", forceText(p.limit_newtons)],
    ["Hold asked", wholeText(p.required_hold_seconds)], ["Held", secondsText(p.hold_seconds)], ["Peak", forceText(p.peak_newtons)],
    ["Highest reading", forceText(p.highest_newtons)], ["Pressure at peak", pressureText(p.pressure_at_peak_pascals)],
    ["Zero shift", forceText(p.zero_shift_newtons)], ["Ended", p.ended_at ? timeText(p.ended_at) : "not seen"], ["Job", p.job]);
}

function doings(record, state, act, answer) {
  const p = record.data;
  if (p.verdict !== "unassigned" || record.assigned) return el("span");
  const job = state?.open_job;
  if (!job) return el("p", { class: "soft" }, "To count it for an item, open that item's job first.");
  return el("p", { class: "doing" },
    el("button", { type: "button", "data-key": `assign-${p.pull}`, on: { click: () => act.assign(p.pull, answer) } }, `Count pull ${p.pull} for ${job.item}`));
}

async function drawPull(canvas, p, answer) {
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
    answer.replaceChildren(sign("bad"), ` No curve: ${error.message}`);
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
      test.reasons.length > 0 ? el("span", { class: "second" }, test.reasons.map(reasonText).join(" ")) : null),
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
