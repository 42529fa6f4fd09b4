package nats

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	natsgo "github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"thimbled/publish"
)

// guarded is a bench's broker with a user of each role.
type guarded struct {
	server *Server
	link   *Link
	seeds  map[publish.Role][]byte
	asked  chan string // command and user of each request that a handler got
}

func guardBench(t *testing.T) *guarded {
	t.Helper()
	g := &guarded{seeds: map[publish.Role][]byte{}, asked: make(chan string, 100)}
	access := &Access{}
	for _, role := range []publish.Role{publish.View, publish.Operate, publish.Administer} {
		seed, public, err := NewKey()
		if err != nil {
			t.Fatal(err)
		}
		g.seeds[role] = seed
		access.Users = append(access.Users, User{User: publish.User{Name: role.String() + "er", Role: role}, Key: public})
	}
	quiet := slog.New(slog.DiscardHandler)
	var err error
	g.server, err = Embed(ServerOptions{Bench: benchID, StoreDir: t.TempDir(), Listen: "127.0.0.1:0", Access: access, Log: quiet})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(g.server.Shutdown)
	if g.link, err = Dial(LinkOptions{Bench: benchID, Server: g.server, Log: quiet}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(g.link.Close)
	g.serve(t)
	if _, err := g.link.eventStream(t.Context()); err != nil {
		t.Fatal(err)
	}
	return g
}

// serve answers each command with who asked for it.
func (g *guarded) serve(t *testing.T) {
	t.Helper()
	c, err := ServeCommands(g.link, "v0.0.0", 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, command := range publish.CommandsOf(publish.Administer) {
		err := c.Ask(command, func(ctx context.Context, _ []byte) ([]byte, error) {
			u, _ := publish.UserOf(ctx)
			g.asked <- command + " " + u.Name
			return json.Marshal(u.Name)
		})
		if err != nil {
			t.Fatal(err)
		}
	}
}

// as signs a user of a role in; told gets what the broker refuses.
func (g *guarded) as(t *testing.T, role publish.Role) (conn *natsgo.Conn, told chan error) {
	t.Helper()
	options, err := SignIn{Seed: g.seeds[role]}.options()
	if err != nil {
		t.Fatal(err)
	}
	told = make(chan error, 100)
	conn, err = natsgo.Connect(g.server.URL(), append(options,
		natsgo.ErrorHandler(func(_ *natsgo.Conn, _ *natsgo.Subscription, err error) { told <- err }))...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(conn.Close)
	return conn, told
}

func TestNobodyWithoutAKey(t *testing.T) {
	g := guardBench(t)
	strange, _, err := NewKey()
	if err != nil {
		t.Fatal(err)
	}
	for name, as := range map[string]SignIn{"without a key": {}, "with a strange key": {Seed: strange}} {
		_, err := Request(t.Context(), g.server.URL(), as, benchID, "status", []byte("{}"))
		if !errors.Is(err, ErrDenied) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if len(g.asked) != 0 {
		t.Errorf("carried out %q", <-g.asked)
	}
}

// TestCommandsByRole asks for each command in each role.
func TestCommandsByRole(t *testing.T) {
	g := guardBench(t)
	for _, role := range []publish.Role{publish.View, publish.Operate, publish.Administer} {
		conn, told := g.as(t, role)
		for _, command := range publish.CommandsOf(publish.Administer) {
			if publish.RoleFor(command) > role {
				if err := conn.PublishRequest(askSubject(benchID, command), natsgo.NewInbox(), []byte("{}")); err != nil {
					t.Fatal(err)
				}
				if err := <-told; !errors.Is(err, natsgo.ErrPermissionViolation) {
					t.Errorf("%s of %s: %v", command, role, err)
				}
				continue
			}
			answer, err := conn.Request(askSubject(benchID, command), []byte("{}"), 5*time.Second)
			if err != nil || string(answer.Data) != fmt.Sprintf("%q", role.String()+"er") {
				t.Errorf("%s of %s: %v, %v", command, role, answer, err)
				continue
			}
			if got := <-g.asked; got != command+" "+role.String()+"er" {
				t.Errorf("asked %s as %s, the handler got %q", command, role, got)
			}
		}
	}
	if len(g.asked) != 0 {
		t.Errorf("carried out besides: %q", <-g.asked)
	}
}

// TestWhoAsksIsNotForged writes somebody else into the header that the broker
// tells with.
func TestWhoAsksIsNotForged(t *testing.T) {
	g := guardBench(t)
	conn, _ := g.as(t, publish.Operate)
	m := natsgo.NewMsg(askSubject(benchID, "zero"))
	m.Data = []byte("{}")
	m.Header[requestInfo] = []string{`{"acc":"user-administerer"}`, `{"acc":"user-viewer"}`}
	m.Header["nats-request-info"] = []string{`{"acc":"user-viewer"}`}
	answer, err := conn.RequestMsg(m, 5*time.Second)
	if err != nil || string(answer.Data) != `"operateer"` {
		t.Errorf("%v, %v", answer, err)
	}
}

// TestReadersCannotWrite tries all that a client could change a bench's record with.
func TestReadersCannotWrite(t *testing.T) {
	g := guardBench(t)
	if _, err := g.link.stream.Publish(t.Context(), "bench."+benchID+".event.pull.ended", []byte(`{"n":1}`)); err != nil {
		t.Fatal(err)
	}
	events, state := EventStream(benchID), StateStream(benchID)
	for _, role := range []publish.Role{publish.View, publish.Operate, publish.Administer} {
		conn, told := g.as(t, role)
		for _, subject := range []string{
			readingSubject(benchID), stateSubject(benchID), "bench." + benchID + ".event.pull.ended",
			"$JS.API.STREAM.DELETE." + events, "$JS.API.STREAM.PURGE." + events, "$JS.API.STREAM.UPDATE." + events,
			"$JS.API.STREAM.DELETE." + state, "$JS.API.STREAM.CREATE.MINE", "$JS.API.STREAM.MSG.DELETE." + events,
			"$JS.API.STREAM.SNAPSHOT." + events, "$JS.API.STREAM.RESTORE." + events, "$JS.API.STREAM.MSG.GET." + events,
			"$JS.API.CONSUMER.CREATE." + events, "$JS.API.CONSUMER.DURABLE.CREATE." + events + ".mine",
			"$JS." + benchID + ".API.STREAM.PURGE." + events, "$SYS.REQ.SERVER.PING", "$SRV.STOP",
		} {
			if err := conn.PublishRequest(subject, natsgo.NewInbox(), []byte("{}")); err != nil {
				t.Fatal(err)
			}
			select {
			case err := <-told:
				if !errors.Is(err, natsgo.ErrPermissionViolation) {
					t.Errorf("%s as %s: %v", subject, role, err)
				}
			case <-time.After(5 * time.Second):
				t.Errorf("%s may publish to %s", role, subject)
			}
		}
	}
	checkOneRecord(t, g)
}

func checkOneRecord(t *testing.T, g *guarded) {
	t.Helper()
	stream, err := g.link.stream.Stream(t.Context(), EventStream(benchID))
	if err != nil {
		t.Fatal(err)
	}
	info, err := stream.Info(t.Context())
	if err != nil || info.State.Msgs != 1 || info.State.LastSeq != 1 {
		t.Errorf("the stream holds %+v, %v", info, err)
	}
}

// TestAnswersCannotBecomeRecords has answers sent to subjects that only the
// daemon publishes to: nobody but the asker may hear them, and no stream keep them.
func TestAnswersCannotBecomeRecords(t *testing.T) {
	g := guardBench(t)
	if _, err := g.link.stream.Publish(t.Context(), "bench."+benchID+".event.pull.ended", []byte(`{"n":1}`)); err != nil {
		t.Fatal(err)
	}
	other, _ := g.as(t, publish.View)
	heard, err := other.SubscribeSync("bench." + benchID + ".>")
	if err == nil {
		err = other.Flush()
	}
	if err != nil {
		t.Fatal(err)
	}
	operator, _ := g.as(t, publish.Operate)
	for _, aim := range []string{
		readingSubject(benchID), stateSubject(benchID), "bench." + benchID + ".event.pull.ended", askSubject(benchID, "verify.record"), askSubject(benchID, "tare"),
	} {
		for _, subject := range []string{askSubject(benchID, "zero"), theirAPI(benchID) + "STREAM.INFO." + EventStream(benchID), theirAPI(benchID) + "DIRECT.GET." + EventStream(benchID)} {
			if err := operator.PublishRequest(subject, aim, []byte(`{"seq":1}`)); err != nil {
				t.Fatal(err)
			}
		}
	}
	// A request that is answered shows that those before it have been.
	for range 2 {
		if _, err := operator.Request(askSubject(benchID, "status"), []byte("{}"), 5*time.Second); err != nil {
			t.Fatal(err)
		}
	}
	checkOneRecord(t, g)
	if m, err := heard.NextMsg(200 * time.Millisecond); err == nil {
		t.Errorf("another user heard %s: %.80s", m.Subject, m.Data)
	}
	for range len(g.asked) {
		if got := <-g.asked; strings.HasPrefix(got, "verify.record") {
			t.Errorf("an answer was carried out as a command: %s", got)
		}
	}
}

// TestViewersRead follows what is published and reads the records of the stream.
func TestViewersRead(t *testing.T) {
	g := guardBench(t)
	conn, _ := g.as(t, publish.View)
	heard, err := conn.SubscribeSync("bench." + benchID + ".event.>")
	if err == nil {
		err = conn.Flush()
	}
	if err != nil {
		t.Fatal(err)
	}
	for n := range 3 {
		if _, err := g.link.stream.Publish(t.Context(), "bench."+benchID+".event.pull.ended", fmt.Appendf(nil, `{"n":%d}`, n)); err != nil {
			t.Fatal(err)
		}
		m, err := heard.NextMsg(5 * time.Second)
		if err != nil || string(m.Data) != fmt.Sprintf(`{"n":%d}`, n) {
			t.Errorf("heard %v, %v", m, err)
		}
	}
	js, err := jetstream.NewWithAPIPrefix(conn, "JS."+benchID+".API")
	if err != nil {
		t.Fatal(err)
	}
	stream, err := js.Stream(t.Context(), EventStream(benchID))
	if err != nil {
		t.Fatal(err)
	}
	m, err := stream.GetMsg(t.Context(), 2)
	if err != nil || string(m.Data) != `{"n":1}` {
		t.Errorf("read %v, %v", m, err)
	}
	if got := batch(t, conn); !slices.Equal(got, []string{`{"n":0}`, `{"n":1}`, `{"n":2}`}) {
		t.Errorf("the batch is %q", got)
	}
}

// batch reads all messages of the stream with one request.
func batch(t *testing.T, conn *natsgo.Conn) []string {
	t.Helper()
	inbox := natsgo.NewInbox()
	sub, err := conn.SubscribeSync(inbox)
	if err == nil {
		err = conn.PublishRequest(theirAPI(benchID)+"DIRECT.GET."+EventStream(benchID), inbox, []byte(`{"seq":1,"batch":10}`))
	}
	if err != nil {
		t.Fatal(err)
	}
	var all []string
	for {
		m, err := sub.NextMsg(5 * time.Second)
		if err != nil {
			t.Fatal(err)
		}
		if m.Header.Get("Status") != "" { // 204, the end of the batch
			return all
		}
		all = append(all, string(m.Data))
	}
}

// TestAnswersAreTheAskersOwn listens for other users' answers.
func TestAnswersAreTheAskersOwn(t *testing.T) {
	g := guardBench(t)
	spy, _ := g.as(t, publish.Administer)
	sub, err := spy.SubscribeSync("_INBOX.>")
	if err == nil {
		err = spy.Flush()
	}
	if err != nil {
		t.Fatal(err)
	}
	conn, _ := g.as(t, publish.Operate)
	if _, err := conn.Request(askSubject(benchID, "zero"), []byte("{}"), 5*time.Second); err != nil {
		t.Fatal(err)
	}
	if m, err := sub.NextMsg(200 * time.Millisecond); err == nil {
		t.Errorf("heard %s", m.Data)
	}
}

// TestUsersSurviveARestart restarts the broker: then the same users may do the same.
func TestUsersSurviveARestart(t *testing.T) {
	g := guardBench(t)
	if err := g.server.Restart(); err != nil {
		t.Fatal(err)
	}
	_, err := Request(t.Context(), g.server.URL(), SignIn{Seed: g.seeds[publish.View]}, benchID, "zero", []byte("{}"))
	if !errors.Is(err, ErrDenied) {
		t.Errorf("zero of a viewer: %v", err)
	}
	for !g.link.Connected() {
		time.Sleep(10 * time.Millisecond)
	}
	if _, err := Request(t.Context(), g.server.URL(), SignIn{Seed: g.seeds[publish.Operate]}, benchID, "zero", []byte("{}")); err != nil {
		t.Errorf("zero of an operator: %v", err)
	}
}
