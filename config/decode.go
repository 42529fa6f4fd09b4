package config

// draft is a config in the making.
type draft struct {
	file string
	cfg  *Config

	// What is being decoded.
	here *given
	line *Line
	inst *Instrument
	rule *ruleBlock

	written  map[string]bool   // the sections that the file has
	given    map[string]*given // by section, but for lines and rules
	lines    []*given          // of cfg.Lines
	rules    []*ruleBlock
	ranges   []*given // of cfg.Ranges
	problems Problems
	// ours are problems of defaults. They follow from what the file says
	// elsewhere, so they are told only if nothing else is wrong.
	ours Problems
}

// given is what the file says in one section.
type given struct {
	section string
	at      place
	missing bool
	values  map[string]place
	bad     map[string]bool // keys without a usable value
}

func decode(doc *document) *draft {
	d := &draft{file: doc.file, cfg: &Config{}, problems: doc.problems, given: map[string]*given{}, written: map[string]bool{}}
	for _, b := range doc.blocks {
		d.written[b.section] = true
		if _, ok := findSection(b.section); !ok {
			d.problem(b.at, bare(b.section), "is no section: "+sectionHint(b.section))
		}
	}
	for _, s := range sections {
		d.section(s, doc.blocks)
	}
	d.check()
	if len(d.problems) == 0 {
		d.problems = d.ours
	}
	return d
}

func (d *draft) problem(at place, key, text string) {
	d.problems = append(d.problems, Problem{File: d.file, Line: at.line, Col: at.col, Key: key, Text: text})
}

// section decodes all blocks of a section.
func (d *draft) section(s section, blocks []*block) {
	found := false
	for _, b := range blocks {
		if b.section != s.name {
			continue
		}
		if b.list != s.list {
			d.problem(b.at, s.name, "is written in the wrong brackets: write "+s.header())
		}
		if found && !s.list {
			continue
		}
		found = true
		d.block(s, b)
	}
	switch {
	case found:
	case s.required:
		d.problem(place{1, 1}, s.name, "is missing: a config needs "+s.header())
		d.given[s.name] = &given{section: s.name, at: place{1, 1}, missing: true}
	case s.optional:
		d.given[s.name] = &given{section: s.name, at: place{1, 1}, missing: true}
	default:
		d.block(s, &block{section: s.name, at: place{1, 1}})
	}
}

// block decodes one block into the part of the config that it stands for.
func (d *draft) block(s section, b *block) {
	g := &given{section: s.name, at: b.at, values: map[string]place{}, bad: map[string]bool{}}
	switch s.name {
	case "line":
		d.cfg.Lines = append(d.cfg.Lines, Line{})
		d.lines = append(d.lines, g)
	case scaleSection:
		d.cfg.Load.Scale = 1
	case "pressure":
		d.cfg.Pressure = &Transducer{}
	case "cylinder":
		d.cfg.Cylinder.Known = true
	case "rule":
		d.rules = append(d.rules, &ruleBlock{given: g})
	case "range":
		d.cfg.Ranges = append(d.cfg.Ranges, Range{})
		d.ranges = append(d.ranges, g)
	}
	d.given[s.name] = g
	d.enter(g)
	for _, e := range b.entries {
		if _, ok := s.find(e.key); !ok {
			d.problem(e.at, g.name(e.key), "is unknown: "+keyHint(s.name, e.key))
		}
	}
	for _, k := range s.keys {
		d.key(g, k, b.find(k.name))
	}
}

// enter makes a section's part of the config the one that is worked on.
func (d *draft) enter(g *given) {
	d.here = g
	switch g.section {
	case "line":
		d.line = &d.cfg.Lines[len(d.cfg.Lines)-1]
	case "load":
		d.inst = &d.cfg.Load.Instrument
	case "pressure":
		d.inst = &d.cfg.Pressure.Instrument
	case "rule":
		d.rule = d.rules[len(d.rules)-1]
	}
}

// key decodes one key, or fills in its default.
func (d *draft) key(g *given, k key, e *entry) {
	why := ""
	if k.unfit != nil {
		why = k.unfit(d)
	}
	switch {
	case e != nil && e.broken:
		g.bad[k.name] = true
	case e != nil && why != "":
		d.problem(e.at, g.name(k.name), why)
		g.bad[k.name] = true
	case e != nil:
		g.values[k.name] = e.value.at
		d.parameter(g, k, e.value)
		if err := k.field.set(d, e.value); err != nil {
			d.problem(e.value.at, g.name(k.name), err.Error())
			g.bad[k.name] = true
		}
	case why != "":
	case k.needed != nil && k.needed(d):
		d.problem(g.at, g.name(k.name), "is missing: write it as "+k.name+" = "+k.example)
		g.bad[k.name] = true
	case k.fallback != nil:
		d.fill(g, k)
	}
}

// fill sets the default of a key through the same checks as what people write.
func (d *draft) fill(g *given, k key) {
	v := k.fallback(d)
	d.parameter(g, k, v)
	if err := k.field.set(d, v); err != nil {
		d.ours = append(d.ours, Problem{File: d.file, Line: g.at.line, Col: g.at.col, Key: g.name(k.name),
			Text: "has no usable default here: " + err.Error() + "; write the key"})
		g.bad[k.name] = true
	}
}

func (b *block) find(key string) *entry {
	for i := range b.entries {
		if b.entries[i].key == key {
			return &b.entries[i]
		}
	}
	return nil
}

func (g *given) name(key string) string { return g.section + "." + bare(key) }

// sound says that every one of the keys has a usable value.
func (g *given) sound(keys ...string) bool {
	if g.missing {
		return false
	}
	for _, k := range keys {
		if g.bad[k] {
			return false
		}
	}
	return true
}

// where returns the first of the keys that the file gives, with its place, or
// the first key and the section's place.
func (g *given) where(keys ...string) (string, place) {
	for _, k := range keys {
		if at, ok := g.values[k]; ok {
			return g.name(k), at
		}
	}
	return g.name(keys[0]), g.at
}

// wrong reports a problem that lies between keys of a section.
func (d *draft) wrong(g *given, text string, keys ...string) {
	key, at := g.where(keys...)
	d.problem(at, key, text)
}
