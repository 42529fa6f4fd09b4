package nats

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"time"

	natsgo "github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"thimbled/publish"
)

// ErrStreamForeign says that the stream holds records that are not those of this
// journal, as after the journal's folder was replaced. Nothing is published
// then; with the stream deleted it is filled anew from the journal.
var ErrStreamForeign = errors.New("stream holds another journal's records")

// scanPatience is how long a scan waits for the next message, unless told otherwise.
const scanPatience = 2 * time.Second

// Loss says that the broker's stream was not what it had been told to keep. What
// is missing is published again.
type Loss struct {
	Stream string
	// Missing are the numbers of the records that the stream had lost, rising.
	Missing []uint64
	// Repeated counts messages with the number of an earlier one.
	Repeated int
	// Foreign counts messages that are no records of this bench.
	Foreign int
}

// position is what the stream holds.
type position struct {
	seq     uint64   // sequence of its last message, which may be gone
	msgs    uint64   // messages in it
	last    uint64   // highest record number in it
	missing []uint64 // record numbers below last that are not in it
	// unread counts the messages that the stream counts but could not be read.
	unread uint64
}

// damaged says whether the stream has lost anything but its end.
func (at position) damaged() bool { return len(at.missing) > 0 || at.unread > 0 }

func (at position) why() string {
	return fmt.Sprintf("%d records were missing from the midst of the stream, %d messages could not be read", len(at.missing), at.unread)
}

// survey finds out what the stream holds. It reads one message if the stream
// looks complete (as many messages as its last record's number, and never one lost:
// what was filled in later is out of order, so that its end says nothing of the rest)
// and all of them if not. The store of the embedded broker lies on our own disk, so after its
// start that is not trusted: a message whose bytes went bad still counts.
func (p *Publisher) survey(ctx context.Context, stream jetstream.Stream) (position, error) {
	info, err := stream.Info(ctx)
	if err != nil {
		return position{}, fmt.Errorf("survey stream: %w", err)
	}
	at := position{seq: info.State.LastSeq, msgs: info.State.Msgs}
	if at.msgs == 0 {
		return at, nil
	}
	if p.distrust {
		return p.scan(ctx, stream, at)
	}
	newest, err := stream.GetMsg(ctx, at.seq)
	if err != nil && !errors.Is(err, jetstream.ErrMsgNotFound) {
		return position{}, fmt.Errorf("survey stream: %w", err)
	}
	if err != nil || at.seq != at.msgs || recordNumber(p.link.bench, newest.Header) != at.msgs {
		return p.scan(ctx, stream, at)
	}
	at.last = at.msgs
	return at, p.compare(ctx, newest, at.last)
}

// scan reads the headers of all messages.
func (p *Publisher) scan(ctx context.Context, stream jetstream.Stream, at position) (position, error) {
	seen := make([]bool, p.records.Last()+1) // by record number
	loss := Loss{Stream: EventStream(p.link.bench)}
	var highestSeq, read uint64
	err := p.eachMessage(ctx, stream, at.seq, func(h natsgo.Header, seq uint64) error {
		n := recordNumber(p.link.bench, h)
		read++
		switch {
		case n == 0:
			loss.Foreign++
		case n >= uint64(len(seen)):
			return p.foreign("record %d, but the journal ends at %d", n, len(seen)-1)
		case seen[n]:
			loss.Repeated++
		default:
			seen[n] = true
		}
		if n > at.last {
			at.last, highestSeq = n, seq
		}
		return nil
	})
	if err != nil {
		return position{}, fmt.Errorf("scan stream: %w", err)
	}
	for n := uint64(1); n < at.last; n++ {
		if !seen[n] {
			at.missing = append(at.missing, n)
		}
	}
	loss.Missing = at.missing
	at.unread = max(at.msgs, read) - read
	if len(at.missing) > 0 {
		p.missed(at.missing[0], at.missing[len(at.missing)-1], uint64(len(at.missing)), at.why())
	}
	if len(loss.Missing)+loss.Repeated+loss.Foreign > 0 {
		p.lost(loss)
	}
	if at.last == 0 {
		return at, nil
	}
	newest, err := stream.GetMsg(ctx, highestSeq)
	if err != nil {
		return position{}, fmt.Errorf("scan stream: %w", err)
	}
	return at, p.compare(ctx, newest, at.last)
}

// eachMessage calls f for each message from first to last that can be read, first
// with a consumer and, where that falls silent at messages that the store has
// lost, one by one. Bodies may be missing.
func (p *Publisher) eachMessage(ctx context.Context, stream jetstream.Stream, last uint64, f func(natsgo.Header, uint64) error) error {
	done, err := p.consumeHeaders(ctx, stream, last, f)
	if err != nil {
		return err
	}
	for seq := done + 1; seq <= last; seq++ {
		m, err := stream.GetMsg(ctx, seq)
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			continue
		}
		if err != nil {
			return err
		}
		if err := f(m.Header, seq); err != nil {
			return err
		}
	}
	return nil
}

// consumeHeaders calls f for messages as an ordered consumer delivers them, until
// the last or a silence, and returns the sequence that it reached.
func (p *Publisher) consumeHeaders(ctx context.Context, stream jetstream.Stream, last uint64, f func(natsgo.Header, uint64) error) (done uint64, err error) {
	consumer, err := stream.OrderedConsumer(ctx, jetstream.OrderedConsumerConfig{HeadersOnly: true})
	if err != nil {
		return 0, err
	}
	messages, err := consumer.Messages(jetstream.PullMaxMessages(1000))
	if err != nil {
		return 0, err
	}
	defer messages.Stop()
	defer context.AfterFunc(ctx, messages.Stop)()
	for done < last {
		m, err := messages.Next(jetstream.NextMaxWait(p.patience))
		if errors.Is(err, natsgo.ErrTimeout) {
			return done, nil
		}
		if err != nil {
			return done, err
		}
		meta, err := m.Metadata()
		if err != nil {
			return done, err
		}
		if err := f(m.Headers(), meta.Sequence.Stream); err != nil {
			return done, err
		}
		done = meta.Sequence.Stream
	}
	return done, nil
}

// compare makes sure that a message is the journal's record of that number. Type,
// time and data are as they were stored, whatever version published them.
func (p *Publisher) compare(ctx context.Context, m *jetstream.RawStreamMsg, number uint64) error {
	if last := p.records.Last(); number > last {
		return p.foreign("record %d, but the journal ends at %d", number, last)
	}
	record, err := p.record(ctx, number)
	if err != nil {
		return err
	}
	want, err := message(p.link.bench, record)
	if err != nil {
		return err
	}
	if !bytes.Equal(m.Data, want.Data) || m.Header.Get(typeHeader) != want.Header.Get(typeHeader) ||
		m.Header.Get(timeHeader) != want.Header.Get(timeHeader) {
		return p.foreign("record %d differs", number)
	}
	return nil
}

func (p *Publisher) foreign(format string, v ...any) error {
	return fmt.Errorf("%w: %s; delete stream %s to have it filled anew",
		ErrStreamForeign, fmt.Sprintf(format, v...), EventStream(p.link.bench))
}

// record reads one record of the journal that is there already.
func (p *Publisher) record(ctx context.Context, number uint64) (publish.Record, error) {
	r, err := p.records.Next(ctx, number-1)
	if err != nil {
		return publish.Record{}, fmt.Errorf("read record %d: %w", number, err)
	}
	return r, nil
}
