package text

import (
	"slices"
	"strings"
	"testing"
)

// overlong stands for a line that is too long; no line has a line feed in it.
const overlong = "\n"

// cut gives the lines of a stream.
func cut(stream string, known bool) (lines []string) {
	return cutAt(DefaultTerminators, stream, known)
}

func cutAt(ends, stream string, known bool) (lines []string) {
	s := splitter{ends: ends}
	s.begin(known)
	for _, c := range []byte(stream) {
		switch s.push(c) {
		case wholeLine:
			lines = append(lines, string(s.line))
		case tooLong:
			lines = append(lines, overlong)
		}
	}
	return lines
}

func TestLines(t *testing.T) {
	long := strings.Repeat("x", maxLine)
	for _, c := range []struct {
		stream string
		known  bool
		want   []string
	}{
		{"1\r2\n3\r\n4\x03", true, []string{"1", "2", "3", "4"}},
		{"\x021\x03\x022\x03", false, []string{"1", "2"}},
		{"2.5\r12.5\r", false, []string{"12.5"}}, // the first digits were not seen
		{"2.5\x0212.5\r", false, []string{"12.5"}},
		{"1\x022\r", true, []string{"2"}},
		{"\r\n\r\n\x03\x02\x03", true, nil},
		{"1\x03?\x022\x03", true, []string{"1", "2"}}, // a check character after ETX
		{"1", true, nil},
		{long + "\r1\r", true, []string{long, "1"}},
		{long + "y\r1\r", true, []string{overlong, "1"}},
		{long + long + long + "\r1\r", true, []string{overlong, overlong, "1"}},
	} {
		if got := cut(c.stream, c.known); !slices.Equal(got, c.want) {
			t.Errorf("%q: %q, want %q", c.stream, got, c.want)
		}
	}
}

func TestOtherTerminators(t *testing.T) {
	for _, c := range []struct {
		ends, stream string
		want         []string
	}{
		{";", "1;\r\n2;3\x03", []string{"1", "2", "3"}},
		{"\r", "\n1\r\n2\r", []string{"1", "2"}},
		{"\x02", "\x021\x022\x02", []string{"1", "2"}},
	} {
		if got := cutAt(c.ends, c.stream, true); !slices.Equal(got, c.want) {
			t.Errorf("%q by %q: %q, want %q", c.stream, c.ends, got, c.want)
		}
	}
}

// slowly finds the lines of a stream by the same rules, the plain way.
func slowly(stream string, known bool) (lines []string) {
	for {
		end := strings.IndexAny(stream, "\r\n\x03")
		if end < 0 {
			return lines
		}
		line := stream[:end]
		stream = stream[end+1:]
		if at := strings.LastIndexByte(line, stx); at >= 0 {
			line, known = line[at+1:], true
		}
		if known && len(line) > 0 && len(line) <= maxLine {
			lines = append(lines, line)
		}
		known = true
	}
}

// Every line comes out once, in order and unchanged, and after any noise the
// stream is found again.
func FuzzSplit(f *testing.F) {
	f.Add("1\r2\n3\r\n\x024\x03", true)
	f.Add("2.5\r12.5\r", false)
	f.Add(strings.Repeat("x", 3*maxLine), true)
	f.Fuzz(func(t *testing.T, stream string, known bool) {
		got := slices.DeleteFunc(cut(stream, known), func(l string) bool { return l == overlong })
		if want := slowly(stream, known); !slices.Equal(got, want) {
			t.Fatalf("%q known=%v: %q, want %q", stream, known, got, want)
		}
		if after := cut(stream+"\rgood\r", known); after[len(after)-1] != "good" {
			t.Fatalf("%q: the line after it was lost", stream)
		}
	})
}
