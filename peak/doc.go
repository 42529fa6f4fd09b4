// Package peak is the pure core: it turns one ordered stream of inputs
// (readings, commands, ticks) into events, and it is the vocabulary that every
// other room shares.
//
// What the caller must do:
//
//  1. Make one [Machine] with [New] and keep it in one goroutine.
//  2. Give it every input in the order in which it happened, with a time that
//     never falls, through [Machine.Step].
//  3. Use the events that Step returns before the next call: the slice is
//     reused.
//  4. Make each durable event durable before anybody hears of it.
//  5. Call [Machine.Stop] when the stream ends for good, so that a pull in hand
//     ends as interrupted.
//
// The package imports nothing of ours, reads no clock, does no I/O, starts no
// goroutine and knows no chance: the same inputs give the same events on every
// machine. Quantities are integers; times are durations since the stream began.
package peak
