package config

import (
	"reflect"
	"testing"
)

// Settings that are rebuilt from recorded parameters are those that were in force,
// defaults too, which a later version may have others of.
func TestJudgingIsRebuiltFromParameters(t *testing.T) {
	for name, text := range map[string]string{
		"defaults": minimal,
		"cylinder": minimal + "[cylinder]\nbore = \"8 in\"\nrod = \"4 in\"\nfriction = \"7 %\"\n",
		"two ranges": minimal + "serial = \"LC-250-17\"\nscale = 0.5\n[zero]\nmotion = \"70 N\"\n" +
			"[[range]]\nname = \"low\"\nup_to = \"50 kN\"\ndivision = \"10 N\"\n" +
			"[[range]]\nname = \"high\"\nup_to = \"250 kN\"\ndivision = \"50 N\"\n",
	} {
		cfg := parse(t, text)
		recorded := map[string]string{}
		for _, p := range cfg.Parameters() {
			if _, twice := recorded[p.Name]; twice {
				t.Errorf("%s: %s is there twice", name, p.Name)
			}
			recorded[p.Name] = p.Value
		}
		got, err := Judging(recorded)
		if err != nil {
			t.Fatal(err)
		}
		if want := cfg.Settings(); !reflect.DeepEqual(got, want) {
			t.Errorf("%s: rebuilt\n%+v\nwas\n%+v", name, got, want)
		}
		for _, touches := range []string{"bench.capacity", "zero.motion", "capture.end_after", "load.type", ScaleParameter} {
			if recorded[touches] == "" {
				t.Errorf("%s: %s touches figures and is not recorded", name, touches)
			}
		}
		for _, other := range []string{"nats.listen", "journal.dir", "loft.name"} {
			if recorded[other] != "" {
				t.Errorf("%s: %s is recorded and touches no figure", name, other)
			}
		}
	}
	if _, err := Judging(map[string]string{"zero.motion": `"70"`}); err == nil {
		t.Error("parameters that are no config were taken")
	}
}
