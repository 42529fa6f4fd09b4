package journal

import (
	"bytes"
	"strconv"
)

// nearEnough is how much is read over to come to a record.
const nearEnough = 64 << 10

// near moves on to a line that is at or shortly before a record, in a segment that
// begins with the record first, by halving; it returns the number of that line's
// record. A record is one line, so the number tells which line it is. Where nothing
// sound is found it does not go on: whoever reads from there finds out.
func (l *lines) near(first, number uint64) (uint64, error) {
	size, err := l.file.Size()
	if err != nil {
		return first, err
	}
	buf := make([]byte, nearEnough)
	from, at := int64(0), first
	for to := size; to-from > nearEnough; {
		middle := from + (to-from)/2
		n, err := l.file.ReadAt(buf, middle)
		if n == 0 {
			return first, err
		}
		offset, found, ok := lineIn(buf[:n])
		if !ok || found > number || found < at {
			to = middle
			continue
		}
		from, at = middle+int64(offset), found
	}
	l.at, l.next, l.line = from, from, int(at-first)
	return at, nil
}

// lineIn returns where the first line begins whose beginning is in b, and the number
// of its record as it says.
func lineIn(b []byte) (offset int, number uint64, ok bool) {
	end := bytes.IndexByte(b, '\n')
	if end < 0 {
		return 0, 0, false
	}
	line, opened := bytes.CutPrefix(b[end+1:], []byte(opening))
	id, _, closed := bytes.Cut(line, []byte(`"`))
	dash := bytes.LastIndexByte(id, '-')
	if !opened || !closed || dash < 0 {
		return 0, 0, false
	}
	n, err := strconv.ParseUint(string(id[dash+1:]), 10, 64)
	return end + 1, n, err == nil
}
