package main

import (
	"strconv"
	"time"

	"thimbled/config"
	"thimbled/peak"
	"thimbled/publish/certificate"
)

// setupOnRecord is the setup that recorded parameters tell of. An older journal has none:
// then it is the one at hand.
func setupOnRecord(known map[string]string, atHand certificate.Setup) certificate.Setup {
	set, err := config.Judging(known)
	every, readEvery := recordedDuration(known["load.every"])
	if err != nil || !readEvery {
		return atHand
	}
	out := certificate.Setup{
		Recorded: true, Digest: atHand.Digest, Capacity: set.Capacity, Division: set.Division, Ranges: set.Ranges,
		Serial: set.Serial, LoadEvery: every,
	}
	out.PressureEvery, _ = recordedDuration(known["pressure.every"])
	return out
}

// recordedDuration reads a parameter that is a time, as TOML.
func recordedDuration(text string) (time.Duration, bool) {
	plain, err := strconv.Unquote(text)
	if err != nil {
		return 0, false
	}
	d, err := peak.ParseDuration(plain)
	return d, err == nil
}
