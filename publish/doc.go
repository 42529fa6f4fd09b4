// Package publish turns the core's events into what the world reads: it has
// the one encoding of events and live readings (CloudEvents 1.0, SI units, exact
// decimals) and the types that the rooms inside it share. Each of those rooms
// reads the journal's records or a snapshot; none knows another.
package publish
