package config

import (
	"time"

	"thimbled/peak"
)

// A force below one newton is no force of a bench, and one above a giganewton
// no force of any.
const leastForce, greatestForce = "1 N", "1000 MN"

var benchKeys = []key{
	{name: "id", needed: always, example: `"dock-3"`,
		doc:   "Name of the bench, of letters, digits, - and _; it is part of every subject and event.",
		field: words("dock-3", checkName, func(d *draft, s string) { d.cfg.Bench.ID = s })},
	{name: "capacity", needed: always, example: `"250 kN"`,
		doc: "Greatest force the bench may pull with.",
		field: quantity(peak.ParseForce, "250 kN", leastForce, greatestForce,
			func(d *draft, f peak.Force) { d.cfg.Bench.Capacity = f })},
	{name: "division", fallback: func(d *draft) value { return str(forceText(d.cfg.Bench.Capacity / 5000)) },
		doc: "Smallest step of the load indicator; by default 1/5000 of the capacity.",
		field: quantity(peak.ParseForce, "50 N", "0.001 N", greatestForce,
			func(d *draft, f peak.Force) { d.cfg.Bench.Division = f })},
	{name: "show", fallback: text("kN"),
		doc:   "Unit that people see: N, kN, MN, lbf, kip, kgf, tf, kg, t, lb, short-ton or long-ton; events are in SI units.",
		field: named(peak.ParseForceUnit, "kN", func(d *draft, u peak.ForceUnit) { d.cfg.Bench.Show = u })},
	{name: "travel", example: `"8 m"`,
		doc: "Longest item that can be pulled in one go.",
		field: quantity(peak.ParseLength, "8 m", "100 mm", "1000 m",
			func(d *draft, l peak.Length) { d.cfg.Bench.Travel = l })},
	{name: "grip", fallback: text("0 m"),
		doc: "What a grip on the body of an item takes of the travel and does not load, when a longer item is pulled one end at a time.",
		field: quantity(peak.ParseLength, "0.5 m", "0 m", "100 m",
			func(d *draft, l peak.Length) { d.cfg.Bench.Grip = l })},
}

var captureKeys = []key{
	{name: "start_above", fallback: share(2 * peak.Percent),
		doc: "A pull starts at this confirmed force; by default 2 % of the capacity.",
		field: quantity(peak.ParseForce, "5 kN", leastForce, greatestForce,
			func(d *draft, f peak.Force) { d.cfg.Capture.StartAbove = f })},
	{name: "end_below", fallback: share(peak.Percent * 4 / 10),
		doc: "A pull ends when the confirmed force stays at or below this; by default 0.4 % of the capacity.",
		field: quantity(peak.ParseForce, "1 kN", "0 N", greatestForce,
			func(d *draft, f peak.Force) { d.cfg.Capture.EndBelow = f })},
	{name: "end_after", fallback: text("1 s"),
		doc: "How long it must stay there.",
		field: quantity(peak.ParseDuration, "1 s", "10 ms", "60 s",
			func(d *draft, t time.Duration) { d.cfg.Capture.EndAfter = t })},
	{name: "max_gap", fallback: atLeast(150*time.Millisecond, 3),
		doc: "Longest time between two good readings that still counts as watched; by default 150 ms, or three polls of the load if that is longer.",
		field: quantity(peak.ParseDuration, "150 ms", "2 ms", "60 s",
			func(d *draft, t time.Duration) { d.cfg.Capture.MaxGap = t })},
	{name: "sudden_loss", fallback: text("20 %"),
		doc: "A fall of the confirmed force by this part of the pull's peak is a sudden loss of load, if it happens within the next key's time.",
		field: quantity(peak.ParseRatio, "20 %", "0.1 %", "100 %",
			func(d *draft, r peak.Ratio) { d.cfg.Capture.SuddenLoss = r })},
	{name: "sudden_loss_within", fallback: atLeast(100*time.Millisecond, 2),
		doc: "The time of a sudden loss; by default 100 ms, or two polls of the load if that is longer.",
		field: quantity(peak.ParseDuration, "100 ms", "1 ms", "60 s",
			func(d *draft, t time.Duration) { d.cfg.Capture.SuddenLossWithin = t })},
}

// halfDivision is what weighing law commonly lets zero tracking take for no
// load, and move in a second.
func halfDivision(suffix string) func(*draft) value {
	return func(d *draft) value { return str(forceText(d.cfg.Bench.Division/2) + suffix) }
}

var zeroKeys = []key{
	{name: "track_within", fallback: halfDivision(""),
		doc: `Zero is tracked while the gross force is no more than this; "0 N" turns tracking off; by default half a division.`,
		field: quantity(peak.ParseForce, "25 N", "0 N", greatestForce,
			func(d *draft, f peak.Force) { d.cfg.Zero.TrackWithin = f })},
	{name: "rate", fallback: halfDivision("/s"),
		doc: "The most that tracking moves zero; by default half a division a second.",
		field: quantity(parseRate, "25 N/s", "0 N/s", "1000 MN/s",
			func(d *draft, f peak.Force) { d.cfg.Zero.Rate = f })},
	{name: "range", fallback: text("4 %"),
		doc: "How far zero may be from the zero set last by a person or at start, of the capacity.",
		field: quantity(peak.ParseRatio, "4 %", "0.001 %", "20 %",
			func(d *draft, r peak.Ratio) { d.cfg.Zero.Range = r.Of(d.cfg.Bench.Capacity) })},
	{name: "motion", fallback: func(d *draft) value { return str(forceText(d.cfg.Bench.Division)) },
		doc: "The force is stable while it spreads no more than this over the time of settle; by default one division.",
		field: quantity(peak.ParseForce, "50 N", "0.001 N", greatestForce,
			func(d *draft, f peak.Force) { d.cfg.Zero.Motion = f })},
	{name: "settle", fallback: atLeast(time.Second, 3),
		doc: "Time over which zero is averaged and stability is judged; by default 1 s, or three polls of the load if that is longer.",
		field: quantity(peak.ParseDuration, "1 s", "100 ms", "60 s",
			func(d *draft, t time.Duration) { d.cfg.Zero.Settle = t })},
	{name: "shift_limit", fallback: share(peak.Percent / 10),
		doc: "Greatest difference of zero before and after a pull that counts; by default 0.1 % of the capacity.",
		field: quantity(peak.ParseForce, "250 N", "0.001 N", greatestForce,
			func(d *draft, f peak.Force) { d.cfg.Zero.ShiftLimit = f })},
	{name: "pressurised_above", fallback: text("5 bar"),
		doc: "The bench counts as pressurised from this pressure on, and zero is not tracked.",
		field: quantity(peak.ParsePressure, "5 bar", "1 Pa", "10000 bar",
			func(d *draft, p peak.Pressure) { d.cfg.Zero.PressurisedAbove = p })},
}

var journalKeys = []key{
	{name: "dir", example: `"/var/lib/thimbled"`,
		doc:   "Folder of the journal; by default $STATE_DIRECTORY, else thimbled-data in the current folder.",
		field: words("/var/lib/thimbled", notEmpty, func(d *draft, s string) { d.cfg.Journal.Dir = s })},
	{name: "segment_size", fallback: text("16 MiB"),
		doc: "A new segment of the journal is begun when one has grown to this.",
		field: quantity(parseSize, "16 MiB", "64 KiB", "1 GiB",
			func(d *draft, n int64) { d.cfg.Journal.SegmentSize = n })},
	{name: "min_free", fallback: text("256 MiB"),
		doc: "No test starts with less free space than this.",
		field: quantity(parseSize, "256 MiB", "1 MiB", "1 TiB",
			func(d *draft, n int64) { d.cfg.Journal.MinFree = n })},
	{name: "keep_traces", example: `"10 years"`,
		doc: "Traces of pulls older than this are removed, which is recorded; never one whose test is open or not inspected, and never a record; by default all are kept.",
		field: quantity(parseMonths, "10 years", "1 month", "100 years",
			func(d *draft, n int) { d.cfg.Journal.KeepTraces = n })},
}

var natsKeys = []key{
	{name: "url", example: `"nats://127.0.0.1:4222"`,
		doc:   "Address of a NATS server that runs already, or several with commas between; the embedded server then stays off.",
		field: words("nats://127.0.0.1:4222", checkNATS, func(d *draft, s string) { d.cfg.NATS.URL = s })},
	{name: "listen", fallback: text("127.0.0.1:4222"), unfit: embeddedOff,
		doc:   "Where the embedded NATS server listens, as host:port; port 0 takes a free one.",
		field: words("127.0.0.1:4222", checkListen, func(d *draft, s string) { d.cfg.NATS.Listen = s })},
	{name: "store_dir", example: `"/var/lib/thimbled/nats"`, unfit: embeddedOff,
		doc:   "Folder of the embedded server's streams; by default nats in the journal's folder.",
		field: words("/var/lib/thimbled/nats", notEmpty, func(d *draft, s string) { d.cfg.NATS.StoreDir = s })},
	{name: "reading_every", fallback: text("50 ms"),
		doc: `Time between two published readings; "0 s" publishes every reading.`,
		field: quantity(peak.ParseDuration, "50 ms", "0 s", "60 s",
			func(d *draft, t time.Duration) { d.cfg.NATS.ReadingEvery = t })},
}

func embeddedOff(d *draft) string {
	if d.cfg.NATS.URL != "" {
		return "has no meaning beside url, which turns the embedded server off: keep one of them"
	}
	return ""
}

var httpKeys = []key{
	{name: "listen", fallback: text("127.0.0.1:8040"),
		doc:   "Where the page is served, as host:port; port 0 takes a free one.",
		field: words("127.0.0.1:8040", checkListen, func(d *draft, s string) { d.cfg.HTTP.Listen = s })},
}
