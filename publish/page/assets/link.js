// The connection to the daemon, and how old what it said is.

import { signInNeeded } from "./signed.js";

// A stream says something at least once a second. Silent for this long it is
// lost, even where no error tells so, as with a pulled cable.
const silence = 2500;
const retryEvery = 2000;
// How fast a browser's clock may run against the daemon's, in parts of one.
const drift = 0.001;

// Link follows the daemon's stream. on has a function for each event, and
// "link" for "connecting", "live", "lost" and "full".
export class Link {
  constructor(on) {
    this.on = on;
    this.standing = "connecting";
    this.source = null;
    this.triedAt = -Infinity;
    this.run = null; // of the daemon, whose clock counts anew with each
    this.least = Infinity; // the shortest way from the daemon to here, on two unlike clocks
    setInterval(() => this.watch(), 250);
    document.addEventListener("visibilitychange", () => (document.hidden ? this.rest() : this.open()));
    if (!document.hidden) this.open();
  }

  open() {
    this.source?.close();
    const now = performance.now();
    this.triedAt = now;
    const source = new EventSource("/live");
    this.source = source;
    for (const name of ["state", "reading", "hold", "records"]) {
      source.addEventListener(name, (event) => source === this.source && this.hear(name, event));
    }
    source.addEventListener("error", () => source === this.source && this.lose());
  }

  // rest lets go of the stream while nobody looks, for a browser has few.
  rest() {
    this.source?.close();
    this.source = null;
    this.stand("connecting");
  }

  hear(name, event) {
    const now = performance.now();
    const [run, sent] = event.lastEventId.split("-");
    const late = this.late(now, run, Number(sent));
    this.heardAt = now;
    this.stand("live");
    this.on[name](JSON.parse(event.data), { at: now, late, elapsed: Number(sent) / 1000 });
  }

  // late is how many seconds longer than the quickest message this one was on
  // its way, so that readings that lay in a network do not look fresh.
  late(now, run, sent) {
    const way = now - sent;
    const grown = run === this.run ? this.least + (now - this.leastAt) * drift : Infinity;
    this.run = run;
    this.least = Math.min(way, grown);
    this.leastAt = now;
    return (way - this.least) / 1000;
  }

  lose() {
    if (this.standing !== "full") this.stand("lost");
    if (this.source?.readyState === EventSource.CLOSED) this.askWhy();
  }

  // askWhy finds out whether the daemon is there but has no stream to give.
  async askWhy() {
    try {
      const answer = await fetch("/setup", { cache: "no-store" });
      if (signInNeeded(answer)) return;
      if (answer.ok && this.standing === "lost") this.stand("full");
    } catch {
      this.stand("lost");
    }
  }

  watch() {
    if (this.source === null) return;
    const now = performance.now();
    if (this.standing === "live" && now - this.heardAt > silence) this.stand("lost");
    if (this.standing === "connecting" && now - this.triedAt > silence) this.stand("lost");
    if (this.standing !== "live" && now - this.triedAt > retryEvery) this.open();
  }

  stand(standing) {
    if (standing === this.standing) return;
    this.standing = standing;
    this.on.link(standing);
  }
}
