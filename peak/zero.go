package peak

import "time"

// zeroKeeper keeps zero and tare and moves zero while nothing pulls.
type zeroKeeper struct {
	set      Zeroing
	division Force
	zero     Force
	tare     Force
	// anchor is the zero set last by a person or at start.
	anchor Force
	// told is the zero that was last reported.
	told Force
	last time.Duration
	// tracking says whether the last reading let zero follow.
	tracking bool
}

func newZeroKeeper(s Settings, start Start) zeroKeeper {
	return zeroKeeper{
		set: s.Zero, division: s.Division, zero: start.Zero, tare: start.Tare,
		anchor: start.Zero, told: start.Zero, last: start.At,
	}
}

func (z *zeroKeeper) net(indicated Force) Force { return indicated - z.zero - z.tare }

// follow lets zero follow the force by at most the rate, if all that must be
// quiet is quiet. watched is the time since the reading before that was
// watched without a gap.
func (z *zeroKeeper) follow(s sample, quiet bool) (ZeroSet, bool) {
	watched := s.at - z.last
	z.last = s.at
	gross := s.indicated - z.zero
	z.tracking = quiet && z.set.TrackWithin > 0 && absForce(gross) <= z.set.TrackWithin
	if !z.tracking || s.gap > 0 {
		return ZeroSet{}, false
	}
	most := Force(int64(z.set.Rate) * int64(watched/time.Microsecond) / int64(time.Second/time.Microsecond))
	moved := z.zero + min(max(gross, -most), most)
	if absForce(moved-z.anchor) > z.set.Range {
		z.tracking = false
		return ZeroSet{}, false
	}
	z.zero = moved
	return z.report(s.at)
}

// report tells of tracking once zero is a division away from what was told.
func (z *zeroKeeper) report(at time.Duration) (ZeroSet, bool) {
	if absForce(z.zero-z.told) < z.division {
		return ZeroSet{}, false
	}
	e := ZeroSet{At: at, Old: z.told, New: z.zero, By: "tracking"}
	z.told = z.zero
	return e, true
}

// setZero makes an indicated force the zero, by a person's command.
func (z *zeroKeeper) setZero(c SetZero, indicated Force) (ZeroSet, string) {
	if absForce(indicated-z.anchor) > z.set.Range {
		return ZeroSet{}, "the force is too far from the last zero: " + (indicated - z.anchor).String() +
			", at most " + z.set.Range.String() + "; unload the bench or set a tare"
	}
	e := ZeroSet{At: c.At, Old: z.zero, New: indicated, By: c.By}
	z.zero, z.anchor, z.told = indicated, indicated, indicated
	return e, ""
}

// setTare makes a force the tare, by a person's command.
func (z *zeroKeeper) setTare(c SetTare, tare, capacity Force) (TareSet, string) {
	if tare < 0 || tare > capacity {
		return TareSet{}, "a tare must be between 0 and the capacity, not " + tare.String()
	}
	e := TareSet{At: c.At, Old: z.tare, New: tare, By: c.By}
	z.tare = tare
	return e, ""
}
