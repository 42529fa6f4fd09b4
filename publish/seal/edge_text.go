package seal

import (
	"bytes"
	"errors"
	"fmt"
	"math/bits"
)

// MarshalText writes the edge: its size on a line, then the last whole subtree of
// each height in base64, a line each.
func (e *Edge) MarshalText() ([]byte, error) {
	out := fmt.Appendf(nil, "%d\n", e.size)
	for height := range bits.Len64(uint64(e.size)) {
		out = fmt.Appendf(out, "%s\n", e.at[height])
	}
	return out, nil
}

var errEdge = errors.New("is no edge of a tree")

// UnmarshalText reads what MarshalText wrote.
func (e *Edge) UnmarshalText(text []byte) error {
	var read Edge
	lines := bytes.Split(text, []byte("\n"))
	if _, err := fmt.Sscanf(string(lines[0]), "%d", &read.size); err != nil || read.size < 0 {
		return errEdge
	}
	heights := bits.Len64(uint64(read.size))
	if len(lines) != heights+2 {
		return errEdge
	}
	for height := range heights {
		h, err := parseHash(string(lines[height+1]))
		if err != nil {
			return errEdge
		}
		read.at[height] = h
	}
	if again, err := read.MarshalText(); err != nil || !bytes.Equal(again, text) {
		return errEdge
	}
	*e = read
	return nil
}
