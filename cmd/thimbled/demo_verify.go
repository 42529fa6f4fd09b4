package main

import (
	"context"
	_ "embed" // the readings below
	"encoding/json"
	"errors"
	"time"
)

// demoReadings are an invented verification of the simulated bench.
//
//go:embed demo_verification.csv
var demoReadings string

// verify records the invented verification, unless one is on record already, so that
// the demo's pulls are judged as those of a verified bench.
func (d *demo) verify(ctx context.Context) error {
	for d.daemon.loop.snapshot.Load().State.InPull {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(50 * time.Millisecond):
		}
	}
	if len(d.daemon.loop.snapshot.Load().State.Verified) > 0 {
		return nil
	}
	body, err := json.Marshal(verifyRecord{
		verifyStart: verifyStart{By: "demo operator", Standard: "invented reference of the demo", Uncertainty: "0.06 %"},
		CSV:         demoReadings, On: time.Now().Format(time.DateOnly), Months: usualMonths,
	})
	if err != nil {
		return err
	}
	if _, err = d.daemon.answer(ctx, "verify.record", body); errors.Is(err, context.Canceled) {
		return ctx.Err()
	}
	return err
}
