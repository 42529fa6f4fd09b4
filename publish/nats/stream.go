package nats

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/nats-io/nats.go/jetstream"
)

// ErrStreamUnfit says that a stream of the bench's name exists but cannot keep
// its records: it is not on disk, forgets them when read, or acknowledges
// them before they are written.
var ErrStreamUnfit = errors.New("stream unfit for records")

// eventStreamConfig keeps every record for ever: no limit of age, number or size
// may drop one, and no client may delete or purge.
func eventStreamConfig(bench string) jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name:        EventStream(bench),
		Description: "records of bench " + bench + ", filled from its journal",
		Subjects:    []string{eventSubjects(bench)},
		Retention:   jetstream.LimitsPolicy, Storage: jetstream.FileStorage, PersistMode: jetstream.DefaultPersistMode,
		MaxMsgs: -1, MaxBytes: -1, MaxMsgsPerSubject: -1, MaxMsgSize: -1,
		DenyDelete: true, DenyPurge: true, AllowDirect: true,
	}
}

// eventStream returns the stream of records, made or put right if need be.
func (l *Link) eventStream(ctx context.Context) (jetstream.Stream, error) {
	stream, err := l.stream.Stream(ctx, EventStream(l.bench))
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		l.log.Info("make stream", "stream", EventStream(l.bench))
		return l.stream.CreateStream(ctx, eventStreamConfig(l.bench))
	}
	if err != nil {
		return nil, fmt.Errorf("open stream %s: %w", EventStream(l.bench), err)
	}
	have := stream.CachedInfo().Config
	if err := fit(have); err != nil {
		return nil, err
	}
	want := keepRecords(l.bench, have)
	if sameRules(have, want) {
		return stream, nil
	}
	l.log.Warn("put stream right: its settings could lose records", "stream", have.Name)
	return l.stream.UpdateStream(ctx, want)
}

// fit says whether a stream can be made to keep records at all; the rest of its
// settings can be changed.
func fit(c jetstream.StreamConfig) error {
	switch {
	case c.Storage != jetstream.FileStorage:
		return fmt.Errorf("%w: %s is kept in memory", ErrStreamUnfit, c.Name)
	case c.Retention != jetstream.LimitsPolicy:
		return fmt.Errorf("%w: %s forgets what was read", ErrStreamUnfit, c.Name)
	case c.PersistMode == jetstream.AsyncPersistMode:
		return fmt.Errorf("%w: %s acknowledges before it writes", ErrStreamUnfit, c.Name)
	case c.NoAck, c.Sealed, c.Mirror != nil:
		return fmt.Errorf("%w: %s cannot be published to with acknowledgement", ErrStreamUnfit, c.Name)
	}
	return nil
}

// keepRecords returns a stream's settings with our demands put in; what does not
// concern us, such as replicas, stays as its owner set it.
func keepRecords(bench string, c jetstream.StreamConfig) jetstream.StreamConfig {
	ours := eventStreamConfig(bench)
	c.MaxMsgs, c.MaxBytes, c.MaxAge = ours.MaxMsgs, ours.MaxBytes, ours.MaxAge
	c.MaxMsgsPerSubject, c.MaxMsgSize = ours.MaxMsgsPerSubject, ours.MaxMsgSize
	c.DenyDelete, c.DenyPurge, c.AllowRollup, c.AllowDirect = true, true, false, true
	c.Subjects = ours.Subjects
	return c
}

func sameRules(a, b jetstream.StreamConfig) bool {
	return a.MaxMsgs == b.MaxMsgs && a.MaxBytes == b.MaxBytes && a.MaxAge == b.MaxAge &&
		a.MaxMsgsPerSubject == b.MaxMsgsPerSubject && a.MaxMsgSize == b.MaxMsgSize &&
		a.DenyDelete == b.DenyDelete && a.DenyPurge == b.DenyPurge && a.AllowRollup == b.AllowRollup &&
		a.AllowDirect == b.AllowDirect && slices.Equal(a.Subjects, b.Subjects)
}
