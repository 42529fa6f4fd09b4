package nats

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// asideSuffix is what the name of a store that could not be used ends in. One is
// kept; the journal has every record, so an earlier one is of no more use.
const asideSuffix = ".damaged"

// errOffline says that the broker recovered a stream but will not serve it.
var errOffline = errors.New("a stream in it cannot be served")

// openStore opens the broker. A store that it cannot use is set aside and made
// anew: the journal fills it again. If that does not help either, the store is
// put back, for then the fault is not its own.
func (s *Server) openStore() error {
	s.found.clear()
	store := filepath.Join(s.opts.StoreDir, server.JetStreamStoreDir)
	why, err := distrust(store)
	if why != "" {
		s.found.add(why)
	}
	if err == nil {
		err = s.tryStore()
	}
	if err == nil || errors.Is(err, ErrPortInUse) {
		return err
	}
	s.stop()
	if asideErr := setAside(store); asideErr != nil {
		return errors.Join(err, asideErr)
	}
	if again := s.open(); again != nil {
		return errors.Join(err, again, putBack(store))
	}
	s.log.Error("the broker's store cannot be used: set aside and made anew", "cause", err, "aside", store+asideSuffix)
	s.found.add(fmt.Sprintf("the broker could not use its store, which was set aside and made anew: %v", err))
	return nil
}

// tryStore opens the broker on the store as it is, and notes the attempt in a file
// for the case that it never comes to an end.
func (s *Server) tryStore() error {
	attempts := filepath.Join(s.opts.StoreDir, "opening")
	before, _ := os.ReadFile(attempts) // without it there was none
	if len(before) >= mostUnended {
		return errors.Join(errUnended, os.Remove(attempts))
	}
	// What cannot be noted is no reason not to try, and counts against a sound
	// store at most.
	_ = os.WriteFile(attempts, make([]byte, len(before)+1), 0o600)
	slow := time.AfterFunc(slowOpening, func() { _ = os.WriteFile(attempts, make([]byte, len(before)+slowWeight), 0o600) })
	defer func() {
		slow.Stop()
		_ = os.Remove(attempts)
	}()
	if err := s.open(); err != nil {
		return err
	}
	return s.whole()
}

// Attempts to open a store that end with the end of the process, as when the broker
// takes all memory, does not come back or fails in itself. A byte stands for each, more for one
// that was slow; a store that has too many, all in a row, is not tried again. A
// daemon that is merely killed while it starts does not come so far.
const (
	mostUnended = 8
	slowOpening = 10 * time.Second
	slowWeight  = 5
)

// errUnended says that opening the store ended the process, again and again.
var errUnended = errors.New("opening it never came to an end")

// whole says whether the broker recovered each stream that is in its store.
func (s *Server) whole() error {
	if err := ofStreams(s.broker); err != nil {
		return err
	}
	if s.found.has("Stopping unsupported stream") {
		return errOffline
	}
	return nil
}

// setAside renames a store that is there.
func setAside(store string) error {
	if _, err := os.Stat(store); err != nil {
		return fmt.Errorf("set store aside: %w", err)
	}
	if err := os.RemoveAll(store + asideSuffix); err != nil {
		return fmt.Errorf("set store aside: %w", err)
	}
	if err := os.Rename(store, store+asideSuffix); err != nil {
		return fmt.Errorf("set store aside: %w", err)
	}
	return nil
}

func putBack(store string) error {
	if err := os.RemoveAll(store); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("put store back: %w", err)
	}
	if err := os.Rename(store+asideSuffix, store); err != nil {
		return fmt.Errorf("put store back: %w", err)
	}
	return nil
}

// findings are what the broker said about damage to its store.
type findings struct {
	mu   sync.Mutex
	list []string
}

// maxFindings bounds what is kept: the first ones tell what happened.
const maxFindings = 8

func (f *findings) add(text string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.list) < maxFindings {
		f.list = append(f.list, strings.ToValidUTF8(text, "?"))
	}
}

func (f *findings) has(part string) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, text := range f.list {
		if strings.Contains(text, part) {
			return true
		}
	}
	return false
}

func (f *findings) clear() { f.take() }

// take returns the findings since the last time, as one line; empty if none.
func (f *findings) take() string {
	f.mu.Lock()
	defer f.mu.Unlock()
	text := strings.Join(f.list, "; ")
	f.list = nil
	return text
}

// tellsDamage says whether a warning of the broker tells of damage to its store.
// That its index is older than its messages is no damage: a broker that was
// killed leaves it so, and reads the messages instead.
func tellsDamage(text string) bool {
	if strings.Contains(text, "outdated") || strings.Contains(text, "prior state") {
		return false
	}
	for _, sign := range []string{"corrupt", "checksum", "metafile", "Stream state ", "Stopping unsupported stream", "Error recreating stream"} {
		if strings.Contains(text, sign) {
			return true
		}
	}
	return false
}
