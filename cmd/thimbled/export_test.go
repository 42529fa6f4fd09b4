package main

import (
	"maps"
	"slices"
	"time"

	"thimbled/config"
	"thimbled/publish"
)

// What the tests of the whole program use of it.
var (
	Main       = main
	Run        = run
	UntilAfter = untilAfter
	NameIn     = nameIn
	NewCapped  = newCapped
	NewLog     = newLog
)

// Streams makes the streams of a run in this process.
func Streams(out, err interface{ Write([]byte) (int, error) }) streams { return streams{out, err} }

// VerificationCheck is the readiness check of the verifications.
func VerificationCheck(c *config.Config, s *publish.Snapshot, now time.Duration) publish.Check {
	r := readiness{config: c}
	return r.verification(s, now)
}

// MostConnections are let in at once, MostConnectionsFrom of them from one address.
const (
	MostConnections     = mostConnections
	MostConnectionsFrom = mostConnectionsFrom
)

// Commands lists the commands that a daemon answers, sorted.
func Commands() []string { return slices.Sorted(maps.Keys((&daemon{}).answers())) }
