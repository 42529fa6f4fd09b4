// Package nats carries a bench to the world over NATS. It embeds a broker or
// uses one that runs already; publishes the journal's records to JetStream, each
// exactly once by record number after any outage; sends live readings and the
// last known state; and answers commands as a micro service. The journal is
// the truth: whatever the broker loses is filled again from it. This is the
// only package that imports nats.go, nats-server and nkeys.
package nats
