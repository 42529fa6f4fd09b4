package main

import (
	"context"
	"net"
	"time"

	"thimbled/acquire"
	"thimbled/publish/journal"
	"thimbled/publish/search"
)

// surroundings are what a daemon stands on.
type surroundings struct {
	files journal.FS
	wall  func() time.Time // the wall clock
	// line opens a line; nil: the computer's serial ports and its network. sleep
	// waits for the next poll; nil: as exactly as the computer can.
	line  acquire.Opener
	sleep func(ctx context.Context, until time.Time) error
	// broker connects with a broker that runs elsewhere; nil: over the network.
	broker func(network, address string) (net.Conn, error)
	listen func(network, address string) (net.Listener, error) // for HTTP
	// index opens the index of tests in a folder; nil: all of it is in memory.
	index func(dir string) (*search.Index, error)
}

// thisComputer is what every daemon but a simulated one stands on.
func thisComputer() surroundings {
	return surroundings{files: journal.OS, wall: time.Now, listen: net.Listen, index: search.Open}
}
