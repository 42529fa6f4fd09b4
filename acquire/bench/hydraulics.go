package bench

import (
	"math"
	"time"
)

// PlantStep is the bench time that one [Plant.Step] covers.
const PlantStep = time.Millisecond

// Hydraulics describes the cylinder and its power unit, in SI units.
type Hydraulics struct {
	Bore, Rod    float64 // m; a pull acts on the annulus between them
	Stroke       float64 // m
	OilVolume    float64 // m³ of oil under pressure in cylinder and hoses
	BulkModulus  float64 // Pa, of that oil
	PumpFlow     float64 // m³/s while the pump is jogged
	InchFlow     float64 // m³/s while it is jogged gently
	ValveFlow    float64 // m³/s, the most that the release valve lets out
	RetractSpeed float64 // m/s of the empty piston on its way home
	Relief       float64 // Pa at which the relief valve opens
	SealFriction float64 // friction as a part of pressure times area, 0 to 0.5
	Breakaway    float64 // N of friction without pressure
}

// PullArea is the annulus that the pressure acts on in a pull, in m²:
// pi/4 x (bore² - rod²).
func (h Hydraulics) PullArea() float64 {
	bore, rod := float64(h.Bore*h.Bore), float64(h.Rod*h.Rod)
	return math.Pi / 4 * (bore - rod)
}

// Controls is what the operator's hands do during one step.
type Controls struct {
	Pump    float64 // m³/s into the cylinder
	Valve   float64 // m³/s let out of it, as far as there is pressure
	Retract bool    // drive the piston home by the other side of the cylinder
}

// Plant is the mechanical truth: oil, piston and item. It knows no clock and
// no chance; the same steps give the same forces.
//
// Oil is compressible, the piston has no mass, and its seals have dry
// friction: it moves only when pressure and item pull apart by more than that.
// So pressure is above force / area while the force rises and below it while
// it falls, as on a real bench.
type Plant struct {
	hydraulics Hydraulics
	area       float64
	item       mountedItem
	piston     float64 // m from home
	oil        float64 // m³ in the annulus, brought to zero pressure
}

// NewPlant returns a bench at rest, with the piston home and item mounted.
func NewPlant(h Hydraulics, item Item) *Plant {
	return &Plant{hydraulics: h, area: h.PullArea(), item: mountedItem{Item: item}}
}

// Mount takes the item off and puts a fresh one on.
func (p *Plant) Mount(item Item) { p.item = mountedItem{Item: item} }

// Weaken makes the mounted item break at the given force in newtons.
func (p *Plant) Weaken(strength float64) { p.item.Strength = strength }

// Rub makes seals and guides take this part of the hydraulic force from now on.
func (p *Plant) Rub(part float64) { p.hydraulics.SealFriction = part }

// Force is the force in the item, in newtons.
func (p *Plant) Force() float64 { return p.item.force(p.piston) }

// Pressure is the gauge pressure in the cylinder, in pascals.
func (p *Plant) Pressure() float64 { return p.pressureAt(p.piston) }

// Broken says whether the item has broken.
func (p *Plant) Broken() bool { return p.item.broken }

// Home says whether the piston is back where it started.
func (p *Plant) Home() bool { return p.piston == 0 }

// Step lets [PlantStep] pass with the controls as given.
func (p *Plant) Step(c Controls) {
	p.flow(c)
	p.settle()
	p.item.age(p.Force(), PlantStep.Seconds())
}

// flow moves oil. There is no pressure below zero (the tank makes up) and none
// above the relief valve's.
func (p *Plant) flow(c Controls) {
	dt := PlantStep.Seconds()
	p.oil += float64((c.Pump - c.Valve) * dt)
	if c.Retract {
		p.piston = max(0, p.piston-float64(p.hydraulics.RetractSpeed*dt))
		p.oil = min(p.oil, p.area*p.piston)
	}
	filled := float64(p.area * p.piston)
	squeezed := float64(p.hydraulics.Relief / p.hydraulics.BulkModulus * p.hydraulics.OilVolume)
	p.oil = min(max(p.oil, filled), filled+squeezed)
}

// settle moves the piston to where friction holds it.
func (p *Plant) settle() {
	push, load := p.Pressure()*p.area, p.Force()
	switch friction := p.friction(push); {
	case push-friction > load:
		far := min(p.oil/p.area, p.hydraulics.Stroke)
		p.piston = p.balance(p.piston, far, -1)
	case push+friction < load:
		p.piston = p.balance(p.item.taut(), p.piston, +1)
	}
}

// balance finds the position between near and far at which pressure, item and
// friction are in balance; friction acts towards side. The push falls and the
// load rises along the way, so halving is safe whatever the item's curve.
func (p *Plant) balance(near, far, side float64) float64 {
	const closeEnough = 1e-12 // m: some micronewtons
	for far-near > closeEnough {
		middle := near + (far-near)/2
		push := p.pressureAt(middle) * p.area
		if push+float64(side*p.friction(push)) > p.item.force(middle) {
			near = middle
		} else {
			far = middle
		}
	}
	return near
}

func (p *Plant) friction(push float64) float64 {
	return float64(p.hydraulics.SealFriction*push) + p.hydraulics.Breakaway
}

func (p *Plant) pressureAt(piston float64) float64 {
	squeezed := p.oil - float64(p.area*piston)
	return max(0, squeezed/p.hydraulics.OilVolume*p.hydraulics.BulkModulus)
}
