package main

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"strings"

	"golang.org/x/sys/unix"

	"thimbled/publish/access"
)

// newPassword reads a password: from a terminal twice and unseen, else one line.
func newPassword(from *os.File, say io.Writer) (access.Hash, error) {
	in := bufio.NewReader(io.LimitReader(from, 4<<10))
	seen, err := unix.IoctlGetTermios(int(from.Fd()), unix.TCGETS)
	if err != nil { // no terminal
		return hashOfLine(in)
	}
	unseen := *seen
	unseen.Lflag &^= unix.ECHO
	if err := unix.IoctlSetTermios(int(from.Fd()), unix.TCSETS, &unseen); err != nil {
		return access.Hash{}, fmt.Errorf("hide the password: %w", err)
	}
	defer func() { _ = unix.IoctlSetTermios(int(from.Fd()), unix.TCSETS, seen) }()
	fmt.Fprint(say, "Password: ")
	first, err := passwordLine(in)
	if err != nil {
		return access.Hash{}, err
	}
	fmt.Fprint(say, "\nOnce more: ")
	again, err := passwordLine(in)
	fmt.Fprintln(say)
	if err != nil {
		return access.Hash{}, err
	}
	if first != again {
		return access.Hash{}, usagef("the two passwords differ")
	}
	return hashOf(first)
}

func hashOfLine(in *bufio.Reader) (access.Hash, error) {
	line, err := passwordLine(in)
	if err != nil {
		return access.Hash{}, err
	}
	return hashOf(line)
}

func hashOf(password string) (access.Hash, error) {
	h, err := access.NewHash(password)
	if err != nil {
		return h, usageError{err}
	}
	return h, nil
}

func passwordLine(in *bufio.Reader) (string, error) {
	line, err := in.ReadString('\n')
	if err != nil && (err != io.EOF || line == "") {
		return "", fmt.Errorf("read password: %w", err)
	}
	return strings.TrimRight(line, "\r\n"), nil
}
