package main

// What the tests of the whole program use of it.
var (
	Main        = main
	FreeAddress = freeAddress
	Run         = run
)

// Streams makes the streams of a run in this process.
func Streams(out, err interface{ Write([]byte) (int, error) }) streams { return streams{out, err} }
