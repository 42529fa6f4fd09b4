package peak

import "time"

// Quality says whether a reading is good, and if not, why.
type Quality uint8

// The qualities a reading can have. The words are those of the trace.
const (
	Good         Quality = iota
	Timeout              // no answer in time
	Garbled              // an answer that does not check
	Refused              // the instrument answered with an exception
	OverRange            // the instrument or the scaled value is above what can be measured
	UnderRange           // below what can be measured
	NotReady             // the instrument says it has no valid value yet
	Stuck                // the value has not changed although it must have
	Disconnected         // there is no line to the instrument
	qualities
)

var qualityWords = [qualities]string{
	"", "timeout", "garbled", "refused", "over-range", "under-range", "not-ready", "stuck", "disconnected",
}

// String returns the word used in traces; empty for a good reading.
func (q Quality) String() string {
	if q >= qualities {
		return "unknown"
	}
	return qualityWords[q]
}

// ParseQuality returns the quality that word names. An empty word is good; ok
// is false for a word that names none.
func ParseQuality(word string) (q Quality, ok bool) {
	for i, w := range qualityWords {
		if w == word {
			return Quality(i), true
		}
	}
	return 0, false
}

// Reading is one sample of the bench's instruments, an input of [Machine.Step].
// Step does not keep the pointer, so the caller may reuse it.
type Reading struct {
	// At is the moment the answer was complete, since the stream began.
	At time.Duration
	// Force is the indicated force before zero and tare. It means nothing
	// unless Quality is Good.
	Force Force
	// Pressure is the gauge pressure read with this force or since the
	// reading before; unknown when it was not read or could not be trusted.
	Pressure Maybe[Pressure]
	// Quality is that of the force.
	Quality Quality
}
