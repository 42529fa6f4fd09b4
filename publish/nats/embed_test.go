package nats

import (
	"errors"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

func TestEmbedRefuses(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	for name, c := range map[string]struct {
		o    ServerOptions
		want error  // nil if any
		text string // in the message
	}{
		"port in use":     {ServerOptions{Bench: benchID, StoreDir: dir, Listen: taken.Addr().String()}, ErrPortInUse, taken.Addr().String()},
		"every address":   {ServerOptions{Bench: benchID, StoreDir: dir, Listen: "0.0.0.0:0"}, ErrNotLoopback, "0.0.0.0"},
		"empty host":      {ServerOptions{Bench: benchID, StoreDir: dir, Listen: ":0"}, ErrNotLoopback, ":0"},
		"another machine": {ServerOptions{Bench: benchID, StoreDir: dir, Listen: "192.0.2.7:4222"}, ErrNotLoopback, "192.0.2.7"},
		"no port":         {ServerOptions{Bench: benchID, StoreDir: dir, Listen: "127.0.0.1"}, nil, "listen address"},
		"bad port":        {ServerOptions{Bench: benchID, StoreDir: dir, Listen: "127.0.0.1:70000"}, nil, "port"},
		"no store":        {ServerOptions{Bench: benchID, Listen: "127.0.0.1:0"}, nil, "store"},
		"bad bench id":    {ServerOptions{Bench: "dock 3", StoreDir: dir, Listen: "127.0.0.1:0"}, nil, "dock 3"},
		"store is a file": {ServerOptions{Bench: benchID, StoreDir: file, Listen: "127.0.0.1:0"}, nil, "JetStream"},
	} {
		t.Run(name, func(t *testing.T) {
			c.o.Log = quiet()
			s, err := Embed(c.o)
			if err == nil {
				s.Shutdown()
				t.Fatal("no error")
			}
			if (c.want != nil && !errors.Is(err, c.want)) || !strings.Contains(err.Error(), c.text) {
				t.Errorf("error %v, want %v with %q", err, c.want, c.text)
			}
		})
	}
}

func TestEmbedStoresSafely(t *testing.T) {
	s := embed(t)
	if err := s.Healthy(); err != nil {
		t.Error(err)
	}
	js := s.broker.JetStreamConfig()
	if !js.SyncAlways || js.Domain != benchID || !strings.HasPrefix(js.StoreDir, s.opts.StoreDir) || js.MaxStore != maxStore {
		t.Errorf("JetStream config %+v", js)
	}
	host, _, err := net.SplitHostPort(s.broker.Addr().String())
	if err != nil || !net.ParseIP(host).IsLoopback() {
		t.Errorf("listens on %s", s.broker.Addr())
	}
	s.Shutdown()
	if err := s.Healthy(); !errors.Is(err, ErrUnhealthy) {
		t.Errorf("health after shutdown: %v", err)
	}
	if err := s.Restart(); err == nil {
		t.Error("restarted after shutdown")
	}
}

func TestConnectionsAreCapped(t *testing.T) {
	s, err := Embed(ServerOptions{Bench: benchID, StoreDir: t.TempDir(), Listen: "127.0.0.1:0", MaxConns: 2, Log: quiet()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Shutdown)
	client(t, s.URL())
	client(t, s.URL())
	if _, err := Request(t.Context(), s.URL(), SignIn{}, benchID, "status", nil); !errors.Is(err, ErrNoBroker) {
		t.Errorf("third connection: %v", err)
	}
}

// A broker that fell ill is started anew, on the same port.
func TestWatchRestarts(t *testing.T) {
	s := embed(t)
	url, first := s.URL(), s.broker
	s.every, s.pause = 5*time.Millisecond, time.Hour
	s.check = func(b *server.Server) error { // the first broker's disk failed
		if b == first {
			return ErrUnhealthy
		}
		return nil
	}
	run(t, s.Watch)
	waitFor(t, "the broker to be well again", func() bool { return s.Healthy() == nil })
	if s.URL() != url {
		t.Errorf("moved to %s", s.URL())
	}
	client(t, url)
}
