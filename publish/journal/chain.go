package journal

import (
	"bytes"
	"fmt"
)

// Damage is a place where a journal is not what was written. It is an error.
type Damage struct {
	File   string `json:"file"`             // relative to the journal's folder
	Line   int    `json:"line,omitempty"`   // from 1; 0 when the file as a whole is meant
	Offset int64  `json:"offset"`           // of the line's first byte in the file
	Record uint64 `json:"record,omitempty"` // the number the line has or should have; 0 if that is not known
	Reason string `json:"reason"`
}

// Error names the place and the reason.
func (d *Damage) Error() string {
	where := d.File
	if d.Line > 0 {
		where = fmt.Sprintf("%s line %d (byte %d)", d.File, d.Line, d.Offset)
	}
	if d.Record > 0 {
		where = fmt.Sprintf("%s record %d", where, d.Record)
	}
	return where + ": " + d.Reason
}

// chain checks that each line follows the one before. The zero number and
// noLine stand before the first.
type chain struct {
	*hasher
	bench string // known from the first line on, or beforehand
	last  uint64 // number of the last line
	hash  digest // of the last line
	// adrift is set when the last line is not known, so that the next one
	// may have any higher number and name any line before it.
	adrift bool
}

func newChain(bench string) *chain { return &chain{hasher: newHasher(), bench: bench, hash: noLine} }

// broken says why a line that is sound in itself does not follow.
type broken struct{ reason string }

func (b broken) Error() string { return b.reason }

// follow takes a line and checks that it follows. A line that is sound in
// itself becomes the last line even if it does not follow, which the error,
// a broken, says.
func (c *chain) follow(line []byte) (entry, error) {
	e, err := c.take(line)
	if err != nil {
		return e, err
	}
	reason := c.breach(&e)
	if c.bench == "" {
		c.bench = string(e.bench)
	}
	c.last, c.hash, c.adrift = e.number, e.hash, false
	if reason != "" {
		return e, broken{reason}
	}
	return e, nil
}

// breach says why the entry does not follow the last line; it is empty if it
// does.
func (c *chain) breach(e *entry) string {
	switch {
	case c.bench != "" && c.bench != string(e.bench):
		return fmt.Sprintf("is of bench %s, in a journal of bench %s", e.bench, c.bench)
	case c.adrift && e.number > c.last:
		return ""
	case e.number != c.last+1:
		return fmt.Sprintf("follows record %d", c.last)
	case !bytes.Equal(e.previous, c.hash[:]):
		return "does not name the line before it by its hash"
	}
	return ""
}
