package config

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"thimbled/peak"
)

// Parameter is one key that touches a figure, with its value in force.
type Parameter struct {
	Name  string // such as "capture.start_above"; of a list "range.2.division"
	Value string // as TOML
}

// judging are the sections whose keys say how readings are judged.
var judging = []string{"bench", "range", "capture", "zero", "cylinder", "decision"}

// measuring are the sections whose keys say how a force or pressure is read.
var measuring = []string{"load", "load.scale", "pressure", "pressure.scale"}

// Parameters are all keys that touch a figure, those with their default too, in the
// order of the reference.
func (c *Config) Parameters() []Parameter {
	return append(slices.Clone(c.parameters), Parameter{Name: ScaleParameter, Value: strconv.Quote(c.Load.Scaling())})
}

// parameter notes the value of a key that touches a figure.
func (d *draft) parameter(g *given, k key, v value) {
	if !slices.Contains(judging, g.section) && !slices.Contains(measuring, g.section) {
		return
	}
	name := g.section
	if s, _ := findSection(g.section); s.list {
		name += "." + strconv.Itoa(len(d.ranges))
	}
	d.cfg.parameters = append(d.cfg.parameters, Parameter{Name: name + "." + k.name, Value: v.toml()})
}

// Judging rebuilds what the core judges by from recorded parameters: name to value,
// as [Config.Parameters] gives them. Parameters of other sections count for nothing.
func Judging(parameters map[string]string) (peak.Settings, error) {
	var b strings.Builder
	for _, s := range judging {
		writeJudging(&b, s, parameters)
	}
	// How the force is read is not judged by; what it is scaled with is.
	b.WriteString("[[line]]\nname = \"recorded\"\nkind = \"tcp\"\naddress = \"127.0.0.1:502\"\n[load]\nline = \"recorded\"\n")
	c, err := Parse("recorded parameters", []byte(b.String()))
	if err != nil {
		return peak.Settings{}, fmt.Errorf("rebuild settings from recorded parameters: %w", err)
	}
	set := c.Settings()
	set.Serial, set.Scale = plainText(parameters["load.serial"]), plainText(parameters[ScaleParameter])
	return set, nil
}

// ScaleParameter is the name of the parameter that says how a raw signal is made a
// force.
const ScaleParameter = "load.scaling"

func plainText(s string) string {
	if text, err := strconv.Unquote(s); err == nil {
		return text
	}
	return s
}

// writeJudging writes the recorded keys of a section as TOML.
func writeJudging(b *strings.Builder, name string, parameters map[string]string) {
	s, ok := findSection(name)
	if !ok {
		return
	}
	if !s.list {
		writeKeys(b, s, name, parameters)
		return
	}
	for n := 1; parameters[fmt.Sprintf("%s.%d.%s", name, n, s.keys[0].name)] != ""; n++ {
		writeKeys(b, s, fmt.Sprintf("%s.%d", name, n), parameters)
	}
}

func writeKeys(b *strings.Builder, s section, prefix string, parameters map[string]string) {
	began := false
	for _, k := range s.keys {
		v, ok := parameters[prefix+"."+k.name]
		if !ok {
			continue
		}
		if !began {
			b.WriteString(s.header() + "\n")
			began = true
		}
		fmt.Fprintf(b, "%s = %s\n", k.name, v)
	}
}
