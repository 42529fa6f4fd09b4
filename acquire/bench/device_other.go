//go:build !linux

package bench

import (
	"errors"
	"time"
)

// device is a pseudo-terminal with a stable name; only Linux has them here.
type device struct{ *End }

func openDevice(string) (*device, error) {
	return nil, errors.New("open pseudo-terminal: simulated serial devices need Linux")
}

func sleepFinely(d time.Duration) { time.Sleep(d) }
