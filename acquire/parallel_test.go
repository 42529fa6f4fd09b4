package acquire_test

import (
	"flag"
	"os"
	"testing"
)

// TestMain lets many tests wait at the same time: those of the faults wait far
// more than they work.
func TestMain(m *testing.M) {
	flag.Parse()
	if err := flag.Set("test.parallel", "24"); err != nil {
		panic(err)
	}
	os.Exit(m.Run())
}
