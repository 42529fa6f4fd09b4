// The operator's page: what is heard from the daemon goes into one view, and the
// view is shown as it is at each moment.

import { byId, setText } from "./dom.js";
import { drawCurve } from "./curve.js";
import { forceNumber, forceText, useUnits } from "./figures.js";
import { alarmOn, isFresh, showForce } from "./force.js";
import { assign, offerInspections, openInspection, wireForms } from "./forms.js";
import { showChanges, showGrounds } from "./grounds.js";
import { Link } from "./link.js";
import { showJob, showReadiness } from "./panels.js";
import { forget, showRecords } from "./records.js";
import { showSigned, signInNeeded } from "./signed.js";
import { offerRanges, showSteady, showVerification } from "./verify.js";
import { alarmOf } from "./words.js";

const linkSaid = { live: "connected", connecting: "connecting to the daemon", lost: "connection to the daemon lost", full: "too many screens are open" };
const act = { assign, inspect: openInspection };
const calm = matchMedia("(prefers-reduced-motion: reduce)");

const view = {
  setup: null, link: "connecting", reading: null, readingHeard: null, hold: null, state: null, records: null, recordsVersion: null,
  points: [], highest: 0, drawnAt: 0, saidAt: -Infinity,
};

// hear is what is done with each event of the stream.
const hear = {
  link(standing) {
    view.link = standing;
    document.documentElement.dataset.link = standing === "full" ? "lost" : standing;
    setText(byId("link"), linkSaid[standing]);
    // What was heard before says nothing of now, nor has another run's clock.
    if (standing === "live") restoreCurve();
    else Object.assign(view, { reading: null, hold: null, state: null, points: [], recordsVersion: null });
    view.drawnAt = -Infinity;
    show();
  },
  state(state) {
    if (view.version && view.version !== state.version) warn("The daemon was renewed. Load this page again.");
    else warn(state.journal_failed && `Nothing can be recorded: ${state.journal_failed}`);
    view.version = state.version;
    view.state = state;
    setText(byId("version"), `Version ${state.version}.`);
    showReadiness(state);
    showGrounds(state);
    showVerification(state);
    showJobOf(state);
    if (view.records) showRecordsIfJobChanged();
    show();
  },
  reading(reading, heard) {
    const another = reading.pull !== view.reading?.pull;
    view.highest = Math.max(another ? 0 : view.highest, reading.max_newtons ?? 0);
    view.reading = reading;
    view.readingHeard = heard;
    view.points.push([heard.elapsed - reading.age_seconds, reading.min_newtons, reading.max_newtons, reading.pressure_pascals]);
    view.elapsed = heard.elapsed;
    while (view.points.length > 0 && view.points[0][0] < heard.elapsed - view.setup.recent_seconds) view.points.shift();
    requestAnimationFrame(show);
  },
  hold(hold) { view.hold = hold; },
  records(version) { fetchRecords(version); },
};

function show() {
  const now = performance.now();
  showForce(view, now);
  showAlarm();
  showSteady(view, isFresh(view, now));
  if (now - view.drawnAt >= (calm.matches ? 500 : 90)) showCurve(now);
}

function showCurve(now) {
  view.drawnAt = now;
  const to = view.elapsed ?? 0;
  const fresh = isFresh(view, now);
  drawCurve(byId("curve"), {
    points: view.link === "live" ? view.points : [], from: to - view.setup.recent_seconds, to,
    required: fresh ? view.reading.required_newtons : null, limit: fresh ? view.reading.limit_newtons : null,
    origin: to, least: view.setup.capacity_newtons * 0.05, timeText: (t) => (t === 0 ? "now" : `${t} s`),
  });
  sayCurve(now, fresh);
}

// sayCurve says in words what the curve shows, now and then.
function sayCurve(now, fresh) {
  if (fresh && now - view.saidAt < 5000) return;
  view.saidAt = fresh ? now : -Infinity;
  const most = Math.max(...view.points.map((p) => p[2] ?? 0), 0);
  setText(byId("curve-said"), fresh ? `Of the last two minutes; the greatest force was ${forceText(most)}.` : "");
}

// restoreCurve puts what happened before this page was opened in front.
async function restoreCurve() {
  try {
    const past = await (await fetch("/curve", { cache: "no-store" })).json();
    const first = view.points[0]?.[0] ?? Infinity;
    view.points = [...past.points.filter((p) => p[0] < first), ...view.points];
  } catch { /* the curve then begins now */ }
}

async function fetchRecords(version) {
  // Another run of the daemon may be on another journal.
  if (version.split("-")[0] !== view.run) forget();
  view.run = version.split("-")[0];
  view.recordsVersion = version;
  try {
    const answer = await fetch("/pulls");
    if (!answer.ok || view.recordsVersion !== version) return;
    view.records = await answer.json();
  } catch {
    return; // the next change, or the next connection, asks again
  }
  view.recordsJob = view.state?.open_job?.job;
  showRecords(view.records, view.state, act);
  showChanges(view.records);
  offerInspections(view.records.tests);
  if (view.state) showJobOf(view.state);
}

// showRecordsIfJobChanged offers to count pulls for another job.
function showRecordsIfJobChanged() {
  const job = view.state.open_job?.job;
  if (job === view.recordsJob) return;
  view.recordsJob = job;
  showRecords(view.records, view.state, act);
}

const showJobOf = (state) => showJob(state, view.records?.tests.at(-1), openInspection);

function warn(text) {
  byId("alarm").hidden = !text;
  setText(byId("alarm"), text || "");
}

// showAlarm lets nobody miss that an alarm is on.
function showAlarm() {
  const alarm = alarmOn(view);
  const banner = byId("danger");
  banner.hidden = alarm === null;
  document.documentElement.toggleAttribute("data-alarm", alarm !== null);
  const title = view.setup ? `${view.setup.bench} · Thimbled` : "Thimbled";
  const shown = alarm === null ? title : `ALARM · ${title}`;
  if (document.title !== shown) document.title = shown;
  const known = alarm === null ? null : alarmOf(alarm.alarm);
  setText(byId("danger-said"), known?.says ?? "");
  setText(byId("danger-does"), known?.does ?? "");
  setText(byId("danger-why"), alarm?.why ? `Seen: ${alarm.why}.` : "");
}

// wireScheme lets a person choose the dark screen; it is remembered here.
function wireScheme() {
  const button = byId("scheme");
  const set = (dark) => {
    document.documentElement.dataset.scheme = dark ? "dark" : "light";
    button.setAttribute("aria-pressed", String(dark));
  };
  set(localStorage.getItem("scheme") === "dark");
  button.addEventListener("click", () => {
    const dark = button.getAttribute("aria-pressed") !== "true";
    localStorage.setItem("scheme", dark ? "dark" : "light");
    set(dark);
  });
}

// The force stays in sight in the head of the page while its panel is not.
function wireBrief() {
  new IntersectionObserver(([entry]) => byId("brief").classList.toggle("needed", !entry.isIntersecting), { rootMargin: "-64px 0px 0px 0px" })
    .observe(byId("digits"));
}

async function begin() {
  wireScheme();
  wireBrief();
  for (;;) {
    try {
      const answer = await fetch("/setup", { cache: "no-store" });
      if (signInNeeded(answer)) return;
      view.setup = await answer.json();
      break;
    } catch {
      setText(byId("link"), linkSaid.lost);
      await new Promise((resolve) => setTimeout(resolve, 2000));
    }
  }
  useUnits(view.setup);
  view.widest = forceNumber(view.setup.capacity_newtons).length;
  setText(byId("bench"), view.setup.bench);
  offerRanges(view.setup.ranges);
  wireForms(act);
  showSigned(view.setup.user);
  setInterval(show, 100);
  new Link(hear);
}

begin();
