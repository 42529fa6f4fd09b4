package nats

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	natsgo "github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"thimbled/publish"
)

// How the publisher paces itself.
const (
	ackTimeout = 5 * time.Second // then the stream is asked what it holds
	drainTime  = 2 * time.Second // for the last records, once the context has ended
	lookEvery  = 30 * time.Second
	firstPause = 50 * time.Millisecond
	maxPause   = 5 * time.Second
	// mostRefused is how often in a row a record may be refused for a sequence that
	// the stream had just told. A stranger who publishes in between does it once.
	mostRefused = 4
	// rememberEvery is how many records are published between two marks at most.
	rememberEvery = 1000
)

// errBack ends a session because the broker came back.
var errBack = errors.New("broker came back")

// errUnexpectedAck says that an acknowledgement was not the one that the next
// record in order gets: somebody else publishes, or an earlier attempt arrived
// after all.
var errUnexpectedAck = errors.New("unexpected acknowledgement")

// Publisher carries the journal's records to the bench's stream, each exactly
// once by record number, in order. It trusts only what the stream says: each
// record is published with the sequence that the stream must have reached, and
// whenever that fails, the broker comes back, or nothing happened for a while,
// the stream is asked again.
type Publisher struct {
	link    *Link
	records publish.Records
	onLoss  func(Loss)
	look    time.Duration // between two looks at an idle stream
	drain   time.Duration // for the last records, once Run's context has ended
	// patience is how long a scan waits for the next message before it asks for
	// each by its sequence.
	patience time.Duration
	// distrust makes the next survey read everything. Run's goroutine only.
	distrust bool
	// What is remembered between runs. Run's goroutine only.
	file        string  // of the mark; empty when nothing is
	had, marked uint64  // highest record number that was in the stream; that in the file
	remark      bool    // the file must be written although marked is had
	filling     bool    // the stream was deleted and is not filled again yet
	repair      *Repair // one that is not finished
	refused     int     // records refused one after the other, each after a look at the stream
	onRepair    func(context.Context, Repair) bool
	// Set by Run's goroutine, read by anybody.
	known   atomic.Pointer[progress] // nil until the stream was first asked
	trouble atomic.Pointer[error]
}

// NewPublisher returns a publisher of the records. onLoss, if not nil, is called
// from Run's goroutine when the stream had lost something.
func NewPublisher(link *Link, records publish.Records, onLoss func(Loss)) *Publisher {
	return &Publisher{
		link: link, records: records, onLoss: onLoss, look: lookEvery, drain: drainTime, patience: scanPatience, distrust: link.embedded,
	}
}

// Run publishes until ctx ends, and then for up to two seconds more what the
// journal still holds. Trouble with the broker never ends it. Run once only.
func (p *Publisher) Run(ctx context.Context) error {
	work, stop := outlive(ctx, p.drain)
	defer stop()
	pause := firstPause
	for {
		before := p.Published()
		err := p.session(ctx, work)
		if ctx.Err() != nil {
			return nil // the next run goes on from what the stream holds
		}
		if p.Published() > before {
			pause = firstPause
		}
		if err != nil {
			p.note(err)
			p.rest(ctx, pause)
			pause = min(2*pause, maxPause)
		}
	}
}

// outlive returns a context that ends some time after ctx.
func outlive(ctx context.Context, by time.Duration) (context.Context, context.CancelFunc) {
	longer, cancel := context.WithCancel(context.WithoutCancel(ctx))
	stop := context.AfterFunc(ctx, func() { time.AfterFunc(by, cancel) })
	return longer, func() { stop(); cancel() }
}

// session asks the stream what it holds and publishes from there. It returns nil
// when the stream must be asked again although nothing failed, or when ctx
// ended and all was published.
func (p *Publisher) session(ctx, work context.Context) error {
	select {
	case <-p.link.back: // the survey to come answers that
	default:
	}
	work, end := p.untilBack(work)
	defer end()
	err := p.carry(ctx, work)
	switch {
	case errors.Is(err, errAnew):
		return nil
	case errors.Is(context.Cause(work), errBack):
		p.distrust = p.link.embedded
		return nil
	case err != nil && !p.link.records.IsConnected():
		p.distrust = p.link.embedded
		return ErrNoBroker
	}
	return err
}

// untilBack returns a context that ends when the broker comes back: what was
// asked before that will not be answered.
func (p *Publisher) untilBack(ctx context.Context) (context.Context, func()) {
	ctx, cancel := context.WithCancelCause(ctx)
	var watch sync.WaitGroup
	watch.Go(func() {
		select {
		case <-p.link.back:
			cancel(errBack)
		case <-ctx.Done():
		}
	})
	return ctx, func() { cancel(nil); watch.Wait() }
}

func (p *Publisher) carry(ctx, work context.Context) error {
	stream, err := p.link.eventStream(work)
	if err != nil {
		return err
	}
	at, err := p.survey(work, stream)
	if err != nil {
		return err
	}
	p.distrust = false
	p.compareWithMark(at)
	if p.link.embedded && at.damaged() {
		return p.anew(work, at.why())
	}
	p.settle(at)
	if err := p.refill(work, &at); err != nil {
		return err
	}
	return p.follow(ctx, work, stream, &at)
}

// refill publishes what the stream had lost.
func (p *Publisher) refill(ctx context.Context, at *position) error {
	for len(at.missing) > 0 {
		if err := p.send(ctx, at, at.missing[0]); err != nil {
			return err
		}
	}
	return nil
}

// follow publishes the journal from the position on.
func (p *Publisher) follow(ctx, work context.Context, stream jetstream.Stream, at *position) error {
	for {
		for at.last < p.records.Last() {
			if err := p.send(work, at, at.last+1); err != nil {
				return err
			}
			if p.had >= p.marked+rememberEvery {
				p.remember()
			}
		}
		p.note(nil)
		p.settleRepair(ctx)
		if ctx.Err() != nil {
			return nil
		}
		if again, err := p.await(ctx, work, stream, at); again || err != nil {
			return err
		}
	}
}

// await waits for the next record or the end of ctx. again says that the stream
// is no longer as we left it.
func (p *Publisher) await(ctx, work context.Context, stream jetstream.Stream, at *position) (again bool, err error) {
	waiting, cancel := context.WithTimeout(work, p.look)
	defer cancel()
	defer context.AfterFunc(ctx, cancel)()
	_, err = p.records.Next(waiting, at.last)
	switch {
	case err == nil || ctx.Err() != nil:
		return false, nil
	case !errors.Is(waiting.Err(), context.DeadlineExceeded):
		return false, fmt.Errorf("read record %d: %w", at.last+1, err)
	}
	info, err := stream.Info(work)
	if err != nil {
		return false, fmt.Errorf("survey stream: %w", err)
	}
	return info.State.LastSeq != at.seq || info.State.Msgs != at.msgs, nil
}

// send publishes one record on condition that the stream is where the position
// says, and moves the position on. After an error the stream must be asked again.
//
// Records go one at a time: were several on their way and a stranger's message
// came between them, the broker would refuse one and take the next, whose
// condition that message just met.
func (p *Publisher) send(ctx context.Context, at *position, number uint64) error {
	record, err := p.record(ctx, number)
	if err != nil {
		return err
	}
	msg, err := message(p.link.bench, record)
	if err != nil {
		return err
	}
	// One that the stream had lost goes without a message id: the broker may
	// remember that id, and would answer as if it still had the record.
	if number > at.last {
		msg.Header.Set(natsgo.MsgIdHdr, record.ID)
	}
	if err := p.publish(ctx, msg, at.seq); err != nil {
		return p.unsent(ctx, number, err)
	}
	p.refused = 0
	p.had = max(p.had, number)
	at.seq++
	at.msgs++
	if number > at.last {
		at.last = number
	} else {
		at.missing = at.missing[1:]
	}
	p.settle(*at)
	p.note(nil)
	return nil
}

// unsent says why a record was not published. Where the embedded broker again and
// again refuses what follows from its own account of the stream, that is damaged.
func (p *Publisher) unsent(ctx context.Context, number uint64, err error) error {
	var refusal *jetstream.APIError
	if p.link.embedded && errors.As(err, &refusal) && refusal.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence {
		if p.refused++; p.refused == mostRefused {
			p.refused = 0
			return p.anew(ctx, "the stream was not where it said")
		}
	}
	return fmt.Errorf("publish record %d: %w", number, err)
}

// publish stores a message as the one after the given sequence.
func (p *Publisher) publish(ctx context.Context, msg *natsgo.Msg, after uint64) error {
	ctx, cancel := context.WithTimeout(ctx, ackTimeout)
	defer cancel()
	name := EventStream(p.link.bench)
	ack, err := p.link.stream.PublishMsg(ctx, msg, jetstream.WithExpectStream(name),
		jetstream.WithExpectLastSequence(after), jetstream.WithRetryAttempts(0))
	if err != nil {
		return err
	}
	if ack.Duplicate || ack.Sequence != after+1 || ack.Stream != name {
		return fmt.Errorf("%w: sequence %d of %s, duplicate %t", errUnexpectedAck, ack.Sequence, ack.Stream, ack.Duplicate)
	}
	return nil
}

// rest waits for the pause to pass or the broker to come back.
func (p *Publisher) rest(ctx context.Context, pause time.Duration) {
	timer := time.NewTimer(pause)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	case <-p.link.back:
	}
}

// numbers lists the numbers from first to last.
func numbers(first, last uint64) []uint64 {
	list := make([]uint64, 0, last-first+1)
	for n := first; n <= last; n++ {
		list = append(list, n)
	}
	return list
}
