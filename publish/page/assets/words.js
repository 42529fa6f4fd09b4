// What the daemon's words mean to a person.

// verdicts: the word shown, its sign, what it means.
export const verdicts = {
  pass: { word: "Pass", sign: "good", says: "Load and hold were reached, and nothing speaks against it." },
  review: { word: "Review", sign: "attention", says: "Load and hold were reached, but a person must decide." },
  incomplete: { word: "Incomplete", sign: "bad", says: "The hold was not reached." },
  void: { word: "Void", sign: "bad", says: "The evidence cannot count." },
  exceeded: { word: "Exceeded", sign: "bad", says: "The force went above the limit." },
  failed: { word: "Failed", sign: "bad", says: "The load was lost suddenly before the hold was complete." },
  unassigned: { word: "Unassigned", sign: "waiting", says: "No job was open; nothing was required of this pull." },
};

export const verdictOf = (name) => verdicts[name] ?? { word: name, sign: "unknown", says: "" };

const reasons = {
  "sudden-loss": "The load was lost suddenly.",
  "above-limit": "The force was above the limit.",
  "single-reading-above-limit": "A single reading was above the limit; its neighbours do not confirm it.",
  "hold-not-reached": "The required force was not held for the required time.",
  "gap-in-pull": "The force was not seen for a while during the pull.",
  "zero-shift": "Zero after the pull differs from zero before by more than its limit.",
  "outside-verified-range": "The force is outside the range in which the load cell was verified.",
  "verification-overdue": "The verification of the load cell is overdue.",
  unverified: "The load cell has no verification.",
  "constant-changed": "The indicator's calibration constant changed.",
  "reading-not-trusted": "A reading during the pull cannot be trusted.",
  "force-pressure-disagree": "Force and pressure do not agree.",
  "clock-step": "The clock was set during the pull.",
  interrupted: "The record stops before the pull had ended.",
};

export const reasonText = (name) => reasons[name] ?? `${name}.`;

// qualities say why there is no good reading, as the end of a sentence.
const qualities = {
  timeout: "the load indicator does not answer",
  garbled: "the load indicator's answer is garbled",
  refused: "the load indicator refuses to answer",
  "over-range": "the force is above what can be measured",
  "under-range": "the force is below what can be measured",
  "not-ready": "the load indicator is not ready",
  stuck: "the load indicator is stuck at one value",
  disconnected: "the line to the load indicator is disconnected",
};

export const qualityText = (name) => qualities[name] ?? "there is no fresh reading";

// decisions: how the uncertainty of a force is taken into account.
const decisions = {
  simple: "simple acceptance",
  guard: "guarded by a percentage",
  uncertainty: "guarded by the expanded uncertainty",
};

export const decisionText = (name) => decisions[name] ?? "";

// alarms: what is wrong, what stands in place of the force, and what to do.
const alarms = {
  "force-flat": {
    says: "The force does not follow the pressure",
    instead: "force not trusted",
    does: "Stop pumping. Release the pressure. Then look at the load cell's plug and cable, and whether the load goes through the cell at all.",
  },
  "force-lost": {
    says: "No force reading while the bench is under pressure",
    instead: "no force reading",
    does: "Stop pumping. Release the pressure. Then look at the load indicator and its cable.",
  },
};

export const alarmOf = (name) => alarms[name] ?? { says: `Alarm: ${name}`, instead: "force not trusted", does: "Stop pumping. Release the pressure." };

// checks: the states of the readiness list.
export const checks = {
  "in-order": { word: "in order", sign: "good" },
  attention: { word: "attention", sign: "attention" },
  waiting: { word: "cannot be told yet", sign: "waiting" },
  "not-in-order": { word: "not in order", sign: "bad" },
};
