package bench

// Item describes what is pulled: a sling, a chain, a strop.
type Item struct {
	Stiffness float64 // N/m once bedded in
	Bedding   float64 // lasting stretch at the first loading, as a part of the elastic stretch
	Creep     float64 // slow stretch under load, as a part of the elastic stretch
	CreepTime float64 // s, time constant of the creep
	Slack     float64 // m to take up before there is any force
	Strength  float64 // N at which it breaks; 0 for never
}

// mountedItem is an item with its history.
type mountedItem struct {
	Item
	highest float64 // N, the most it has carried: up to there it is bedded in
	crept   float64 // m
	broken  bool
}

// taut is the piston's position at which the item begins to carry.
func (m *mountedItem) taut() float64 { return m.Slack + m.crept }

// force is the force in newtons with the piston at the given position. Below
// the highest force so far the item is elastic about its lasting stretch;
// beyond it the stretch grows by the bedding-in as well.
func (m *mountedItem) force(piston float64) float64 {
	stretch := piston - m.taut()
	if m.broken || stretch <= 0 {
		return 0
	}
	elastic := float64(m.Stiffness*stretch) - float64(m.Bedding*m.highest)
	if elastic <= m.highest {
		return max(0, elastic)
	}
	return m.Stiffness * stretch / (1 + m.Bedding)
}

// age lets dt seconds pass under the given force.
func (m *mountedItem) age(force, dt float64) {
	m.highest = max(m.highest, force)
	if m.Strength > 0 && force >= m.Strength {
		m.broken = true
	}
	if m.CreepTime > 0 {
		target := m.Creep * force / m.Stiffness
		m.crept += float64((target - m.crept) * dt / m.CreepTime)
	}
}
