// Package access keeps the users of a bench: a file with a line for each, that
// says their name, their role, the hash of their password and their NATS public
// key; and checks a password in the same time whether its user exists or not.
package access
