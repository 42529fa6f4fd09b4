package near

import "testing"

func TestNameIsTheNearest(t *testing.T) {
	names := []string{"division", "device", "capacity", "id", "over_range_bit"}
	for given, want := range map[string]string{
		"devision":       "division",
		"Capcity":        "capacity", // a letter dropped, another case
		"over-range-bit": "over_range_bit",
		"dveice":         "device", // two swapped count as one slip
		"di":             "id",
		"weather":        "",
	} {
		if got := Name(given, names); got != want {
			t.Errorf("%q is near %q, want %q", given, got, want)
		}
	}
	if got := DidYouMean("devision", names); got != `did you mean "division"? ` {
		t.Errorf("the hint is %q", got)
	}
	if got := DidYouMean("weather", names); got != "" {
		t.Errorf("the hint for a far name is %q", got)
	}
}

// The distance is one of Damerau and Levenshtein's well-known examples (common
// knowledge): three changes make kitten sitting.
func TestDistance(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{
		{"kitten", "sitting", 3},
		{"", "abc", 3},
		{"abc", "abc", 0},
		{"ab", "ba", 1},
		{string(make([]byte, 65)), "a", 64},
	} {
		if got := distance(c.a, c.b); got != c.want {
			t.Errorf("from %q to %q it is %d, want %d", c.a, c.b, got, c.want)
		}
	}
}
