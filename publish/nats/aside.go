package nats

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"

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
	if why := distrustIndexes(store); why != "" {
		s.found.add(why)
	}
	err := s.tryStore()
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

// tryStore opens the broker on the store as it is.
func (s *Server) tryStore() error {
	attempt := filepath.Join(s.opts.StoreDir, "opening")
	if err := begin(attempt); err != nil {
		return err
	}
	err := s.open()
	if err == nil {
		err = s.whole()
	}
	// A file that cannot be removed counts against a sound store at most.
	_ = os.Remove(attempt)
	return err
}

// mostUnended is how many attempts in a row to open a store may end with the end
// of the process. Two may be a kill each; the broker may also have been about to
// take all memory, or not to come back.
const mostUnended = 2

// errUnended says that opening the store ended the process, again and again.
var errUnended = errors.New("opening it never came to an end")

// begin notes that the store is about to be opened, with one byte in a file for
// each attempt that did not come to an end.
func begin(attempt string) error {
	before, err := os.ReadFile(attempt)
	if len(before) >= mostUnended {
		return errors.Join(errUnended, os.Remove(attempt))
	}
	if err == nil || errors.Is(err, fs.ErrNotExist) {
		// What cannot be noted is no reason not to try.
		_ = os.WriteFile(attempt, append(before, '.'), 0o600)
	}
	return nil
}

// whole says whether the broker recovered each stream that is in its store.
func (s *Server) whole() error {
	if err := health(s.broker); err != nil {
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
