package main

import (
	"context"
	"flag"
	"slices"
	"strings"
)

// jobVerbs are what can be done about jobs, with the flags of each.
const jobVerbs = "open|list|show|assign|repeat|finish|cancel"

func jobCommand(ctx context.Context, out streams, args []string) error {
	if len(args) == 0 || !slices.Contains(strings.Split(jobVerbs, "|"), args[0]) {
		return usagef("say what: thimbled job %s; thimbled job open --help says more", jobVerbs)
	}
	f := flags(out, "job "+args[0], "[--config F | --nats URL --bench ID] [--by NAME] …")
	a, by := addAskFlags(f), f.String("by", login(), "`who` asks")
	var body func() any
	switch args[0] {
	case "open":
		r := addJobFlags(f)
		body = func() any { r.By = *by; return r }
	case "list":
		r := map[string]string{}
		for name, usage := range map[string]string{
			"item": "the item's `tag`, or its beginning with *", "since": "no test that ended before this `day`",
			"until": "no test that ended after this `day`", "verdict": "only tests with this `verdict`",
		} {
			f.Func(name, usage, func(text string) error { r[name] = text; return nil })
		}
		body = func() any { return r }
	case "show":
		body = func() any { return struct{}{} }
	case "assign":
		pull := f.Int64("pull", 0, "the `number` of the pull that had no job")
		body = func() any { return assignRequest{By: *by, Pull: *pull} }
	case "finish":
		body = func() any { return whyRequest{By: *by} }
	default:
		why := f.String("why", "", "the `reason`")
		body = func() any { return whyRequest{By: *by, Why: *why} }
	}
	if err := parse(f, args[1:]); err != nil {
		return err
	}
	if f.NArg() != 0 {
		return usagef("%q is one word too many; texts with blanks need quotes", f.Arg(0))
	}
	return askDaemon(ctx, out, *a, "job."+args[0], body())
}

func addJobFlags(f *flag.FlagSet) *jobRequest {
	r := &jobRequest{}
	for _, t := range []struct {
		to          *string
		name, usage string
	}{
		{&r.ID, "job", "the job's `id`; one is made of the time if it is not given"},
		{&r.Item, "item", "the item's `tag`"},
		{&r.Description, "description", "what the item `is`"},
		{&r.Kind, "kind", "its `kind`, such as \"wire rope sling\""},
		{&r.WLL, "wll", "its working load `limit`, such as \"5 t\""},
		{&r.Length, "length", "its `length`, such as \"12 m\""},
		{&r.Owner, "owner", "`whose` it is"},
		{&r.Operator, "operator", "`who` works the bench; who asks, if it is not given"},
		{&r.Rule, "rule", "the proof-load rule by its `id`, instead of --required; see thimbled rules"},
		{&r.Strength, "strength", "the nominal breaking `strength`, for rules that ask for it"},
		{&r.FittingA, "fitting-a", "the `length` of the end fitting at end A"},
		{&r.FittingB, "fitting-b", "the `length` of the end fitting at end B"},
		{&r.Source, "source", "where the requirement `comes` from"},
		{&r.Ambient, "ambient", "notes on the `surroundings`, such as the temperature"},
		{&r.Required, "required", "the `force` each pull must reach, such as \"100 kN\""},
		{&r.Limit, "limit", "the `force` no pull may exceed"},
		{&r.Hold, "hold", "how `long` the required force must be held, such as \"60 s\""},
		{&r.Guard, "guard", "how much to raise the required force, in `per cent`, such as \"1 %\""},
		{&r.Decision, "decision", "how the uncertainty is taken into account: simple, guard or `uncertainty`; as in the config if it is not given"},
	} {
		f.StringVar(t.to, t.name, "", t.usage)
	}
	f.IntVar(&r.Legs, "legs", 0, "how many `legs` it has")
	f.Func("pull", "a planned pull by its `label`; once for each, from length and legs if there is none", func(label string) error {
		r.Pulls = append(r.Pulls, pullRequest{Label: label})
		return nil
	})
	return r
}

func inspectCommand(ctx context.Context, out streams, args []string) error {
	f := flags(out, "inspect", "[--config F | --nats URL --bench ID] --job ID --inspector NAME --finding accepted|rejected --examined TEXT [--notes TEXT]")
	a := addAskFlags(f)
	var r inspectRequest
	f.StringVar(&r.By, "by", login(), "`who` enters it")
	f.StringVar(&r.Job, "job", "", "the `id` of the job whose test has ended")
	f.StringVar(&r.Inspector, "inspector", "", "`who` looked at the item")
	f.StringVar(&r.Finding, "finding", "", "`accepted` or rejected")
	f.StringVar(&r.Examined, "examined", "", "`what` was looked at")
	f.StringVar(&r.Notes, "notes", "", "what was `found`")
	if err := parse(f, args); err != nil {
		return err
	}
	return askDaemon(ctx, out, *a, "inspect", r)
}

func weighCommand(ctx context.Context, out streams, args []string) error {
	if len(args) == 0 || args[0] != "start" && args[0] != "stop" {
		return usagef("say what: thimbled weigh start, thimbled weigh stop")
	}
	f := flags(out, "weigh "+args[0], "[--config F | --nats URL --bench ID] [--by NAME] [--item TAG]")
	a, by := addAskFlags(f), f.String("by", login(), "`who` asks")
	var item *string
	if args[0] == "start" {
		item = f.String("item", "", "the `tag` that the lifts belong to")
	}
	if err := parse(f, args[1:]); err != nil {
		return err
	}
	r := weighRequest{By: *by}
	if item != nil {
		r.Item = *item
	}
	return askDaemon(ctx, out, *a, "weigh."+args[0], r)
}
