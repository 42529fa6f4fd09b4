package peak

import "time"

// holder finds the longest unbroken time at or above the required force.
type holder struct {
	required Force
	wanted   time.Duration
	running  bool
	from, to time.Duration
	longest  Hold
	complete bool
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
	if !h.running {
		h.running, h.from = true, s.at
	}
	h.to = s.at
	if !h.longest.From.Known || h.now() > h.longest.For {
		h.longest = Hold{For: h.now(), From: Known(h.from), To: Known(h.to)}
	}
	if h.complete || h.longest.For < h.wanted {
		return false
	}
	h.complete = true
	return true
}

// now is the length of the running hold, 0 when none runs.
func (h *holder) now() time.Duration {
	if !h.running {
		return 0
	}
	return h.to - h.from
}
