package config

import (
	"errors"
	"fmt"
	"net"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"thimbled/peak"
)

// parseRate reads a force per second, such as "25 N/s".
func parseRate(s string) (peak.Force, error) {
	force, ok := strings.CutSuffix(strings.TrimSpace(s), "/s")
	if !ok {
		return 0, fmt.Errorf("%q is no rate: write a force a second, such as %q", s, "25 N/s")
	}
	return peak.ParseForce(force)
}

var sizeUnits = map[string]int64{
	"B": 1, "kB": 1e3, "MB": 1e6, "GB": 1e9, "TB": 1e12,
	"KiB": 1 << 10, "MiB": 1 << 20, "GiB": 1 << 30, "TiB": 1 << 40,
}

// parseSize reads a number of bytes, such as "16 MiB".
func parseSize(s string) (int64, error) {
	const most = 1 << 20 // of any unit, so that the product cannot overflow
	number := strings.TrimSpace(s)
	end := strings.IndexFunc(number, func(r rune) bool { return r < '0' || r > '9' })
	if end < 0 {
		end = len(number)
	}
	unit := strings.TrimSpace(number[end:])
	n, err := strconv.ParseInt(number[:end], 10, 64)
	factor, known := sizeUnits[unit]
	switch {
	case err == nil && unit == "":
		return 0, fmt.Errorf("%q has no unit: write one of KiB, MiB, GiB, TiB, kB, MB, GB, TB behind the number", s)
	case err != nil || !known || n > most:
		return 0, fmt.Errorf("%q is no size: write a whole number and a unit, such as %q", s, "16 MiB")
	}
	return n * factor, nil
}

// parseMonths reads a time by the calendar, such as "10 years" or "18 months", as
// months.
func parseMonths(s string) (int, error) {
	number, unit, _ := strings.Cut(strings.TrimSpace(s), " ")
	n, err := strconv.ParseUint(number, 10, 16)
	factor, known := map[string]int{"year": 12, "years": 12, "month": 1, "months": 1}[strings.TrimSpace(unit)]
	if err != nil || !known {
		return 0, fmt.Errorf("%q is no time by the calendar: write a whole number of years or months, such as %q", s, "10 years")
	}
	return int(n) * factor, nil
}

// checkName accepts what may be part of a NATS subject, a file name and a label.
func checkName(s string) error {
	const longest = 64
	if !bareName.MatchString(s) || len(s) > longest {
		return fmt.Errorf("%q is no name: write 1 to %d letters, digits, - and _", s, longest)
	}
	return nil
}

func notEmpty(s string) error {
	if strings.TrimSpace(s) == "" {
		return errors.New("is empty: write a name")
	}
	if strings.ContainsRune(s, 0) {
		return fmt.Errorf("%q has a zero byte in it, which no name of a file has", s)
	}
	return nil
}

// checkLine accepts a line of text that a person reads.
func checkLine(s string) error {
	const longest = 120
	if strings.TrimSpace(s) == "" {
		return errors.New("is empty: write a few words")
	}
	if utf8.RuneCountInString(s) > longest || strings.ContainsFunc(s, func(r rune) bool { return !unicode.IsPrint(r) }) {
		return fmt.Errorf("must be one line of printable text, of at most %d characters", longest)
	}
	return nil
}

// checkLines accepts a few lines of text that a person reads.
func checkLines(s string) error {
	const most = 5
	lines := strings.Split(s, "\n")
	if len(lines) > most {
		return fmt.Errorf("has %d lines: write at most %d", len(lines), most)
	}
	for _, line := range lines {
		if err := checkLine(line); err != nil {
			return err
		}
	}
	return nil
}

// checkAddress accepts host:port of a peer.
func checkAddress(s string) error {
	host, port, err := splitAddress(s)
	if err != nil || host == "" || port == 0 {
		return fmt.Errorf("%q is no address: write host:port, such as %q", s, "127.0.0.1:502")
	}
	return nil
}

// checkListen accepts host:port to listen on; an empty host is every interface,
// port 0 a free one.
func checkListen(s string) error {
	if _, _, err := splitAddress(s); err != nil {
		return fmt.Errorf("%q is no address to listen on: write host:port, such as %q", s, "127.0.0.1:8040")
	}
	return nil
}

func splitAddress(s string) (host string, port uint16, err error) {
	host, text, err := net.SplitHostPort(s)
	if err != nil {
		return "", 0, err
	}
	if strings.ContainsAny(host, " \t\r\n/\x00") {
		return "", 0, errors.New("no host")
	}
	n, err := strconv.ParseUint(text, 10, 16)
	return host, uint16(n), err
}

// checkNATS accepts URLs of NATS servers. What was written stays out of the
// error: it may hold a password.
func checkNATS(s string) error {
	for one := range strings.SplitSeq(s, ",") {
		u, err := url.Parse(strings.TrimSpace(one))
		if err != nil || u.Host == "" || !slices.Contains([]string{"nats", "tls", "ws", "wss"}, u.Scheme) {
			return errors.New(`is no address of a NATS server: write it as "nats://host:4222" or "tls://host:4222"`)
		}
	}
	return nil
}

func checkAsk(s string) error {
	const longest = 64
	if len(s) > longest {
		return fmt.Errorf("is %d bytes long: an indicator is asked with %d at most", len(s), longest)
	}
	return nil
}

func checkTerminator(s string) error {
	for _, r := range s {
		if r == 0 || r > 0x7e || '0' <= r && r <= '9' || strings.ContainsRune("+-.", r) {
			return fmt.Errorf("%q has a character that cannot end a line: write control or ASCII characters that are no part of a number", s)
		}
	}
	if s == "" || len(s) > 8 {
		return fmt.Errorf(`%q must be 1 to 8 characters that each end a line, such as "\r\n"`, s)
	}
	return nil
}
