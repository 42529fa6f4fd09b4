//go:build !linux

package modbus

import (
	"context"
	"time"
)

// pauseUntil leaves all waiting to the port's deadlines.
func pauseUntil(context.Context, time.Time) {}
