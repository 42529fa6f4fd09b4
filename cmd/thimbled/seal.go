package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"thimbled/config"
	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
	"thimbled/publish/seal"
)

// Why the journal is sealed.
const (
	sealStarted   = "started"
	sealTestEnded = "test-ended"
	sealInspected = "inspected"
	sealDaily     = "daily"
	sealStopped   = "stopped"
)

// sealEvery is how long a journal goes unsealed at most.
const sealEvery = 24 * time.Hour

// sealCredential is the name of the key that systemd hands over.
const sealCredential = "seal-key"

// sealKey returns the key that the config names, else the one that systemd hands
// over; nil if there is none.
func sealKey(c *config.Config, getenv func(string) string) (*seal.Key, error) {
	if c.Seal.Key != "" {
		k, err := seal.ReadKey(c.Seal.Key)
		if err != nil {
			return nil, configError{err}
		}
		return k, nil
	}
	dir := getenv("CREDENTIALS_DIRECTORY")
	if dir == "" {
		return nil, nil
	}
	k, err := seal.ReadCredential(filepath.Join(dir, sealCredential))
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, seal.ErrNoKey):
		return nil, nil
	case err != nil:
		return nil, configError{err}
	}
	return k, nil
}

// sealer signs what the journal holds. It is the loop's.
type sealer struct {
	key    *seal.Key
	origin string
	edge   *seal.Edge // of the journal's tree, which the journal keeps
	due    time.Duration
}

// newSealer returns what signs the journal of a config; nil if nothing does.
func newSealer(c *config.Config) (*sealer, error) {
	k, err := sealKey(c, os.Getenv)
	if k == nil || err != nil {
		return nil, err
	}
	return &sealer{key: k, origin: c.Seal.Origin}, nil
}

// newEdge makes the edge of an empty journal's tree.
func newEdge() journal.Tally { return &seal.Edge{} }

// tally is what the journal keeps for the sealer; nil if nothing is sealed.
func (s *sealer) tally() func() journal.Tally {
	if s == nil {
		return nil
	}
	return newEdge
}

// goOn goes on from what a journal holds.
func (s *sealer) goOn(o journal.Opened) {
	if s != nil {
		s.edge = o.Tally.(*seal.Edge)
	}
}

// event returns the statement of all records so far.
func (s *sealer) event(at time.Duration, why string) (peak.JournalSealed, error) {
	sealed, err := s.edge.Seal(s.key, s.origin)
	return peak.JournalSealed{
		At: at, Size: sealed.Size, Root: sealed.Root(), Checkpoint: sealed.Note, Key: sealed.Key, Why: why,
	}, err
}

// sealAll seals all records so far in one more.
func (l *loop) sealAll(why string) {
	if l.sealer == nil {
		return
	}
	e, err := l.sealer.event(l.now(), why)
	if err != nil {
		l.log.Error("the journal cannot be sealed", "error", err)
		return
	}
	l.append(publish.Encode(e, l.clock, nil), e)
	l.sealer.due = l.now() + sealEvery
}

// sealAfter seals what people will want to prove.
func (l *loop) sealAfter(e peak.Event) {
	switch e.(type) {
	case peak.TestEnded:
		l.sealAll(sealTestEnded)
	case peak.ItemInspected:
		l.sealAll(sealInspected)
	}
}

// sealDue seals once a day, so that what no test follows is sealed too.
func (l *loop) sealDue() {
	if l.sealer != nil && l.now() >= l.sealer.due {
		l.sealAll(sealDaily)
	}
}

// publicKeys reads public keys: each is the name of a file that holds one, or the
// key itself.
func publicKeys(words []string) ([]seal.PublicKey, error) {
	var keys []seal.PublicKey
	for _, word := range words {
		text, err := os.ReadFile(word)
		if err != nil {
			text = []byte(word)
		}
		k, parseErr := seal.ParsePublicKey(string(text))
		switch {
		case parseErr == nil:
			keys = append(keys, k)
		case err == nil:
			return nil, usageError{fmt.Errorf("%s: %w", word, parseErr)}
		default:
			return nil, usageError{fmt.Errorf("%q is neither a key nor a file that can be read: %w", word, parseErr)}
		}
	}
	return keys, nil
}
