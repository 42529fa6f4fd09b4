package publish

import "thimbled/peak"

type journalDamaged struct {
	File   string `json:"file"`
	Line   int    `json:"line"`
	Offset int64  `json:"byte"`
	Record uint64 `json:"record"`
	Reason string `json:"reason"`
}

type traceRemoved struct {
	Pull   int64  `json:"pull"`
	Name   string `json:"name"`
	SHA256 string `json:"sha256"`
	Why    string `json:"why"`
}

// journalPayload is payload for the events about what the journal keeps; nil for
// others.
func journalPayload(e peak.Event) any {
	switch e := e.(type) {
	case peak.JournalDamaged:
		return journalDamaged{File: e.File, Line: e.Line, Offset: e.Offset, Record: e.Record, Reason: e.Reason}
	case peak.TraceRemoved:
		return traceRemoved{Pull: e.Pull, Name: e.Name, SHA256: e.SHA256, Why: e.Why}
	}
	return nil
}
