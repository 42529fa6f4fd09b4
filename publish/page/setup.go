package page

import (
	"encoding/json"
	"net/http"
	"strconv"

	"thimbled/peak"
	"thimbled/publish"
)

// setup is what does not change while the daemon runs. Sizes of units are
// exact decimals in strings, so that the page rounds as the daemon does.
type setup struct {
	Bench    string      `json:"bench"`
	Force    shownUnit   `json:"force"`
	Pressure shownUnit   `json:"pressure"`
	Capacity json.Number `json:"capacity_newtons"`
	Ranges   []measuring `json:"ranges"`
	AgeLimit float64     `json:"age_limit_seconds"`
	Recent   float64     `json:"recent_seconds"`
	User     *signedAs   `json:"user,omitempty"` // who has signed in
}

// signedAs is who has signed in.
type signedAs struct {
	Name string `json:"name"`
	Role string `json:"role"`
}

// measuring is a measuring range of the load indicator.
type measuring struct {
	Name string      `json:"range"`
	UpTo json.Number `json:"up_to_newtons"`
}

// shownUnit is a unit that people see, and how many decimals.
type shownUnit struct {
	Name     string `json:"unit"`
	Size     string `json:"size"` // newtons or pascals
	Decimals int    `json:"decimals"`
}

// pressureDecimals show a step that a gauge of a bench can be read to.
var pressureDecimals = map[peak.PressureUnit]int{peak.UnitPa: 0, peak.UnitKPa: 0, peak.UnitMPa: 2, peak.UnitBar: 1, peak.UnitPsi: 0}

func setupOf(o Options) setup {
	ranges := []measuring{}
	for _, r := range o.Ranges {
		ranges = append(ranges, measuring{r.Name, json.Number(r.UpTo.AppendNewtons(nil))})
	}
	return setup{
		Bench:    o.Bench,
		Force:    shownUnit{o.Show.String(), exactly(o.Show.Newtons()), o.Show.Decimals(o.Division)},
		Pressure: shownUnit{o.PressureUnit.String(), exactly(o.PressureUnit.Pascals()), pressureDecimals[o.PressureUnit]},
		Capacity: json.Number(o.Capacity.AppendNewtons(nil)), Ranges: ranges, AgeLimit: o.AgeLimit.Seconds(), Recent: recentFor.Seconds(),
	}
}

// exactly writes the shortest decimal that stands for x. For all units but the
// psi that is its exact size.
func exactly(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

func (p *Page) serveSetup(w http.ResponseWriter, r *http.Request) {
	s := p.setup
	if u, ok := publish.UserOf(r.Context()); ok {
		s.User = &signedAs{u.Name, u.Role.String()}
	}
	sendJSON(w, r, mustMarshal(s))
}

func sendJSON(w http.ResponseWriter, r *http.Request, body []byte) {
	send(w, r, body, "application/json", "")
}

// mustMarshal encodes one of this package's own types, which always encode.
func mustMarshal(v any) []byte {
	body, err := json.Marshal(v)
	if err != nil {
		panic(err)
	}
	return body
}
