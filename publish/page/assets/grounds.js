// What the figures rest on: verifications, changes of parameters, and how force and
// pressure go together.

import { byId, el, facts, fill, setText, sign } from "./dom.js";
import { dayText, forceText, percentText, timeText } from "./figures.js";

const shown = {};

function changed(name, content) {
  const text = JSON.stringify(content);
  if (shown[name] === text) return false;
  shown[name] = text;
  return true;
}

// showGrounds shows what the state says of it.
export function showGrounds(state) {
  const check = state.readiness.find((one) => one.check === "verification");
  if (changed("verified", [state.verifications, check?.state])) fill(byId("verified"), ...verifiedParts(state.verifications));
  const n = state.changes_so_far;
  setText(byId("changes-said"), `Changes so far: ${n}`);
}

function verifiedParts(all) {
  if (all.length === 0) return [el("p", { class: "verdict-line" }, sign("attention"), "No verification on record")];
  return all.flatMap((v) => {
    const over = Date.parse(v.until_at) < Date.now();
    return [
      el("p", { class: "verdict-line" }, sign(over ? "bad" : "good"), over ? "Verification overdue" : "Verified", v.range ? `, range ${v.range}` : ""),
      facts(["From", forceText(v.verified_from_newtons)], ["To", forceText(v.verified_to_newtons)], ["On", dayText(v.verified_at)], ["Until", dayText(v.until_at)],
        ["Largest error", percentText(v.largest_error_percent)], ["Repeatability", percentText(v.repeatability_percent)],
        ["ISO 7500-1 class", v.iso_class], ["Load cell", v.serial]),
      el("p", { class: "soft" }, `By ${v.by}, against ${v.standard}, whose uncertainty is ${v.standard_uncertainty_percent} % (k = 2).`),
    ];
  });
}

// showChanges lists the last changes of parameters that touch a figure, and how
// force and pressure went together in the last pulls.
export function showChanges(records) {
  const lines = records.changes.toReversed().map(changeLine);
  fill(byId("changes"), ...(lines.length > 0 ? lines : [el("li", { class: "soft" }, "None is on record.")]));
  setText(byId("ratio-said"), ratioText(records.pulls));
}

function changeLine(record) {
  const { changes, by } = record.data;
  const real = changes.filter((change) => change.old !== null);
  const first = changes.length - real.length;
  return el("li", {},
    el("div", { class: "line" }, sign(real.length > 0 ? "attention" : "rest"),
      el("span", { class: "what" }, real.length > 0 ? `${real.length} changed` : `${first} recorded for the first time`),
      el("span", {}, timeText(record.time)),
      el("span", { class: "second" }, `by ${by}`)),
    real.length > 0 ? el("ul", { class: "reasons" }, ...real.map((c) => el("li", {}, `${c.parameter}: ${c.old}, now ${c.new ?? "none"}`))) : null);
}

// ratioText compares the last pull's ratio of force to what the cylinder makes of the
// pressure with the median of the pulls before.
function ratioText(pulls) {
  const ratios = pulls.map((pull) => pull.data.force_pressure_ratio_percent).filter((r) => r !== null && r !== undefined);
  if (ratios.length === 0) return "";
  const last = ratios.at(-1);
  const before = ratios.slice(-11, -1).toSorted((a, b) => a - b);
  const said = `Force against pressure in the last pull: ${percentText(last)} of what the cylinder makes without friction.`;
  if (before.length < 3) return said;
  const median = before[Math.floor(before.length / 2)];
  return `${said} In the ${before.length} pulls before the middle one had ${percentText(median)}; a drift tells of worn seals, guides or pins.`;
}
