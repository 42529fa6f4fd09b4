// Package acquire turns what is on the wire into samples. Each line, a serial
// port or a connection, has one poller that asks its instruments in turn by
// absolute deadlines, opens the line again whenever it is lost, and gives a sample
// for each poll, with the moments it was asked and answered and a quality. An
// instrument that does not answer gives bad samples, never its last value again,
// and costs its neighbours little.
package acquire
