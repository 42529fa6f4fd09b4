package main

import (
	"context"
	"errors"

	"thimbled/publish/certificate"
	"thimbled/publish/journal"
)

const reportArgs = "DIR RECORD " + paperArgs

// reportCommand makes the report of a verification that is on record.
func reportCommand(ctx context.Context, out streams, args []string) error {
	return paperCommand(ctx, out, args, paperKind{
		name: "report", args: reportArgs, make: makeReportOf,
		needs:  "need the folder of a journal and the number of the record of a verification",
		isNone: func(err error) bool { return errors.As(err, new(*certificate.NotVerifiedError)) },
	})
}

// makeReportOf makes the report of a verification from nothing but the journal.
func makeReportOf(ctx context.Context, dir, number string, o certificate.Options) (paper, error) {
	v, err := certificate.FindVerification(until(ctx, journal.Records(dir)), number)
	if err != nil {
		return nil, err
	}
	o.Setup = setupOnRecord(v.Parameters, o.Setup)
	return certificate.NewReport(v, o), nil
}
