package search

// KeepYoung makes an index keep no more than so many tests in memory.
func (x *Index) KeepYoung(n int) { x.young = n }

// InMemory is how many tests and pulls are in memory.
func (x *Index) InMemory() (tests, pulls int) { return len(x.tests), len(x.pulls) }
