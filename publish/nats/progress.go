package nats

// progress is what is known to be in the stream.
type progress struct {
	last    uint64 // highest record number
	missing uint64 // records below it that are not
}

// Published is the highest record number known to be in the stream; 0 before the
// stream was first asked.
func (p *Publisher) Published() uint64 {
	if k := p.known.Load(); k != nil {
		return k.last
	}
	return 0
}

// Unpublished is the number of durable records that are not in the stream. It is
// not known before the stream was first asked.
func (p *Publisher) Unpublished() (n uint64, known bool) {
	k := p.known.Load()
	if k == nil {
		return 0, false
	}
	return max(p.records.Last(), k.last) - k.last + k.missing, true
}

// Trouble says why records are not being published now; nil if nothing is wrong.
func (p *Publisher) Trouble() error {
	if err := p.trouble.Load(); err != nil {
		return *err
	}
	return nil
}

// settle makes a position known.
func (p *Publisher) settle(at position) {
	p.known.Store(&progress{last: at.last, missing: uint64(len(at.missing))})
}

// note keeps the trouble and logs it when it changes.
func (p *Publisher) note(err error) {
	before := p.Trouble()
	p.trouble.Store(&err)
	switch {
	case err == nil && before != nil:
		p.link.log.Info("records are published again", "after", p.Published())
	case err != nil && (before == nil || before.Error() != err.Error()):
		p.link.log.Warn("records are not published", "error", err)
	}
}

func (p *Publisher) lost(loss Loss) {
	p.link.log.Warn("stream is not as it was left", "stream", loss.Stream,
		"missing", len(loss.Missing), "repeated", loss.Repeated, "foreign", loss.Foreign)
	if p.onLoss != nil {
		p.onLoss(loss)
	}
}
