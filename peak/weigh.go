package peak

import "time"

// leastDivisions is the smallest net force that counts as an item on the hook, in
// divisions: below it a division is too much of the weight (from memory: OIML R 76-1
// sets 20 divisions for class III). The hook is empty again below half of it.
const leastDivisions = 20

// weigher turns lifts into weights. It is on only between a start and a stop by a
// person, and then nothing is taken for a pull.
type weigher struct {
	on    bool
	item  string // the tag that lifts belong to; may be empty
	lifts int64  // since it was started

	lifted bool
	now    steady // the stretch in which the force is stable, if it is
	best   steady // the longest one of this lift
}

// steady is a stretch of stable readings.
type steady struct {
	n              int
	sum            Force
	least, most    Force // indicated
	from, to       time.Duration
	settledAlready bool
}

func (s steady) long() time.Duration { return s.to - s.from }

// see takes the next reading and returns the weight of a lift that has ended.
func (w *weigher) see(s sample, z *zeroKeeper, win *window, stable bool) (ItemWeighed, bool) {
	least := leastDivisions * z.division
	switch {
	case w.lifted && s.confirmed.Known && s.confirmed.Value < least/2:
		return w.put(s.at, z)
	case s.confirmed.Known && s.confirmed.Value >= least:
		w.lifted = true
	}
	if !w.lifted || !stable {
		w.now = steady{}
		return ItemWeighed{}, false
	}
	w.now.add(s, win)
	if w.now.long() >= w.best.long() {
		w.best = w.now
	}
	return ItemWeighed{}, false
}

// add extends the stretch; it begins with the window in which the force settled.
func (t *steady) add(s sample, win *window) {
	if !t.settledAlready {
		*t = steady{
			n: win.points.n, sum: win.sum, least: -win.least.first().force, most: win.greatest.first().force,
			from: win.points.first().at, to: s.at, settledAlready: true,
		}
		return
	}
	t.n++
	t.sum += s.indicated
	t.least, t.most, t.to = min(t.least, s.indicated), max(t.most, s.indicated), s.at
}

// put ends a lift. One that never settled gives no weight.
func (w *weigher) put(at time.Duration, z *zeroKeeper) (ItemWeighed, bool) {
	best := w.best
	w.lifted, w.now, w.best = false, steady{}, steady{}
	if best.n == 0 {
		return ItemWeighed{}, false
	}
	w.lifts++
	gross := meanOf(best.sum, best.n) - z.zero
	return ItemWeighed{
		At: at, Lift: w.lifts, Item: w.item, Gross: gross, Tare: z.tare, Net: gross - z.tare,
		Spread: best.most - best.least, StableFor: best.long(), StableFrom: best.from,
	}, true
}

func (m *Machine) startWeighing(c StartWeighing) {
	why := m.idle()
	switch {
	case why != "":
	case m.weigh.on:
		why = "weighing is on already"
	case m.session.on:
		why = "a verification is in hand; finish or cancel it first"
	case m.test.open:
		why = "job " + m.test.job.ID + " is open; finish or cancel it first: a weighing is no proof test"
	}
	if why != "" {
		m.refuse(c.At, "weigh.start", why)
		return
	}
	m.weigh = weigher{on: true, item: c.Item}
	m.emit(WeighingStarted{At: c.At, Item: c.Item, By: c.By})
}

func (m *Machine) stopWeighing(c StopWeighing) {
	if !m.weigh.on {
		m.refuse(c.At, "weigh.stop", "weighing is not on")
		return
	}
	if m.weigh.lifted {
		m.refuse(c.At, "weigh.stop", "the hook is not empty; set the item down first")
		return
	}
	m.emit(WeighingStopped{At: c.At, Lifts: m.weigh.lifts, By: c.By})
	m.weigh = weigher{}
}
