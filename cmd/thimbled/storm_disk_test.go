package main_test

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// smallDisk mounts a file system of a few megabytes.
func smallDisk(t *testing.T) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "disk")
	if err := os.Mkdir(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount("none", dir, "tmpfs", 0, "size=8m"); err != nil {
		t.Skipf("no file system could be mounted; run as root: %v", err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, unix.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	return dir
}

// fill leaves no byte free.
func fill(t *testing.T, dir string) (file string) {
	t.Helper()
	file = filepath.Join(dir, "filler")
	f, err := os.Create(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for block := make([]byte, 64<<10); len(block) > 0; {
		if _, err := f.Write(block); errors.Is(err, syscall.ENOSPC) {
			block = block[:len(block)/2]
		} else if err != nil {
			t.Fatal(err)
		}
	}
	return file
}

// TestDiskFull fills the disk under a running daemon. Commands are refused with the
// reason, everybody who looks is told, readings go on; with space again and a new
// start, all that was acknowledged is there and sound.
func TestDiskFull(t *testing.T) {
	t.Parallel()
	disk := smallDisk(t)
	b := newStormBench(t, disk, "")
	p := b.up(t)
	acked := b.record(t, "before", 20)
	b.settled(t)
	filler := fill(t, disk)
	c := b.dial(t)
	var refusal error
	for i := 0; refusal == nil; i++ { // the last page of the segment has room left
		by := "full-" + time.Now().Format("150405.000000000")
		if _, refusal = c.ask("tare", tareBy(by, i), patience); refusal == nil {
			acked = append(acked, by)
		}
	}
	if !errors.Is(refusal, errRefused) || !strings.Contains(refusal.Error(), "journal has failed") {
		t.Fatalf("on a full disk a command gets %v", refusal)
	}
	b.checkFailedButAlive(t)
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	// The failed journal is not written again before a new start.
	if _, err := c.ask("tare", tareBy("too early", 1), patience); !errors.Is(err, errRefused) {
		t.Errorf("the failed journal took a record: %v", err)
	}
	b.stopUnrecorded(t, p)
	p = b.up(t)
	acked = append(acked, b.record(t, "after", 5)...)
	checkAcked(t, acked, b.settled(t))
	p.stop(t)
	audit(t, b.dir, 0, "is sound")
}

// stopUnrecorded stops a daemon that cannot record it: it says so and does not end
// as if all were well.
func (b *stormBench) stopUnrecorded(t *testing.T, p *program) {
	t.Helper()
	before := len(journalOf(t, b.dir))
	p.command.Process.Signal(syscall.SIGTERM)
	p.command.Wait()
	said := p.out.String()
	if status := p.command.ProcessState.ExitCode(); status != 74 || !strings.Contains(said, "thimbled run: record the stop: the journal has failed: ") ||
		!strings.Contains(said, "no space left on device") {
		t.Errorf("a stop that was not recorded ends with %d and says %s", status, said)
	}
	if after := len(journalOf(t, b.dir)); after != before {
		t.Errorf("%d records came with the stop", after-before)
	}
}

// TestDiskFullAtStop has the record of the stop be the first that finds no room. The
// journal is written in pages of the disk, and the last one is filled to its end before.
func TestDiskFullAtStop(t *testing.T) {
	t.Parallel()
	disk := smallDisk(t)
	b := newStormBench(t, disk, "")
	p := b.up(t)
	acked := b.record(t, "before", 3)
	record := sizeOfLast(t, b.dir)
	for i := 0; roomOfPage(t, b.dir) < 4*record; i++ {
		acked = append(acked, b.record(t, fmt.Sprintf("more-%d", i), 1)...)
	}
	b.settled(t)
	filler := fill(t, disk)
	c := b.dial(t)
	for i := 0; roomOfPage(t, b.dir) > 200; i++ { // no record is that short
		room := roomOfPage(t, b.dir)
		fit := max(room/record, 1)
		by := fmt.Sprintf("fill-%03d", i) + strings.Repeat("x", max(0, (room-50-fit*record)/fit))
		if _, err := c.ask("tare", tareBy(by, i), patience); err != nil {
			t.Fatalf("with %d bytes left: %v", roomOfPage(t, b.dir), err)
		}
		acked = append(acked, by)
	}
	b.stopUnrecorded(t, p)
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	p = b.up(t)
	checkAcked(t, acked, b.settled(t))
	p.stop(t)
	audit(t, b.dir, 0, "is sound")
}

func sizeOfLast(t *testing.T, dir string) int {
	all := journalOf(t, dir)
	return len(all[len(all)-1].line) + 1
}

// roomOfPage is what the journal's only segment has left of its last page.
func roomOfPage(t *testing.T, dir string) int {
	t.Helper()
	info, err := os.Stat(filepath.Join(dir, "000000000001.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	page := os.Getpagesize()
	return (page - int(info.Size())%page) % page
}

// checkFailedButAlive looks at a daemon whose journal has failed.
func (b *stormBench) checkFailedButAlive(t *testing.T) {
	t.Helper()
	r, err := http.Get("http://" + b.web + "/healthz")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	text, _ := io.ReadAll(r.Body)
	if r.StatusCode != http.StatusServiceUnavailable || !strings.Contains(string(text), "journal: ") {
		t.Errorf("healthz says %d %s", r.StatusCode, text)
	}
	if !strings.Contains(scrape(t, b.web), "thimbled_journal_failed 1\n") {
		t.Error("the metrics do not say that the journal failed")
	}
	page, err := http.Get("http://" + b.web + "/")
	if err != nil {
		t.Fatal(err)
	}
	page.Body.Close()
	if page.StatusCode != http.StatusOK {
		t.Errorf("the page answers with %d", page.StatusCode)
	}
	b.load.force.Store(1200) // readings go on
	time.Sleep(time.Second)
	low := forceOf(t, b.web)
	b.load.force.Store(2300)
	until(t, "the force to be shown", func() bool { return forceOf(t, b.web) == low+1100 })
}

// forceOf is the net force that the metrics show.
func forceOf(t *testing.T, web string) float64 {
	t.Helper()
	f, err := strconv.ParseFloat(shownForce(web), 64)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// checkAcked checks that each command that was acknowledged is recorded once.
func checkAcked(t *testing.T, acked []string, lines []record) {
	t.Helper()
	there := map[string]int{}
	for _, r := range lines {
		if _, rest, ok := strings.Cut(string(r.Data), `"by":"`); ok && r.Type == "thimbled.tare.set" {
			by, _, _ := strings.Cut(rest, `"`)
			there[by]++
		}
	}
	for _, by := range acked {
		if there[by] != 1 {
			t.Errorf("what %s was told is recorded stands %d times in the journal", by, there[by])
		}
	}
}

// TestDiskReadOnly makes the disk read-only. The daemon does not start on it and
// says why; on a disk that can be written again it goes on as if nothing had been.
// (A disk cannot be made read-only by command under a daemon that has files open;
// the tests of the journal let each single operation on files fail.)
func TestDiskReadOnly(t *testing.T) {
	t.Parallel()
	disk := smallDisk(t)
	b := newStormBench(t, disk, "")
	p := b.up(t)
	acked := b.record(t, "before", 5)
	if err := unix.Mount("none", disk, "tmpfs", unix.MS_REMOUNT|unix.MS_RDONLY, ""); !errors.Is(err, unix.EBUSY) {
		t.Errorf("under a running daemon the disk was made read-only: %v", err)
	}
	p.stop(t)
	if err := unix.Mount("none", disk, "tmpfs", unix.MS_REMOUNT|unix.MS_RDONLY, ""); err != nil {
		t.Fatal(err)
	}
	status, _, said := do(t, "run", "--config", b.path)
	if status != 74 || !strings.Contains(said, "read-only file system") {
		t.Errorf("on a read-only disk the daemon ends with %d and says %s", status, said)
	}
	if err := unix.Mount("none", disk, "tmpfs", unix.MS_REMOUNT, ""); err != nil {
		t.Fatal(err)
	}
	p = b.up(t)
	acked = append(acked, b.record(t, "after", 5)...)
	checkAcked(t, acked, b.settled(t))
	p.stop(t)
	audit(t, b.dir, 0, "is sound")
}
