package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"

	"thimbled/peak"
	"thimbled/publish"
)

// display shows a bench to a person: on a terminal one line that is written
// over and over, elsewhere a plain line each second; events stay.
type display struct {
	mu       sync.Mutex
	out      io.Writer
	unit     peak.ForceUnit
	division peak.Force
	live     bool // out is a terminal
	due      time.Duration
}

func newDisplay(out io.Writer, unit peak.ForceUnit, division peak.Force) *display {
	f, ok := out.(*os.File)
	return &display{out: out, unit: unit, division: division, live: ok && isTerminal(f)}
}

func isTerminal(f *os.File) bool {
	_, err := unix.IoctlGetTermios(int(f.Fd()), unix.TCGETS)
	return err == nil
}

// state shows the state now.
func (d *display) state(s *publish.Snapshot, _ publish.Span, now time.Duration) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if now < d.due {
		return
	}
	if d.live {
		d.due = now + 100*time.Millisecond
		fmt.Fprintf(d.out, "\r\x1b[K%s", d.line(s))
		return
	}
	d.due = now + time.Second
	fmt.Fprintln(d.out, d.line(s))
}

func (d *display) line(s *publish.Snapshot) string {
	st := s.State
	line := fmt.Sprintf("%-9s  force %s   peak %s   hold %s", st.Phase, d.maybe(st.Net), d.maybe(st.Peak), seconds(st.Hold))
	if r := st.Requirement; r.Known {
		line += fmt.Sprintf("   of %s for %s", d.force(r.Value.Required()), seconds(r.Value.Hold))
	}
	if s.JournalFailed != "" {
		line += "   JOURNAL FAILED: nothing is recorded"
	}
	return line
}

// event shows a record of the journal.
func (d *display) event(r publish.Record) {
	text := d.tell(r)
	if text == "" {
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.live {
		fmt.Fprint(d.out, "\r\x1b[K")
	}
	fmt.Fprintf(d.out, "%s  %s\n", r.Time.Local().Format("15:04:05"), text)
}

// told is what is shown of an event's data.
type told struct {
	Pull    int64        `json:"pull"`
	Pulls   []int64      `json:"pulls"`
	Job     string       `json:"job"`
	Item    string       `json:"item"`
	Peak    *json.Number `json:"peak_newtons"`
	Planned []struct {
		Required *json.Number `json:"required_newtons"`
		Hold     float64      `json:"required_hold_seconds"`
	} `json:"planned"`
	New        *json.Number `json:"new_newtons"`
	Hold       float64      `json:"hold_seconds"`
	Verdict    string       `json:"verdict"`
	Reasons    []string     `json:"reasons"`
	By         string       `json:"by"`
	Instrument string       `json:"instrument"`
	Why        string       `json:"why"`
}

func (d *display) tell(r publish.Record) string {
	var t told
	if err := json.Unmarshal(r.Data, &t); err != nil {
		return fmt.Sprintf("record %d: %v", r.Number, err)
	}
	because := ""
	if len(t.Reasons) > 0 {
		because = " (" + strings.Join(t.Reasons, ", ") + ")"
	}
	switch r.Type {
	case peak.TypeJobOpened:
		if len(t.Planned) == 0 {
			return ""
		}
		return fmt.Sprintf("item %s: %d planned, %s for %.3g s", t.Item, len(t.Planned), d.number(t.Planned[0].Required), t.Planned[0].Hold)
	case peak.TypePullStarted:
		return fmt.Sprintf("pull %d started", t.Pull)
	case peak.TypeHoldReached:
		return fmt.Sprintf("pull %d: hold reached, %.2f s", t.Pull, t.Hold)
	case peak.TypePullEnded:
		return fmt.Sprintf("pull %d ended: peak %s, hold %.2f s: %s%s", t.Pull, d.number(t.Peak), t.Hold, t.Verdict, because)
	case peak.TypeTestEnded:
		return fmt.Sprintf("test of item %s: %s%s, pulls %v; a person inspects the item now", t.Item, t.Verdict, because, t.Pulls)
	case peak.TypeZeroSet, peak.TypeTareSet:
		return fmt.Sprintf("%s is %s now, by %s", strings.Split(r.Type, ".")[1], d.number(t.New), t.By)
	case peak.TypeInstrumentLost:
		return fmt.Sprintf("%s lost: %s", t.Instrument, t.Why)
	case peak.TypeInstrumentFound:
		return t.Instrument + " found again"
	}
	return ""
}

// force shows a force in the unit people see, to the division.
func (d *display) force(f peak.Force) string {
	return d.unit.Show(f, d.unit.Decimals(d.division))
}

func (d *display) maybe(m peak.Maybe[peak.Force]) string {
	if !m.Known {
		return "none"
	}
	return d.force(m.Value)
}

func (d *display) number(n *json.Number) string {
	if n == nil {
		return "none"
	}
	f, err := peak.ParseForce(n.String() + " N")
	if err != nil {
		return n.String() + " N"
	}
	return d.force(f)
}

func seconds(t time.Duration) string { return fmt.Sprintf("%.1f s", t.Seconds()) }

// close ends the live line.
func (d *display) close() {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.live {
		fmt.Fprintln(d.out)
	}
}
