package peak

import "slices"

// order is the order in which reasons are listed: the gravest first.
var order = []Reason{
	SuddenLoss, AboveLimit, ZeroShiftBeyondLimit, OutsideVerifiedRange, VerificationOverdue, Unverified,
	ConstantChanged, ReadingNotTrusted, HoldNotReached, SingleReadingAboveLimit, GapInPull, ForcePressureDisagree,
	ClockStep, Interrupted,
}

// voiding are the reasons for which the evidence cannot count.
var voiding = []Reason{
	ZeroShiftBeyondLimit, OutsideVerifiedRange, VerificationOverdue, Unverified, ConstantChanged, ReadingNotTrusted,
}

// judge gives the verdict of an ended pull and every reason, the gravest
// first.
func judge(p *pull, e PullEnded, shiftLimit Force) (Verdict, []Reason) {
	reasons := reasonsOf(p, e, shiftLimit)
	if !p.requirement.Known {
		return Unassigned, reasons
	}
	has := func(r Reason) bool { return slices.Contains(reasons, r) }
	switch {
	case p.lossEarly:
		return Failed, reasons
	case has(AboveLimit):
		return Exceeded, reasons
	case slices.ContainsFunc(reasons, func(r Reason) bool { return slices.Contains(voiding, r) }):
		return Void, reasons
	case has(HoldNotReached):
		return Incomplete, reasons
	case len(reasons) > 0:
		return Review, reasons
	}
	return Pass, reasons
}

func reasonsOf(p *pull, e PullEnded, shiftLimit Force) []Reason {
	found := slices.Clone(p.doubts)
	add := func(when bool, r Reason) {
		if when && !slices.Contains(found, r) {
			found = append(found, r)
		}
	}
	add(p.lossEarly || p.lossLate, SuddenLoss)
	if limit, ok := limitOf(p.requirement); ok {
		above := e.Peak.Known && e.Peak.Value > limit
		add(above, AboveLimit)
		add(!above && e.Highest > limit, SingleReadingAboveLimit)
	}
	shift := e.ZeroShift()
	add(shift.Known && absForce(shift.Value) > shiftLimit, ZeroShiftBeyondLimit)
	add(p.requirement.Known && !p.hold.complete, HoldNotReached)
	add(p.longestGap > 0, GapInPull)
	add(p.disagreed(), ForcePressureDisagree)
	add(!e.EndedAt.Known, Interrupted)
	slices.SortFunc(found, func(a, b Reason) int { return slices.Index(order, a) - slices.Index(order, b) })
	return found
}

func limitOf(r Maybe[Requirement]) (Force, bool) {
	if !r.Known {
		return 0, false
	}
	limit := r.Value.Highest()
	return limit.Value, limit.Known
}
