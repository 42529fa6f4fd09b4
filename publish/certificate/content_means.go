package certificate

import (
	"cmp"
	"fmt"
	"strings"
	"time"
)

// means are the instruments and programs that the figures come from. at hand is
// the setup given, even if it is not that of the test.
func (c *Certificate) means(atHand, used Setup) []row {
	out := []row{{Label: "Bench", Text: c.e.Bench}}
	switch {
	case used.Division > 0:
		out[0].Text += ", up to " + c.figures.force(used.Capacity)
		out = append(out,
			row{Label: "Load", Text: c.figures.loadMeans(used), Wide: true},
			row{Label: "Pressure", Text: pressureMeans(used.PressureEvery), Wide: true})
	case atHand.Digest != "":
		out = append(out, row{Label: "Instruments", Text: "not stated: the bench's config has been changed since the test", Wide: true})
	default:
		out = append(out, row{Label: "Instruments", Text: "not stated: the bench's config was not at hand", Wide: true})
	}
	if scale := plain(c.e.Parameters["load.scaling"]); scale != "" && scale != `""` {
		out = append(out, row{Label: "Scale", Text: "of the raw signal: " + strings.Trim(scale, `"`), Wide: true})
	}
	out = append(out, c.lackRows()...)
	out = append(out, row{Label: "Surroundings", Text: cmp.Or(plain(c.e.Test.Job.Ambient), "no notes on record"), Wide: true})
	out = append(out, c.parameterRows()...)
	for _, r := range c.e.Runs {
		out = append(out,
			row{Label: "Program", Text: fmt.Sprintf("Thimbled %s, started %s (record %d)", plain(r.Version), dateTime(r.Reference.At), r.Reference.Number), Wide: true},
			row{Label: "Config", Text: "SHA-256 " + plain(r.ConfigDigest), Wide: true, Code: true})
	}
	return out
}

// lackRows say what there is nothing of on record.
func (c *Certificate) lackRows() []row {
	var out []row
	if len(c.verification()) == 0 {
		out = append(out, row{Label: "Verification", Text: "no verification of the force readings on record", Wide: true})
	}
	var lacks []string
	if !c.e.Budgeted {
		lacks = append(lacks, "uncertainty")
	}
	if len(c.e.Parameters) == 0 {
		lacks = append(lacks, "changes of parameters")
	}
	if c.e.Sealed == nil {
		lacks = append(lacks, "a signed checkpoint")
	}
	if len(lacks) > 0 {
		out = append(out, row{Label: "Not on record", Text: strings.Join(lacks, ", ") + ": not stated", Wide: true})
	}
	return out
}

func (f figures) loadMeans(s Setup) string {
	division := f.force(s.Division)
	if len(s.Ranges) > 0 {
		parts := make([]string, len(s.Ranges))
		for i, r := range s.Ranges {
			parts[i] = fmt.Sprintf("%s up to %s", f.force(r.Division), f.force(r.UpTo))
		}
		division = strings.Join(parts, ", ")
	}
	out := fmt.Sprintf("load cell and indicator, division %s, read every %s", division, period(s.LoadEvery))
	if serial := plain(s.Serial); serial != "" {
		out += ", serial number " + serial
	}
	return out
}

func pressureMeans(every time.Duration) string {
	if every == 0 {
		return "the bench has no pressure transducer"
	}
	return fmt.Sprintf("pressure transducer, read every %s", period(every))
}
