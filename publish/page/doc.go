// Package page serves the operator's page: one HTML document with its own
// script and style inside the binary, live readings and states as server-sent
// events in the very encoding of NATS, the running curve, the last pulls and tests
// from the journal, and the operator's commands as JSON requests. It follows the
// loop through [Page.Hear], which never waits, and the journal through a cursor;
// it changes nothing itself. Only browsers that reach it under an expected host
// name are answered.
package page
