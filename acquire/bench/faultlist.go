package bench

import (
	"math/rand/v2"
	"slices"
	"sync"
	"time"
)

// FaultList holds the injections in force for a set of units, on whatever
// lines they answer. Its methods may be called from any goroutine.
type FaultList struct {
	mu      sync.Mutex
	chance  *rand.Rand
	active  []*activeFault
	spoilt  map[Fault]int
	garbage uint64 // seed of the next babble
}

type activeFault struct {
	Injection
	until  time.Time // zero for no bound
	frozen map[byte]Values
}

// NewFaultList returns an empty list whose chance comes from seed.
func NewFaultList(seed uint64) *FaultList {
	return &FaultList{chance: rand.New(rand.NewPCG(seed, 3)), spoilt: map[Fault]int{}, garbage: seed}
}

// Inject puts an injection in force.
func (l *FaultList) Inject(i Injection) error {
	if err := i.validate(); err != nil {
		return err
	}
	if i.Count == 0 && i.For == 0 && i.Chance == 0 {
		i.Count = 1
	}
	if i.Takes == 0 {
		i.Takes = i.Fault.usual()
	}
	a := &activeFault{Injection: i, frozen: map[byte]Values{}}
	if i.For > 0 {
		a.until = time.Now().Add(i.For)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.active = append(l.active, a)
	return nil
}

// Clear ends all injections.
func (l *FaultList) Clear() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.active = nil
}

// Spoilt says how many answers each fault has spoilt so far.
func (l *FaultList) Spoilt() map[Fault]int {
	l.mu.Lock()
	defer l.mu.Unlock()
	out := make(map[Fault]int, len(l.spoilt))
	for f, n := range l.spoilt {
		out[f] = n
	}
	return out
}

// values is what the unit says, with the faults inside it.
func (l *FaultList) values(u Unit, k Kind) Values {
	v := u.Values()
	l.mu.Lock()
	defer l.mu.Unlock()
	a := l.take(u.ID, func(f Fault) bool { return f.inside() && f.on(k) })
	if a == nil {
		return v
	}
	switch a.Fault {
	case Restart:
		return Values{Status: NotReady, Constant: v.Constant}
	case OverRangeFlag:
		v.Force, v.Pressure, v.Status = u.Full.Force, u.Full.Pressure, OverRange
	case NotANumber:
		v.NaN = true
	case StuckValue:
		if _, held := a.frozen[u.ID]; !held {
			a.frozen[u.ID] = v
		}
		return a.frozen[u.ID]
	}
	return v
}

// wire returns what is to happen to an answer of the unit on its way, and the
// time that belongs to it.
func (l *FaultList) wire(unit byte, k Kind) (Fault, time.Duration) {
	l.mu.Lock()
	defer l.mu.Unlock()
	a := l.take(unit, func(f Fault) bool { return !f.inside() && f.on(k) })
	if a == nil {
		return None, 0
	}
	return a.Fault, a.Takes
}

// babbler returns the source of the next garbage.
func (l *FaultList) babbler() *rand.Rand {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.garbage++
	return rand.New(rand.NewPCG(l.garbage, 4))
}

// take uses up one answer of the first injection that fits; nil for none. The
// caller holds the lock.
func (l *FaultList) take(unit byte, fits func(Fault) bool) *activeFault {
	now := time.Now()
	l.active = slices.DeleteFunc(l.active, func(a *activeFault) bool {
		return !a.until.IsZero() && !now.Before(a.until)
	})
	for i, a := range l.active {
		if a.Unit != 0 && a.Unit != unit || !fits(a.Fault) {
			continue
		}
		if a.Chance > 0 && l.chance.Float64() >= a.Chance {
			continue
		}
		l.spoilt[a.Fault]++
		if a.Count > 0 {
			a.Count--
			if a.Count == 0 {
				l.active = slices.Delete(l.active, i, i+1)
			}
		}
		return a
	}
	return nil
}
