package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"
)

// command is one subcommand. run gets its arguments without its own name.
type command struct {
	name, args, does string
	run              func(ctx context.Context, out streams, args []string) error
}

// streams is where a subcommand writes: answers to out, everything else to err.
type streams struct {
	out, err io.Writer
}

func commands() []command {
	return []command{
		{"run", "--config F", "the daemon", runCommand},
		{"demo", "[--fast N] [--for D] [--dir DIR]", "a simulated bench and the daemon on it", demoCommand},
		{"replay", replayArgs, "the core over a recorded trace", replayCommand},
		{"check", "--config F | --defaults", "what is wrong with a config, or what it means", checkCommand},
		{"rules", "[ID --wll Q [--strength Q]] [--config F] [--json]", "the proof-load rules, or what one asks of an item", rulesCommand},
		{"plan", "--config F --length Q [--fitting-a Q] [--fitting-b Q] [--legs N] [--json]", "the pulls that an item needs on the bench", planCommand},
		{"verify", verifyArgs, "judge a verification of the force readings, or make one with the running daemon", verifyCommand},
		{"probe", "--config F", "read each instrument once and show every decoding", probeCommand},
		{"simulate", "[--dir DIR] [--fast N]", "only the simulated instruments", simulateCommand},
		{"calibrate", calibrateArgs, "fit the curve that makes a force of a load cell's raw signal", calibrateCommand},
		{"audit", auditArgs, "verify a journal, its traces and its signatures, end to end", auditCommand},
		{"backup", backupArgs, "copy a journal and its traces while the daemon runs, and audit the copy", backupCommand},
		{"prove", proveArgs, "the proof that a record is sealed, for those who do not have the journal", proveCommand},
		{"checkpoints", "DIR", "the checkpoints of a journal, for somebody else to keep", checkpointsCommand},
		{"tests", "[--item TAG] [--since D] [--until D] [--verdict V] [--limit N] [--json | --csv] DIR", "find tests in a journal", testsCommand},
		{"certificate", certificateArgs, "the proof-test certificate of a test, as HTML or PDF", certificateCommand},
		{"report", reportArgs, "the report of a verification of the force readings, as HTML or PDF", reportCommand},
		{"capture", "--line NAME [--for D]", "record what goes over a line while it is polled, for a fault report", captureCommand},
		{"zero", "[--by NAME]", "ask the daemon to set zero", zeroCommand},
		{"tare", "[--force Q] [--by NAME]", "ask the daemon to set the tare", tareCommand},
		{"job", jobVerbs + " …", "open a job, show it, assign or repeat a pull, finish or cancel it", jobCommand},
		{"inspect", "--job ID --inspector NAME --finding accepted|rejected --examined TEXT", "record what a person found at an item", inspectCommand},
		{"correct", "--pull N --why TEXT [--by NAME]", "ask the daemon to judge a pull again with the right scale", correctCommand},
		{"weigh", "start [--item TAG] | stop", "weigh with the load cell on a crane hook", weighCommand},
		{"users", usersArgs, "say who may sign in, and in which role", usersCommand},
		{"status", "", "ask the daemon what it knows now", statusCommand},
	}
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	// The first signal ends the tasks in order; the second one kills.
	context.AfterFunc(ctx, stop)
	os.Exit(run(ctx, streams{os.Stdout, os.Stderr}, os.Args[1:]))
}

// run does what the arguments say and returns the exit status.
func run(ctx context.Context, out streams, args []string) int {
	if len(args) == 0 {
		usage(out.err)
		return exitUsage
	}
	switch args[0] {
	case "--version", "-version", "version":
		fmt.Fprintln(out.out, "thimbled", version())
		return exitDone
	case "--help", "-help", "-h", "help":
		usage(out.out)
		return exitDone
	}
	for _, c := range commands() {
		if c.name == args[0] {
			return report(out.err, c, c.run(ctx, out, args[1:]))
		}
	}
	fmt.Fprintf(out.err, "thimbled: there is no command %q; thimbled help lists them\n", args[0])
	return exitUsage
}

// report tells of a subcommand's error and returns the exit status it means.
func report(w io.Writer, c command, err error) int {
	switch {
	case err == nil, errors.Is(err, context.Canceled):
		return exitDone
	case errors.Is(err, flag.ErrHelp):
		return exitUsage
	case errors.Is(err, errNo):
		return exitNo
	}
	fmt.Fprintf(w, "thimbled %s: %v\n", c.name, err)
	return statusOf(err)
}

func usage(w io.Writer) {
	fmt.Fprint(w, "Thimbled measures and records proof loads on a pull bench.\n"+
		"It never operates the bench and is no safety device.\n\n")
	for _, c := range commands() {
		fmt.Fprintf(w, "  thimbled %s\n        %s\n", strings.TrimSpace(c.name+" "+c.args), c.does)
	}
	fmt.Fprint(w, "  thimbled --version\n\nthimbled COMMAND --help says more.\n")
}
