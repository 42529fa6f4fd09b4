package peak

import "time"

// The types of events about what the journal keeps.
const (
	TypeJournalDamaged = "thimbled.journal.damaged"
	TypeTraceRemoved   = "thimbled.trace.removed"
)

// JournalDamaged says that the journal, read again beside the running daemon, is not
// what was written. Nothing is added to it after the pull in hand has ended.
type JournalDamaged struct {
	At     time.Duration
	File   string // in the journal's folder
	Line   int    // from 1; 0 when the file as a whole is meant
	Offset int64  // of the line's first byte in the file
	Record uint64 // 0 if that is not known
	Reason string
}

// TraceRemoved says that the trace of a pull is about to be removed for good.
type TraceRemoved struct {
	At     time.Duration
	Pull   int64
	Name   string // of the trace, in the journal's folder
	SHA256 string // as the pull's record has it
	Why    string
}

func (JournalDamaged) Type() string { return TypeJournalDamaged }
func (TraceRemoved) Type() string   { return TypeTraceRemoved }

func (e JournalDamaged) When() time.Duration { return e.At }
func (e TraceRemoved) When() time.Duration   { return e.At }
