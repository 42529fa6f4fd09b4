// Package text reads indicators that print their value as a line of text,
// continuously or when asked. It cuts the byte stream into lines, takes the
// number out of a line by a pattern that a person configures, and makes sure that
// a line is never older than it looks. It never writes to an instrument: the one
// thing it sends is the request for a line, exactly as configured, which must be a
// read request of that instrument.
package text
