package near

import "strings"

// DidYouMean returns `did you mean "x"? ` if one of the names is near, else
// nothing.
func DidYouMean(name string, names []string) string {
	if near := Name(name, names); near != "" {
		return `did you mean "` + near + `"? `
	}
	return ""
}

// Name returns the name that can be made from the given one with the fewest
// slips of the keyboard, or nothing if that takes more than a third of it.
func Name(name string, names []string) string {
	best, least := "", 1+max(1, min(len(name), 32)/3)
	for _, n := range names {
		if slips := distance(fold(name), fold(n)); slips < least {
			best, least = n, slips
		}
	}
	return best
}

func fold(s string) string { return strings.ReplaceAll(strings.ToLower(s), "-", "_") }

// distance counts the letters to add, drop, change or swap with their neighbour
// (restricted Damerau-Levenshtein). Anything longer than 64 bytes is far away.
func distance(a, b string) int {
	const longest = 64
	if len(a) > longest || len(b) > longest {
		return longest
	}
	var before, last, row [longest + 1]int
	for j := range len(b) + 1 {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		for j := 1; j <= len(b); j++ {
			change := last[j-1]
			if a[i-1] != b[j-1] {
				change++
			}
			row[j] = min(change, last[j]+1, row[j-1]+1)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last = last, row
	}
	return last[len(b)]
}
