package nats

import (
	"context"
	"flag"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

var bits = flag.Int("bits", 3, "how many bits of each file of the store TestEachBit flips, one at a time; 0 for all")

// repairs collects what a publisher says it has repaired.
type repairs struct {
	mu   sync.Mutex
	list []Repair
}

func (r *repairs) add(_ context.Context, x Repair) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.list = append(r.list, x)
	return true
}

func (r *repairs) all() []Repair {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.list)
}

// store is a broker's store with records in it, on which nothing runs.
type store struct {
	dir, mark string
	journal   *journal
}

// filledStore fills a store with n records. A program of somebody else's keeps
// its place in it.
func filledStore(t testing.TB, n int) store {
	t.Helper()
	st := store{dir: t.TempDir(), mark: filepath.Join(t.TempDir(), "published"), journal: newJournal()}
	st.journal.add(n, "a")
	s := st.embed(t)
	p := NewPublisher(dial(t, LinkOptions{Server: s}), st.journal, nil)
	p.Remember(st.mark, func(_ context.Context, r Repair) bool {
		t.Errorf("repaired %+v", r)
		return true
	})
	stop := run(t, p.Run)
	published(t, p)
	stream, err := plainJetStream(t, client(t, s.URL())).Stream(context.Background(), EventStream(benchID))
	if err != nil {
		t.Fatal(err)
	}
	consumer, err := stream.CreateConsumer(context.Background(), jetstream.ConsumerConfig{Durable: "office", AckPolicy: jetstream.AckExplicitPolicy})
	if err != nil {
		t.Fatal(err)
	}
	batch, err := consumer.Fetch(min(n, 5))
	if err != nil {
		t.Fatal(err)
	}
	for m := range batch.Messages() {
		if err := m.DoubleAck(context.Background()); err != nil {
			t.Fatal(err)
		}
	}
	stop()
	s.Shutdown()
	return st
}

func (st store) embed(t testing.TB) *Server {
	t.Helper()
	s, err := Embed(ServerOptions{Bench: benchID, StoreDir: st.dir, Listen: "127.0.0.1:0", Log: quiet()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Shutdown)
	return s
}

// copied is the store once more, for one experiment.
func (st store) copied(t testing.TB) store {
	t.Helper()
	c := store{dir: filepath.Join(t.TempDir(), "nats"), journal: st.journal}
	c.mark = c.dir + ".published"
	if err := os.CopyFS(c.dir, os.DirFS(st.dir)); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(st.mark)
	if err == nil {
		err = os.WriteFile(c.mark, text, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func (st store) files(t testing.TB) []string {
	t.Helper()
	var out []string
	err := filepath.WalkDir(st.dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			out = append(out, strings.TrimPrefix(path, st.dir+"/"))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// soundAgain starts a broker on the store and waits until it has every record,
// once and in order, and returns what was repaired.
func (st store) soundAgain(t testing.TB) []Repair {
	t.Helper()
	began := time.Now()
	s, told := st.embed(t), &repairs{}
	if took := time.Since(began); took > startTimeout {
		t.Errorf("the broker took %v to start", took)
	}
	link := dial(t, LinkOptions{Server: s})
	p := NewPublisher(link, st.journal, nil)
	p.patience = 100 * time.Millisecond
	p.Remember(st.mark, told.add)
	stop := run(t, p.Run)
	published(t, p)
	if err := s.Healthy(); err != nil {
		t.Error(err)
	}
	wantOnce(t, s.URL(), int(st.journal.Last()), true)
	stop()
	link.Close()
	s.Shutdown()
	return told.all()
}

// TestEachBit flips one bit at a time in each file of the broker's store. Every
// record must be back afterwards, once and in order, and the repair be told.
// The files that keep other programs' places are theirs: the records do not
// depend on them, and the broker itself does not notice all damage to them.
func TestEachBit(t *testing.T) {
	t.Parallel()
	st := filledStore(t, 5)
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	chance := rand.New(rand.NewPCG(seed, 0))
	for _, file := range st.files(t) {
		t.Run(file, func(t *testing.T) {
			sound, err := os.ReadFile(filepath.Join(st.dir, file))
			if err != nil {
				t.Fatal(err)
			}
			places := chance.Perm(8 * len(sound))
			if *bits > 0 {
				places = places[:min(*bits, len(places))]
			}
			untold := 0
			for _, bit := range places {
				t.Run(strconv.Itoa(bit), func(t *testing.T) { // it lets go of the broker at its end
					if !st.flip(t, file, sound, bit) {
						untold++
					}
				})
			}
			theirs := strings.Contains(file, "/obs/")
			if untold > 0 && !theirs {
				t.Errorf("%d repairs were not told", untold)
			}
			t.Logf("%d bits flipped one at a time, %d repairs not told", len(places), untold)
		})
	}
}

// flip flips one bit of a file in a copy of the store and says whether a repair
// was told.
func (st store) flip(t *testing.T, file string, sound []byte, bit int) (told bool) {
	t.Helper()
	c := st.copied(t)
	defer os.RemoveAll(c.dir)
	broken := slices.Clone(sound)
	broken[bit/8] ^= 1 << (bit % 8)
	if err := os.WriteFile(filepath.Join(c.dir, file), broken, 0o600); err != nil {
		t.Fatal(err)
	}
	list := c.soundAgain(t)
	if t.Failed() {
		t.Fatalf("with bit %d of %s flipped; repaired %+v", bit, file, list)
	}
	return len(list) == 1 && list[0].Why != ""
}

// TestRepairOverTwoRuns ends the publisher in the midst of a repair. The next run
// goes on with it, and it is told once, as one.
func TestRepairOverTwoRuns(t *testing.T) {
	t.Parallel()
	const n = 600
	st := filledStore(t, n)
	if err := os.RemoveAll(filepath.Join(st.dir, "jetstream")); err != nil {
		t.Fatal(err)
	}
	s := st.embed(t)
	p := NewPublisher(dial(t, LinkOptions{Server: s}), st.journal, nil)
	p.drain = 0
	p.Remember(st.mark, func(_ context.Context, r Repair) bool {
		t.Errorf("repaired %+v before it was", r)
		return true
	})
	stop := run(t, p.Run)
	waitFor(t, "some records to be back", func() bool { return p.Published() > 10 })
	stop()
	s.Shutdown()
	if half := p.Published(); half >= n {
		t.Skipf("all %d records were back before the run could be ended", n)
	}
	want := Repair{LostFrom: 1, LostTo: n, Restored: n, Why: "the stream was empty"}
	if list := st.soundAgain(t); len(list) != 1 || list[0] != want {
		t.Errorf("repaired %+v, want %+v", list, want)
	}
}
