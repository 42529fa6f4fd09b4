package peak

import "time"

// holder finds the longest unbroken time at or above the required force.
type holder struct {
	required Force
	wanted   time.Duration
	running  bool
	from, to time.Duration
	least    Force // of the running hold
	step     Force // the largest step of the running hold
	last     Force
	longest  Hold
	complete bool

	longestStep Force // the largest step of the longest hold
}

func newHolder(r Maybe[Requirement]) holder {
	if !r.Known {
		return holder{}
	}
	return holder{required: r.Value.Required(), wanted: r.Value.Hold}
}

// see takes the next reading and says whether the hold became complete with
// it. A reading without a confirmed force breaks the run: beside a gap nothing
// is known.
func (h *holder) see(s sample) (completed bool) {
	if h.required == 0 || !s.confirmed.Known || s.confirmed.Value < h.required {
		h.running = false
		return false
	}
	h.follow(s)
	if !h.longest.From.Known || h.now() > h.longest.For {
		h.longest = Hold{For: h.now(), From: Known(h.from), To: Known(h.to), Least: h.least}
		h.longestStep = h.step
	}
	if h.complete || h.longest.For < h.wanted {
		return false
	}
	h.complete = true
	return true
}

// follow takes a reading of the running hold.
func (h *holder) follow(s sample) {
	f := s.confirmed.Value
	if !h.running {
		h.running, h.from, h.least, h.step, h.last = true, s.at, f, 0, f
	}
	h.to, h.least = s.at, min(h.least, f)
	h.step = max(h.step, absForce(f-h.last))
	h.last = f
}

// now is the length of the running hold, 0 when none runs.
func (h *holder) now() time.Duration {
	if !h.running {
		return 0
	}
	return h.to - h.from
}
