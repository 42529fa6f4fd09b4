package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
)

// difference is a figure that is other than recorded.
type difference struct{ Key, Recorded, Recomputed string }

func (d difference) String() string {
	return fmt.Sprintf("%s is recorded as %s and comes to %s", d.Key, d.Recorded, d.Recomputed)
}

// later are the members that records of earlier versions do not have.
var later = []string{
	"held_newtons", "peak_uncertainty", "held_uncertainty", "indicator_update_seconds", "force_pressure_ratio_percent",
	"decision_rule", "label",
}

// comparison compares the data of events, member by member.
type comparison struct {
	skip        []string // members that are not compared
	differences []difference
	unstated    []string // the later members that are not in the record
}

// compare compares the data of a record with what they come to.
func (c *comparison) compare(recorded, recomputed json.RawMessage) error {
	a, err := decodeJSON(recorded)
	if err != nil {
		return err
	}
	b, err := decodeJSON(recomputed)
	if err != nil {
		return err
	}
	c.values("", a, b)
	return nil
}

func decodeJSON(data json.RawMessage) (v any, err error) {
	d := json.NewDecoder(bytes.NewReader(data))
	d.UseNumber() // as written, digit by digit
	err = d.Decode(&v)
	return v, err
}

func (c *comparison) values(key string, a, b any) {
	switch x := a.(type) {
	case map[string]any:
		if y, ok := b.(map[string]any); ok {
			c.members(key, x, y)
			return
		}
	case []any:
		if y, ok := b.([]any); ok && len(x) == len(y) && len(x) > 0 {
			c.elements(key, x, y)
			return
		}
	}
	if p, q := shown(a), shown(b); p != q {
		c.differences = append(c.differences, difference{key, p, q})
	}
}

func (c *comparison) members(key string, a, b map[string]any) {
	for _, name := range slices.Sorted(maps.Keys(b)) {
		if _, there := a[name]; there {
			continue
		}
		if slices.Contains(later, name) {
			c.unstated = append(c.unstated, name)
		} else if !slices.Contains(c.skip, name) {
			c.differences = append(c.differences, difference{inside(key, name), "nothing", shown(b[name])})
		}
	}
	for _, name := range slices.Sorted(maps.Keys(a)) {
		y, there := b[name]
		switch {
		case slices.Contains(c.skip, name):
		case !there:
			c.differences = append(c.differences, difference{inside(key, name), shown(a[name]), "nothing"})
		default:
			c.values(inside(key, name), a[name], y)
		}
	}
}

// elements compares lists of the same length; one of words is shown as a whole.
func (c *comparison) elements(key string, a, b []any) {
	if _, object := a[0].(map[string]any); !object {
		if p, q := shown(a), shown(b); p != q {
			c.differences = append(c.differences, difference{key, p, q})
		}
		return
	}
	for i := range a {
		c.values(fmt.Sprintf("%s.%d", key, i+1), a[i], b[i])
	}
}

func inside(key, name string) string {
	if key == "" {
		return name
	}
	return key + "." + name
}

// shown is a value as JSON.
func shown(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		panic(err) // it came from JSON
	}
	return string(b)
}
