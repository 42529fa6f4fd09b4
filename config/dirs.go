package config

import (
	"path/filepath"
	"strings"
)

// JournalDir returns the journal's folder: the one written, else the first of
// $STATE_DIRECTORY, which systemd sets, else thimbled-data in the current folder.
func (c *Config) JournalDir(getenv func(string) string) string {
	if c.Journal.Dir != "" {
		return c.Journal.Dir
	}
	if first, _, _ := strings.Cut(getenv("STATE_DIRECTORY"), ":"); first != "" {
		return first
	}
	return "thimbled-data"
}

// StoreDir returns the folder of the embedded NATS server's streams: the one
// written, else nats in the journal's folder.
func (c *Config) StoreDir(getenv func(string) string) string {
	if c.NATS.StoreDir != "" {
		return c.NATS.StoreDir
	}
	return filepath.Join(c.JournalDir(getenv), "nats")
}
