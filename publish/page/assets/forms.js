// The forms: what a person can ask for. What may be asked when is the daemon's
// to decide; its refusals say what to do.

import { byId, el, fill } from "./dom.js";
import { ask, askAs, capital, doing, filled } from "./asking.js";
import { dayText, forceText, forceUnit, percentText, wholeText } from "./figures.js";
import { foundLine } from "./records.js";
import { errorText, openVerification, rangeText } from "./verify.js";
import { verdicts } from "./words.js";

// done says in a sentence what a command did.
const done = {
  zero: (d) => `Zero is ${forceText(d.new_newtons)} now.`,
  tare: (d) => `Tare is ${forceText(d.new_newtons)} now.`,
  "job.open": (d) => `The job of ${d.item} is open: ${d.planned.map((p) => `${p.label} to ${forceText(p.required_newtons)}`).join("; ")}.`,
  "job.cancel": () => "The job is cancelled. Its pulls stay on record.",
  "job.repeat": (d) => `The next pull is ${d.label} again.`,
  "job.finish": (d) => `The test of ${d.item} has ended: ${verdicts[d.verdict]?.word.toLowerCase() ?? d.verdict}.`,
  inspect: (d) => `Recorded: ${d.item} ${d.finding} by ${d.inspector}.`,
  "weigh.start": () => "Weighing is on.",
  "weigh.stop": (d) => `Weighing has stopped: ${d.lifts} lifts were weighed.`,
  "verify.start": (d) => `The verification of ${rangeText(d.range)} has begun.`,
  "verify.point": (d) => `Taken for run ${d.run}: ${forceText(d.applied_newtons)} applied, ${forceText(d.indicated_newtons)} indicated${d.applied_newtons === 0 ? "" : `, error ${errorText(d)}`}.`,
  "verify.drop": (d) => `The point at ${forceText(d.applied_newtons)} of run ${d.run} is taken back.`,
  "verify.cancel": () => "The verification is cancelled. What was taken stays on record.",
  "verify.finish": (d) => `Verified from ${forceText(d.verified_from_newtons)} to ${forceText(d.verified_to_newtons)} until ${dayText(d.until_at)}: ` +
    `largest error ${percentText(d.largest_error_percent)}, repeatability ${percentText(d.repeatability_percent)}${d.iso_class ? `, class ${d.iso_class} of ISO 7500-1` : ""}.`,
};

// then is what follows once a command was carried out.
const then = {
  "job.open": watchPull,
  "verify.start": openVerification,
  "verify.point": openVerification,
};

// bodies make a command's body of a form where it is not just its fields.
const bodies = {
  "job.open": jobBody,
  "verify.finish": (form) => ({ months: Number(form.elements.months.value) }),
};

export function wireForms(act) {
  for (const form of document.querySelectorAll("form[data-ask]")) {
    const command = form.dataset.ask;
    submit(form, async () => {
      const answer = await askAs(command, (bodies[command] ?? filled)(form));
      form.reset();
      then[command]?.(form);
      return done[command](answer);
    });
  }
  wireUnits();
  wireJobForm(byId("job-form"));
  wireFinding(byId("find-form"), act);
  wireWho(byId("who"));
}

// watchPull leads from the form of a new job back to what is to be watched.
function watchPull(form) {
  showBasis(form);
  for (const said of form.querySelectorAll(".said")) said.replaceChildren();
  byId("force-panel").focus();
}

// submit runs a task when a form is sent, one at a time.
function submit(form, task) {
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    if (form.hasAttribute("aria-busy")) return;
    doing(form, form.dataset.answer ? byId(form.dataset.answer) : form.querySelector(".answer"), task);
  });
}

// assign counts a pull that had no job for the open one, and returns what came of
// it; nothing if the daemon refused.
export async function assign(pull, form, answer) {
  let text;
  await doing(form, answer, async () => {
    const d = await askAs("job.assign", { pull });
    text = `Assigned to ${d.job} as ${d.label}: ${verdicts[d.verdict]?.word.toLowerCase() ?? d.verdict}.`;
    return text;
  });
  return text;
}

// openInspection opens the inspection form for a job.
export function openInspection(job) {
  const choice = byId("inspect-job");
  if (![...choice.options].some((option) => option.value === job)) choice.append(el("option", { value: job }, job));
  choice.value = job;
  byId("inspect-work").open = true;
  byId("inspect-form").elements.inspector.focus();
}

// offerInspections lists the last tests in the inspection form.
export function offerInspections(tests) {
  const choice = byId("inspect-job");
  if (choice === document.activeElement) return;
  const chosen = choice.value;
  const named = (test) => `${test.data.item}, ${test.data.verdict}${test.inspections.length > 0 ? ", inspected" : ""}: ${test.data.job}`;
  choice.replaceChildren(el("option", { value: "" }, "choose a test"),
    ...tests.toReversed().map((test) => el("option", { value: test.data.job }, named(test))));
  choice.value = chosen;
}

// wireUnits completes a bare number with the unit that the page shows, before
// the eyes of who typed it. Loads are left alone: nobody can tell which tonne.
function wireUnits() {
  const units = { force: forceUnit, time: () => "s", part: () => "%" };
  for (const input of document.querySelectorAll("input[data-unit]")) {
    const unit = units[input.dataset.unit];
    if (unit) input.addEventListener("change", () => { if (/^\d+(\.\d+)?$/.test(input.value.trim())) input.value = `${input.value.trim()} ${unit()}`; });
  }
}

// wireWho remembers the name on this screen.
function wireWho(input) {
  input.value = localStorage.getItem("who") ?? "";
  input.addEventListener("change", () => localStorage.setItem("who", input.value.trim()));
}

function jobBody(form) {
  const body = filled(form);
  const unused = body.basis === "rule" ? ["required", "requirement_source"] : ["rule", "strength"];
  if (body.decision !== "guard") unused.push("guard");
  for (const name of ["basis", ...unused]) delete body[name];
  if (body.legs) body.legs = Number(body.legs);
  if (body.pulls) body.pulls = body.pulls.split("\n").map((label) => label.trim()).filter(Boolean).map((label) => ({ label }));
  return body;
}

// showBasis shows the fields that the choices made need.
function showBasis(form) {
  const chosen = [form.elements.basis.value, form.elements.decision.value];
  for (const node of form.querySelectorAll("[data-for]")) node.hidden = !chosen.includes(node.dataset.for);
}

function wireJobForm(form) {
  showBasis(form);
  for (const choice of [...form.elements.basis, form.elements.decision]) choice.addEventListener("change", () => showBasis(form));
  byId("open-job").addEventListener("toggle", () => byId("open-job").open && offerRules(form.elements.rule));
  for (const name of ["rule", "wll", "strength"]) form.elements[name].addEventListener("change", () => tellRule(form));
  byId("plan").addEventListener("click", () => tellPlan(form));
}

async function offerRules(choice) {
  if (choice.options.length > 1) return;
  try {
    const answer = await ask("rules", {});
    const rules = (Array.isArray(answer) ? answer : answer.rules).filter((rule) => rule.branches.length > 0);
    choice.append(...rules.map((rule) => el("option", { value: rule.rule }, `${rule.item}: ${rule.source} (${rule.rule})`)));
  } catch (error) {
    byId("rule-said").replaceChildren(error.message);
  }
}

// tellRule says what the chosen rule asks of an item with this load.
async function tellRule(form) {
  const { rule, wll, strength } = filled(form);
  const said = byId("rule-said");
  if (!rule) return said.replaceChildren();
  if (!wll) return said.replaceChildren("Enter the working load limit to see what the rule asks.");
  try {
    const d = await ask("rules", { rule, wll, strength });
    said.replaceChildren(
      el("p", {}, el("strong", {}, `At least ${forceText(d.least_newtons)}, ${d.most_newtons === null ? "no limit set" : `at most ${forceText(d.most_newtons)}`}, ${d.hold_seconds === null ? "no hold set: enter one" : `held ${wholeText(d.hold_seconds)}`}.`)),
      el("p", {}, `${d.source} (${d.how_known}). ${d.explanation}`),
      el("ul", { class: "reasons" }, ...[...d.obstacles, ...d.warnings].map((text) => el("li", {}, text))));
  } catch (error) {
    said.replaceChildren(error.message);
  }
}

async function tellPlan(form) {
  const { length, legs, fitting_a, fitting_b } = filled(form);
  const said = byId("plan-said");
  if (!length) return said.replaceChildren("Enter the item's length, or that of one leg, to plan its pulls.");
  try {
    const plan = await ask("plan", { length, fitting_a, fitting_b, legs: legs ? Number(legs) : undefined });
    fill(said, plan.why || el("ol", {}, ...plan.pulls.map((pull, i) => el("li", {}, `${i + 1}. ${pull.label}. ${pull.text}`))),
      plan.overlap_metres === null ? null : el("p", {}, `Overlap ${plan.overlap_metres} m.`));
  } catch (error) {
    said.replaceChildren(error.message);
  }
}

function wireFinding(form, act) {
  byId("find-verdict").append(...Object.entries(verdicts).filter(([name]) => name !== "unassigned")
    .map(([name, verdict]) => el("option", { value: name }, verdict.word)));
  submit(form, async () => {
    const answer = await ask("tests", filled(form));
    byId("found").replaceChildren(...answer.tests.map((test) => foundLine(test, act)));
    const n = answer.tests.length;
    const total = answer.total ?? n;
    if (n === 0) return "No test matches.";
    return capital(n < total ? `the last ${n} of ${total} tests that match.` : `${n} ${n === 1 ? "test matches" : "tests match"}.`);
  });
}
