package peak

import "time"

// heldWatch finds the highest force that was held for a time without a break: the
// greatest of the least confirmed forces of all stretches of that length.
type heldWatch struct {
	span    time.Duration
	watched bool
	since   time.Duration // the first reading of the unbroken watch
	least   extreme       // of the negated confirmed forces
	steps   extreme       // between neighbours
	last    Force

	best Maybe[Force]
	step Force // the largest step of the best stretch
}

// begin starts to watch a pull.
func (h *heldWatch) begin(r Maybe[Requirement]) {
	h.span = r.Value.Hold
	h.best, h.step = Maybe[Force]{}, 0
	h.clear()
}

func (h *heldWatch) clear() {
	h.watched = false
	h.least.clear()
	h.steps.clear()
}

// see takes the next reading. One without a confirmed force breaks the watch.
func (h *heldWatch) see(s sample) {
	if !s.confirmed.Known {
		h.clear()
		return
	}
	f := s.confirmed.Value
	if !h.watched {
		h.watched, h.since, h.last = true, s.at, f
	}
	h.least.push(point{s.at, -f})
	h.steps.push(point{s.at, absForce(f - h.last)})
	h.last = f
	h.least.dropBefore(s.at - h.span)
	h.steps.dropBefore(s.at - h.span)
	if level := -h.least.first().force; s.at-h.since >= h.span && (!h.best.Known || level > h.best.Value) {
		h.best, h.step = Known(level), h.steps.first().force
	}
}

func (h *heldWatch) clone() heldWatch {
	c := *h
	c.least, c.steps = extreme{h.least.queue.clone()}, extreme{h.steps.queue.clone()}
	return c
}
