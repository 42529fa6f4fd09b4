// Thimbled proves lifting gear on a pull bench: it reads the bench's
// instruments without ever writing to them, finds, measures and judges each
// pull, records it durably and publishes it.
//
// This package only wires the rooms together: a file a subcommand, the one loop
// that steps the core, and the daemon's tasks.
package main
