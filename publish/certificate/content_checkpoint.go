package certificate

import (
	"fmt"
	"strings"

	"thimbled/peak"
)

// parameterRows say what changed of the parameters that touch a figure; none if they are
// not on record.
func (c *Certificate) parameterRows() []row {
	if len(c.e.Parameters) == 0 {
		return nil
	}
	text := "none changed during the test"
	if n := len(c.e.Changes); n > 0 {
		text = fmt.Sprintf("%d changed during the test", n)
	}
	out := []row{{Label: "Parameters", Text: fmt.Sprintf("%s; changes on record up to its end: %d", text, c.e.Changed), Wide: true}}
	for _, x := range c.e.Changes {
		out = append(out, row{Label: "Changed", Text: changeText(x), Wide: true})
	}
	return out
}

func changeText(x Change) string {
	value := func(m peak.Maybe[string]) string {
		if !m.Known {
			return "none"
		}
		return or(m.Value, "nothing")
	}
	return fmt.Sprintf("%s from %s to %s (record %d)", plain(x.Name), value(x.Old), value(x.New), x.Reference.Number)
}

// checkpoint is the signed statement that the test is on record, and how to check it; nil
// if there is none.
func (c *Certificate) checkpoint() []row {
	if c.e.Sealed == nil {
		return nil
	}
	if !c.e.sealed() {
		return checkpointRows(c.e.Sealed, "the records up to the end of the test; later ones are not sealed yet")
	}
	return checkpointRows(c.e.Sealed, "all records of this test")
}

func checkpointRows(k *Sealed, covers string) []row {
	origin, signature := noteParts(k.Checkpoint)
	return []row{
		{Label: "Origin", Text: origin},
		{Label: "Size", Text: fmt.Sprintf("%d records", k.Size)},
		{Label: "It seals", Text: fmt.Sprintf("%s (it is record %d, of %s)", covers, k.Reference.Number, dateTime(k.Reference.At)), Wide: true},
		{Label: "Root", Text: plain(k.Root), Wide: true, Code: true},
		{Label: "Signature", Text: signature, Wide: true, Code: true},
		{Label: "Key", Text: plain(k.Key), Wide: true, Code: true},
		{Label: "To check", Text: "thimbled audit DIR --key KEY.pub, with the public key from the loft and not from this paper; a signature " +
			"beside this file: ssh-keygen -Y verify -f SIGNERS -I bench -n certificate@thimbled -s FILE.sig < FILE", Wide: true},
	}
}

// noteParts returns the origin and the signature of a signed note.
func noteParts(note string) (origin, signature string) {
	text, signatures, _ := strings.Cut(note, "\n\n")
	origin, _, _ = strings.Cut(text, "\n")
	signature, _, _ = strings.Cut(signatures, "\n")
	return or(origin, notStated), or(strings.TrimPrefix(signature, "— "), notStated)
}
