package nats

import (
	"context"
	"testing"
)

// A stream that was filled in out of order and then loses one more has as many messages
// as its last one's number, and is not complete. The broker is one that runs elsewhere.
func TestLostAgainAfterFillingIn(t *testing.T) {
	s, j := embed(t), newJournal()
	js := plainJetStream(t, client(t, s.URL()))
	lax := eventStreamConfig(benchID)
	lax.DenyDelete = false
	stream, err := js.CreateStream(context.Background(), lax)
	if err != nil {
		t.Fatal(err)
	}
	j.add(5, "a")
	for _, number := range []uint64{1, 3, 5, 2, 4} { // 2 and 4 came later
		msg, err := message(benchID, j.records[number-1])
		if err != nil {
			t.Fatal(err)
		}
		if _, err := js.PublishMsg(context.Background(), msg); err != nil {
			t.Fatal(err)
		}
	}
	if err := stream.DeleteMsg(context.Background(), 1); err != nil {
		t.Fatal(err)
	}
	p := NewPublisher(dial(t, LinkOptions{URL: s.URL()}), j, nil)
	run(t, p.Run)
	published(t, p)
	wantOnce(t, s.URL(), 5, false)
}
