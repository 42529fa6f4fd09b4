package journal

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"testing"

	"thimbled/peak"
)

const appenderDir = "THIMBLED_TEST_APPEND_TO"

// TestMain is, in a child process, a daemon that makes one pull after another and
// says which records it was promised, until it is killed.
func TestMain(m *testing.M) {
	dir := os.Getenv(appenderDir)
	if dir == "" {
		os.Exit(m.Run())
	}
	w, opened, err := Open(dir, Options{Bench: bench, SegmentBytes: 4000})
	s := &witness{}
	s.check = func() {
		if len(s.acked) > 0 {
			r := s.acked[len(s.acked)-1]
			fmt.Println(r.Number, sha256Hex(r.Line))
		}
	}
	if err == nil && opened.InHand != nil {
		err = s.interrupted(w, opened.InHand)
	}
	for pull := opened.LastPull + 1; err == nil; pull++ {
		err = s.pull(w, pull)
	}
	fmt.Fprintln(os.Stderr, err)
	os.Exit(1)
}

// A process that is killed at any moment has lost no record that it was promised,
// and each pull it had in hand is ended as interrupted by the next.
func TestKilled(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	chance := rand.New(rand.NewPCG(9, 9))
	promised := map[string]string{}
	for range 8 {
		child := exec.Command(os.Args[0])
		child.Env = append(os.Environ(), appenderDir+"="+dir)
		child.Stderr = os.Stderr
		out, err := child.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		for n := 1 + chance.IntN(150); lines.Scan(); n-- {
			number, hash, _ := strings.Cut(lines.Text(), " ")
			promised[number] = hash
			if n == 0 {
				child.Process.Kill()
			}
		}
		child.Wait()
	}
	w, opened, err := Open(dir, Options{Bench: bench})
	if err != nil {
		t.Fatal(err)
	}
	if opened.InHand != nil {
		if err := (&witness{}).interrupted(w, opened.InHand); err != nil {
			t.Fatal(err)
		}
	}
	w.Close()
	pulls := 0
	for r, err := range Records(dir) {
		if err != nil {
			t.Fatal(err)
		}
		number := fmt.Sprint(r.Number)
		if hash, ok := promised[number]; ok && hash != sha256Hex(r.Line) {
			t.Errorf("record %s is another than the one promised", number)
		}
		delete(promised, number)
		switch r.Type {
		case peak.TypePullStarted:
			pulls++
		case peak.TypePullEnded:
			pulls--
		}
	}
	if len(promised) > 0 || pulls != 0 {
		t.Errorf("%d promised records are lost, %d pulls never ended", len(promised), pulls)
	}
	if r, err := Audit(dir); err != nil || !r.Sound() {
		t.Errorf("audit: %+v, %v", r, err)
	}
}
