package nats

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/nats-io/nats.go/jetstream"
)

// Repair says that the broker's copy of the records was damaged and is whole again.
type Repair struct {
	// LostFrom and LostTo are the lowest and the highest number of a record that
	// had been in the stream and was not any more; both 0 when none was lost.
	LostFrom uint64 `json:"lost_from"`
	LostTo   uint64 `json:"lost_to"`
	// Restored is how many records the stream was given again.
	Restored uint64 `json:"records_restored"`
	Why      string `json:"why"`
}

// mark is what the publisher remembers between runs. It is a lower bound: the
// stream may hold more than it says, never less unless it has lost something.
type mark struct {
	Stream    string  `json:"stream"`
	Published uint64  `json:"published"` // highest record number that was in the stream
	Repair    *Repair `json:"repair"`    // one that is not finished; null if none
	Anew      bool    `json:"anew"`      // the stream was deleted, and is not filled again yet
}

// errAnew ends a session because the stream was deleted to be filled anew.
var errAnew = errors.New("stream is filled anew")

// Remember makes the publisher keep in a file how far it came, so that what the
// broker loses while nobody looks is known too. Run's goroutine tells done of each
// repair once the stream is whole again; one that done does not take, which it says
// with false, is told again by a later run. The file must not lie in the broker's
// own store. Call it before Run.
func (p *Publisher) Remember(file string, done func(context.Context, Repair) bool) {
	p.file, p.onRepair = file, done
	text, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) {
		return
	}
	var m mark
	if err == nil {
		err = json.Unmarshal(text, &m)
	}
	switch {
	case err != nil:
		p.link.log.Warn("what was published is not known", "file", file, "error", err)
	case m.Stream == EventStream(p.link.bench):
		p.had, p.marked, p.repair, p.filling = m.Published, m.Published, m.Repair, m.Anew
	}
}

// remember writes the mark if there is something new. Without it a loss may go
// untold, but is mended all the same, so its failure stops nothing.
func (p *Publisher) remember() {
	if p.file == "" || p.had == p.marked && !p.remark {
		return
	}
	text, err := json.Marshal(mark{Stream: EventStream(p.link.bench), Published: p.had, Repair: p.repair, Anew: p.filling})
	if err == nil {
		err = os.MkdirAll(filepath.Dir(p.file), 0o750)
	}
	if err == nil {
		err = os.WriteFile(p.file+".new", append(text, '\n'), 0o600)
	}
	if err == nil {
		err = os.Rename(p.file+".new", p.file)
	}
	if err != nil {
		p.link.log.Warn("what was published is not kept", "file", p.file, "error", err)
		return
	}
	p.marked, p.remark = p.had, false
}

// missed notes that records had been in the stream and are not, and how many must be
// sent again; from and to are 0 when damage cost none.
func (p *Publisher) missed(from, to, again uint64, why string) {
	if p.repair == nil {
		p.repair = &Repair{}
	}
	r := p.repair
	if to != 0 {
		if r.LostTo == 0 || from < r.LostFrom {
			r.LostFrom = from
		}
		r.LostTo = max(r.LostTo, to)
	}
	r.Restored = max(r.Restored, again)
	switch {
	case r.Why == "":
		r.Why = why
	case !strings.Contains(r.Why, why):
		r.Why += "; " + why
	}
	p.remark = true
	p.remember()
}

// compareWithMark finds out whether the stream ends earlier than it did.
func (p *Publisher) compareWithMark(at position) {
	if why := p.damage(); why != "" {
		p.missed(0, 0, 0, why)
	}
	p.had = min(p.had, p.records.Last()) // it may be another journal's mark
	if p.filling || at.last >= p.had {
		p.had = max(p.had, at.last)
		return
	}
	if r := p.repair; r != nil && r.LostTo == p.had && r.LostFrom <= at.last+1 {
		return // it is being sent again, by this run or an earlier one
	}
	p.lost(Loss{Stream: EventStream(p.link.bench), Missing: numbers(at.last+1, p.had)})
	why := fmt.Sprintf("the stream ended at record %d", at.last)
	if at.last == 0 {
		why = "the stream was empty"
	}
	p.missed(at.last+1, p.had, p.had-at.last, why)
}

// damage is what the embedded broker said about its store since the last time.
func (p *Publisher) damage() string {
	if p.link.server == nil {
		return ""
	}
	return p.link.server.found.take()
}

// settleRepair tells of a repair once everything is in the stream.
func (p *Publisher) settleRepair(ctx context.Context) {
	if why := p.damage(); why != "" {
		p.missed(0, 0, 0, why)
	}
	if p.repair != nil && p.onRepair != nil && p.onRepair(ctx, *p.repair) {
		p.link.log.Warn("the broker's copy of the records is whole again", "lost from", p.repair.LostFrom,
			"lost to", p.repair.LostTo, "restored", p.repair.Restored, "why", p.repair.Why)
		p.repair, p.remark = nil, true
	}
	p.filling = false
	p.remember()
}

// anew deletes the stream, so that the next session fills it from the first
// record on: subscribers get every record, in order, and no message that cannot
// be read holds them up.
func (p *Publisher) anew(ctx context.Context, why string) error {
	p.link.log.Error("the stream is damaged and is filled anew", "stream", EventStream(p.link.bench), "cause", why)
	p.filling = true
	p.missed(0, 0, p.had, why)
	err := p.link.stream.DeleteStream(ctx, EventStream(p.link.bench))
	if err != nil && !errors.Is(err, jetstream.ErrStreamNotFound) {
		return fmt.Errorf("delete damaged stream: %w", err)
	}
	p.settle(position{})
	return errAnew
}
