// Package systemd holds the files that make thimbled a service of the bench's
// computer (unit, user, folders, device rules) and the tests that let systemd's
// own programs judge them. It has no code of its own.
package systemd
