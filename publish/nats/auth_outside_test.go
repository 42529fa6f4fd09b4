package nats

import (
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// TestSignInElsewhere signs in to a broker that is not ours with a user seed.
func TestSignInElsewhere(t *testing.T) {
	seed, public, err := NewKey()
	if err != nil {
		t.Fatal(err)
	}
	broker, err := server.NewServer(&server.Options{
		Host: "127.0.0.1", Port: server.RANDOM_PORT, JetStream: true, StoreDir: t.TempDir(), NoSigs: true, NoLog: true,
		Nkeys: []*server.NkeyUser{{Nkey: public}},
	})
	if err != nil {
		t.Fatal(err)
	}
	broker.Start()
	t.Cleanup(func() { broker.Shutdown(); broker.WaitForShutdown() })
	if !broker.ReadyForConnections(10 * time.Second) {
		t.Fatal("the other broker does not start")
	}
	dial := func(as SignIn) *Link {
		l, err := Dial(LinkOptions{Bench: benchID, URL: broker.ClientURL(), SignIn: as, Log: slog.New(slog.DiscardHandler)})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(l.Close)
		return l
	}
	l := dial(SignIn{Seed: append(seed, '\n')})
	waitFor(t, "a connection", l.Connected)
	if _, err := l.eventStream(t.Context()); err != nil {
		t.Error(err)
	}
	if dial(SignIn{}).Connected() {
		t.Error("connected without signing in")
	}
}

// TestSecretsStayOutOfErrors reads texts that are no keys.
func TestSecretsStayOutOfErrors(t *testing.T) {
	seed, public, err := NewKey()
	if err != nil {
		t.Fatal(err)
	}
	spoilt := []byte(strings.ToLower(string(seed)))
	for name, as := range map[string]SignIn{
		"a spoilt seed": {Seed: spoilt}, "a public key": {Seed: []byte(public)}, "no credentials": {Credentials: spoilt},
		"credentials without a seed": {Credentials: []byte("-----BEGIN NATS USER JWT-----\nsecret.of.mine\n------END NATS USER JWT------\n")},
	} {
		_, err := Dial(LinkOptions{Bench: benchID, URL: "nats://127.0.0.1:1", SignIn: as, Log: slog.New(slog.DiscardHandler)})
		if err == nil || strings.Contains(err.Error(), string(spoilt)) || strings.Contains(err.Error(), "secret") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := (SignIn{Seed: seed}).Check(); err != nil {
		t.Errorf("a sound seed: %v", err)
	}
}

func FuzzSignIn(f *testing.F) {
	f.Add([]byte("SUAM"), []byte("-----BEGIN NATS USER JWT-----\nx\n------END NATS USER JWT------\n"))
	f.Fuzz(func(t *testing.T, seed, credentials []byte) {
		as := SignIn{Seed: seed, Credentials: credentials}
		if err := as.Check(); err == nil && len(seed)+len(credentials) > 0 {
			if _, err := as.options(); err != nil {
				t.Errorf("checked and then refused: %v", err)
			}
		}
	})
}
