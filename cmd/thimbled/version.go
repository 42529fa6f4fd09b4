package main

import (
	"runtime/debug"
	"strings"
)

// release is the version that whoever builds a release gives it:
// -ldflags "-X main.release=1.2.3".
var release string

// version says which build this is: its release, the module's version, else the
// commit.
func version() string {
	if release != "" {
		return release
	}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	if v := info.Main.Version; v != "" && v != "(devel)" {
		return v
	}
	return revision(info.Settings)
}

func revision(settings []debug.BuildSetting) string {
	var commit, changed string
	for _, s := range settings {
		switch s.Key {
		case "vcs.revision":
			commit = s.Value
		case "vcs.modified":
			if s.Value == "true" {
				changed = "-changed"
			}
		}
	}
	if commit == "" {
		return "0.1.0-dev"
	}
	return "0.1.0-dev+" + strings.ToLower(commit[:min(12, len(commit))]) + changed
}
