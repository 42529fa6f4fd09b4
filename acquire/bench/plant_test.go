package bench

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"
)

// published reads a table of testdata by its header's names.
func published(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, cell := range row {
			m[rows[0][i]] = cell
		}
		out = append(out, m)
	}
	if len(out) < 4 {
		t.Fatalf("%s has only %d rows", name, len(out))
	}
	return out
}

func number(t *testing.T, text string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// metres reads "8in" or "200mm", pascals "3000 psi" or "250 bar". One inch is
// 25.4 mm and one psi 6894.757 Pa (NIST SP 811).
func metres(t *testing.T, text string) float64 {
	if inch, ok := strings.CutSuffix(text, "in"); ok {
		return number(t, inch) * 0.0254
	}
	return number(t, strings.TrimSuffix(text, "mm")) / 1000
}

func pascals(t *testing.T, text string) float64 {
	if psi, ok := strings.CutSuffix(text, " psi"); ok {
		return number(t, psi) * 6894.757293
	}
	return number(t, strings.TrimSuffix(text, " bar")) * 1e5
}

// The force that a cylinder reaches when its pump works against the relief
// valve must be that of the published examples (pull = p x pi/4 x (D² - d²)),
// without seal friction and with 10 % and 5 % of it.
func TestPullIsThatOfPublishedCylinders(t *testing.T) {
	columns := map[float64]string{0: "pull_kN", 0.10: "pull_kN_at_eff_0.90", 0.05: "pull_kN_at_eff_0.95"}
	for _, row := range published(t, "hydraulic_examples.csv") {
		for friction, column := range columns {
			h := Dock3.Hydraulics
			h.Bore, h.Rod = metres(t, row["bore"]), metres(t, row["rod"])
			h.Relief, h.SealFriction, h.Breakaway = pascals(t, row["pressure"]), friction, 0
			p := NewPlant(h, Item{Stiffness: 50e6, Slack: 0.001})
			for range 5_000 {
				p.Step(Controls{Pump: 300e-6})
			}
			want := number(t, row[column]) * 1000
			if got := p.Force(); math.Abs(got-want) > 1e-5*want {
				t.Errorf("%s/%s at %s, friction %v: %.1f N, want %.1f N", row["bore"], row["rod"], row["pressure"], friction, got, want)
			}
			if math.Abs(p.Pressure()-h.Relief) > 1 {
				t.Errorf("pressure %.0f Pa, want that of the relief valve, %.0f Pa", p.Pressure(), h.Relief)
			}
		}
	}
}

// worked pumps a plant of dock-3 up to the given force.
func worked(item Item, newtons float64) *Plant {
	p := NewPlant(Dock3.Hydraulics, item)
	for range 120_000 {
		if p.Force() >= newtons || p.Broken() {
			break
		}
		p.Step(Controls{Pump: 30e-6})
	}
	return p
}

var (
	plain = Item{Stiffness: 5e6, Slack: 0.01}
	soft  = Item{Stiffness: 5e6, Slack: 0.01, Bedding: 0.3}
)

// Dry friction holds against the motion: on the way up the pressure is above
// force / area, on the way down below it, and in between the pressure moves
// while the force stands.
func TestPressureHasHysteresis(t *testing.T) {
	p := worked(plain, 100e3)
	area := Dock3.Hydraulics.PullArea()
	up, force := p.Pressure(), p.Force()
	if friction := up*area - force; friction < 0.04*force || friction > 0.07*force {
		t.Errorf("rising: pressure is %.0f N above the force of %.0f N", friction, force)
	}
	for p.Force() == force {
		p.Step(Controls{Valve: 5e-6})
	}
	down := p.Pressure()
	if friction := force - down*area; friction < 0.04*force || friction > 0.07*force {
		t.Errorf("falling: pressure is %.0f N below the force of %.0f N", friction, force)
	}
	if up-down < 0.08*force/area {
		t.Errorf("pressure fell only from %.0f to %.0f Pa before the force moved", up, down)
	}
}

// An item that beds in stretches more at its first loading than at the second
// one, and by the stated part.
func TestItemBedsIn(t *testing.T) {
	stretch := func(p *Plant) float64 { return p.piston - p.item.taut() }
	p := worked(soft, 100e3)
	first, force := stretch(p), p.Force()
	if want := 1.3 * force / 5e6; math.Abs(first-want) > 1e-6 {
		t.Errorf("first stretch %.6f m, want %.6f m", first, want)
	}
	for p.Pressure() > 0 {
		p.Step(Controls{Valve: 50e-6})
	}
	p.Step(Controls{})
	left := stretch(p)
	if want := 0.3*force/5e6 + p.Force()/5e6; math.Abs(left-want) > 1e-6 {
		t.Errorf("let down, %.6f m are left, want %.6f m", left, want)
	}
	for p.Force() < force {
		p.Step(Controls{Pump: 30e-6})
	}
	if second := stretch(p); math.Abs(second-first) > 1e-4 {
		t.Errorf("second loading came to %.6f m, want %.6f m again", second, first)
	}
}

// Under a closed valve the force creeps down, ever slower, and does not come
// back by itself.
func TestForceSagsByCreep(t *testing.T) {
	item := plain
	item.Creep, item.CreepTime = 0.03, 20
	p := worked(item, 100e3)
	var forces []float64
	for range 4 {
		forces = append(forces, p.Force())
		for range 10_000 {
			p.Step(Controls{})
		}
	}
	for i := 1; i < len(forces); i++ {
		if forces[i] >= forces[i-1] {
			t.Errorf("force did not fall between %d and %d s: %.0f", 10*(i-1), 10*i, forces)
		}
	}
	if lost := forces[0] - forces[3]; lost < 0.005*forces[0] || lost > 0.03*forces[0] {
		t.Errorf("in 30 s the force fell by %.0f N of %.0f N", lost, forces[0])
	}
	if forces[0]-forces[1] < 2*(forces[2]-forces[3]) {
		t.Errorf("creep does not slow down: %.0f", forces)
	}
}

func TestItemBreaksAtItsStrength(t *testing.T) {
	item := plain
	item.Strength = 60e3
	p := worked(item, 100e3)
	if !p.Broken() || p.Force() != 0 {
		t.Fatalf("broken %v with %.0f N", p.Broken(), p.Force())
	}
	if p.item.highest < 60e3 || p.item.highest > 60.2e3 {
		t.Errorf("broke at %.0f N, want 60 kN", p.item.highest)
	}
	p.Step(Controls{})
	if p.Pressure() > 1e5 {
		t.Errorf("the pressure is still %.0f Pa", p.Pressure())
	}
	p.Mount(plain)
	if p.Broken() {
		t.Error("a fresh item is broken")
	}
}

func TestSlackIsTakenUpWithoutForce(t *testing.T) {
	p := NewPlant(Dock3.Hydraulics, plain)
	steps := 0
	for ; p.Force() == 0; steps++ {
		p.Step(Controls{Pump: 30e-6})
	}
	oil := float64(steps) * PlantStep.Seconds() * 30e-6
	if want := plain.Slack * Dock3.Hydraulics.PullArea(); math.Abs(oil-want) > 0.01*want {
		t.Errorf("slack took %.6f m³ of oil, want %.6f m³", oil, want)
	}
}

func TestRetractBringsThePistonHome(t *testing.T) {
	p := worked(plain, 50e3)
	for p.Pressure() > 0 {
		p.Step(Controls{Valve: 50e-6})
	}
	if p.Home() || p.Force() == 0 {
		t.Fatalf("friction should leave some force: %.0f N", p.Force())
	}
	for range 5_000 {
		p.Step(Controls{Retract: true})
	}
	if !p.Home() || p.Force() != 0 || p.Pressure() != 0 {
		t.Errorf("home %v, force %.0f N, pressure %.0f Pa", p.Home(), p.Force(), p.Pressure())
	}
}

func TestLoadCellDrifts(t *testing.T) {
	c := cell{Cell: Cell{Drift: 20_000, DriftPeriod: 4 * time.Second}}
	for i, want := range []int64{0, 10_000, 20_000, 10_000, 0, -10_000, -20_000, -10_000, 0} {
		if got := c.drift(time.Duration(i) * 500 * time.Millisecond); int64(got) != want {
			t.Errorf("drift after %d half seconds is %d mN, want %d", i, got, want)
		}
	}
}
