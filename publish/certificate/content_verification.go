package certificate

import (
	"fmt"
	"strings"

	"thimbled/peak"
)

// inForce returns the verification that was on record for a gross force when a pull
// began.
func (c *Certificate) inForce(pull int64, gross peak.Force) (Verified, bool) {
	all := c.e.Verified[pull]
	if len(c.ranges) == 0 && len(all) == 1 {
		return all[0], true // which range it is makes no difference
	}
	for _, v := range all {
		if v.Range == c.rangeOf(gross) {
			return v, true
		}
	}
	return Verified{}, false
}

// rangeOf names the range that shows a force: the finest that reaches it, else the last.
func (c *Certificate) rangeOf(gross peak.Force) string {
	for _, r := range c.ranges {
		if gross <= r.UpTo {
			return r.Name
		}
	}
	if len(c.ranges) == 0 {
		return ""
	}
	return c.ranges[len(c.ranges)-1].Name
}

// counted is a verification with the pulls that it counted for.
type counted struct {
	verified Verified
	pulls    []string
}

// verifications are those that the peaks and held forces of the test are judged by, and
// the pulls that have none.
func (c *Certificate) verifications() (out []counted, without []string) {
	for _, a := range c.e.Test.Attempts {
		e, number := a.Ended, fmt.Sprint(a.Ended.Pull)
		found := false
		for _, f := range []peak.Maybe[peak.Force]{e.Peak, e.Held} {
			v, ok := c.inForce(e.Pull, f.Value+e.Tare)
			if !f.Known || !ok {
				continue
			}
			found, out = true, count(out, v, number)
		}
		if !found {
			without = append(without, number)
		}
	}
	return out, without
}

func count(all []counted, v Verified, pull string) []counted {
	for i := range all {
		if all[i].verified.Reference != v.Reference {
			continue
		}
		if last := all[i].pulls[len(all[i].pulls)-1]; last != pull {
			all[i].pulls = append(all[i].pulls, pull)
		}
		return all
	}
	return append(all, counted{v, []string{pull}})
}

// verification is what is on record of how the force readings were verified; nil if the
// bench had no verification at all.
func (c *Certificate) verification() []row {
	all, without := c.verifications()
	if len(all) == 0 && len(without) == len(c.e.Test.Attempts) && !c.anyVerified() {
		return nil
	}
	var out []row
	for _, v := range all {
		out = append(out, c.verifiedRows(v.verified)...)
		if len(all)+len(without) > 1 {
			out = append(out, row{Label: "It counts for", Text: pullsText(v.pulls), Wide: true})
		}
	}
	if len(without) > 0 {
		out = append(out, row{Label: "None for", Text: pullsText(without) + ": no verification of the range that the load lies in was on record", Wide: true})
	}
	return out
}

func (c *Certificate) anyVerified() bool {
	for _, v := range c.e.Verified {
		if len(v) > 0 {
			return true
		}
	}
	return false
}

func pullsText(pulls []string) string {
	if len(pulls) == 1 {
		return "pull " + pulls[0]
	}
	return "pulls " + strings.Join(pulls, ", ")
}

func (c *Certificate) verifiedRows(v Verified) []row {
	class := "no class"
	if v.ISOClass != "" {
		class = "class " + plain(v.ISOClass)
	}
	out := []row{
		{Label: "Verified", Text: fmt.Sprintf("%s to %s, by ASTM E4", c.figures.force(v.From), c.figures.force(v.To)), Wide: true},
		{Label: "Made", Text: dateTime(v.MadeAt)},
		{Label: "Counts until", Text: dateTime(v.UntilAt)},
		{Label: "Largest error", Text: joined(v.MaxError.String())},
		{Label: "Repeatability", Text: joined(v.Repeatability.String())},
		{Label: "By ISO 7500-1", Text: class},
		{Label: "Made by", Text: or(v.By, notStated)},
		{Label: "Compared with", Text: standardText(v.Standard), Wide: true},
		{Label: "Instrument", Text: instrumentText(v.Verification), Wide: true},
	}
	if report := plain(v.Report); report != "" {
		out = append(out, row{Label: "Report", Text: report, Wide: true})
	}
	return append(out, row{Label: "Its record", Text: fmt.Sprintf("%d, SHA-256 %s", v.Reference.Number, v.Reference.SHA256), Wide: true, Code: true})
}

func standardText(s peak.Standard) string {
	return or(s.Name, "a reference that is not named") + ", uncertain by " + joined(s.Uncertainty.String()) + " (k\u00a0=\u00a02)"
}

// instrumentText says which load cell and indicator were verified.
func instrumentText(v peak.Verification) string {
	parts := []string{"serial number " + or(v.Serial, notStated)}
	if name := plain(v.Range); name != "" {
		parts = append(parts, "range "+name)
	}
	if scale := plain(v.Scale); scale != "" {
		parts = append(parts, "scale "+scale)
	}
	if v.Constant.Known {
		parts = append(parts, fmt.Sprintf("calibration constant %d", v.Constant.Value))
	}
	return strings.Join(parts, ", ")
}
