package seal

import (
	"fmt"
	"testing"
)

// An edge that was put aside goes on as the one that was not.
func TestEdgeComesBack(t *testing.T) {
	var whole Edge
	for n := range 70 {
		text, err := whole.MarshalText()
		if err != nil {
			t.Fatal(err)
		}
		var back Edge
		if err := back.UnmarshalText(text); err != nil {
			t.Fatalf("%d lines: %v", n, err)
		}
		on := whole
		for i := range 9 {
			line := fmt.Appendf(nil, "line %d", n+i)
			on.Add(line)
			back.Add(line)
			if rootOf(on.size, &on) != rootOf(back.size, &back) {
				t.Fatalf("%d lines and %d more: another root", n, i+1)
			}
		}
		whole.Add(fmt.Appendf(nil, "line %d", n))
	}
}

func FuzzEdge(f *testing.F) {
	var e Edge
	for n := range 5 {
		text, _ := e.MarshalText()
		f.Add(text)
		e.Add([]byte{byte(n)})
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		var e Edge
		if e.UnmarshalText(text) != nil {
			return
		}
		if again, err := e.MarshalText(); err != nil || string(again) != string(text) {
			t.Fatalf("%q comes back as %q, %v", text, again, err)
		}
		if e.size < 1<<62 {
			e.Add([]byte("a line"))
		}
	})
}
