package main

import "context"

func probeCommand(context.Context, streams, []string) error { return usagef("not yet") }
