package simbench

import (
	"fmt"
	"math"
	"time"
)

// Engine states the injectors' base rates by what makes them: one injector sends back
//
//	guide  Q = pi d c^3 (1 + 1.5 e^2) / (12 mu L) * (1 - exp(-a p))/a
//	spill  Q = Cd A sqrt(2 p/rho) * open time * events a cycle * rpm/2,  1/A^2 = 1/A1^2 + 1/A2^2
//	seat   Q = its rate at 27 MPa * (p/27 MPa)^n,  n 1/2, or 1 for a fine scratch
//
// with d, L and c the guide's diameter, length and radial clearance, e its
// eccentricity, p the rail pressure, rpm/2 the cycles a minute of a four-stroke
// engine. mu is the fuel's viscosity at the guide's temperature and the return's
// pressure; it thickens with pressure as exp(a p), which the last factor has
// integrated along the gap.
//
// Sources: laminar flow through a narrow annulus with its factor for eccentricity,
// and the equation of an orifice, from textbooks; thickening 11 per GPa and the
// discharge coefficient from memory. Sizes are illustrative, no maker's.
type Engine struct {
	Injectors []Injector // the first cylinder first
	Fuel      Fuel
	RailMPa   float64
	RPM       float64

	// The guides' temperature: Warm, less (Warm - Cold) exp(-start of flow/World.Afternoon)
	// exp(-u/World.WarmUp) at u after the flow's start.
	WarmC, ColdC float64

	// Relative standard deviations of the slow waves in pressure and speed that all
	// injectors share (AR(1), World.Hunting). They move the parts as the equations say,
	// to first order.
	RailSD, RPMSD float64
}

// Injector is one injector's inner sizes.
type Injector struct {
	GuideMM, LengthMM float64 // of the gap around the needle or the control piston
	ClearanceUM       float64 // radial; wear goes with its cube
	Eccentricity      float64 // 0 centred, 1 touching

	InletMM, OutletMM float64 // the control chamber's two orifices, in series
	Discharge         float64 // their coefficient
	OpenMS            float64 // how long the valve stands open at each event
	EventsPerCycle    float64 // pilot and main; 0: the injector does not fire

	SeatMLPerMin float64 // the valve seat's leakage at 27 MPa
	SeatScratch  bool    // it goes with p, else with its root
}

// Fuel is what flows. Its kinematic viscosity is given at two temperatures.
type Fuel struct {
	ViscosityMM2S    [2]float64 // mm2/s
	AtC              [2]float64 // degC
	DensityGPerML    float64
	ThickeningPerGPa float64 // exponent of pressure; 0: none
}

// Parts is an injector's return flow by where it comes from.
type Parts struct{ GuideMLPerMin, SpillMLPerMin, SeatMLPerMin float64 }

// MLPerMin is the sum of the parts.
func (p Parts) MLPerMin() float64 { return p.GuideMLPerMin + p.SpillMLPerMin + p.SeatMLPerMin }

// DefaultEngine returns six healthy injectors of solenoid type at a warm idle of 27
// MPa: 9 to 12 mL/min, between the 5 and 20 that are common practice, without a
// source. Sizes are illustrative, clearances and eccentricities assumed.
func DefaultEngine() Engine {
	e := Engine{
		Fuel:    Fuel{ViscosityMM2S: [2]float64{4.30, 2.75}, AtC: [2]float64{20, 40}, DensityGPerML: 0.820, ThickeningPerGPa: 11},
		RailMPa: 27, RPM: 800,
		WarmC: 55, ColdC: 45,
		RailSD: 0.007, RPMSD: 0.003,
	}
	for _, g := range []struct{ clearanceUM, eccentricity float64 }{{3.0, 0.6}, {3.2, 0.8}, {2.9, 0.7}, {3.1, 0.9}, {3.3, 0.5}, {3.2, 0.7}} {
		e.Injectors = append(e.Injectors, Injector{
			GuideMM: 4, LengthMM: 15, ClearanceUM: g.clearanceUM, Eccentricity: g.eccentricity,
			InletMM: 0.25, OutletMM: 0.20, Discharge: 0.75, OpenMS: 1.5, EventsPerCycle: 2,
			SeatMLPerMin: 0.5,
		})
	}
	return e
}

// log10log10 of Z goes in a straight line with log10 of the absolute temperature.
func (f *Fuel) line() (a, b float64) {
	ll := func(v float64) float64 { return math.Log10(math.Log10(walther(v))) }
	t1, t2 := math.Log10(f.AtC[0]+273.15), math.Log10(f.AtC[1]+273.15)
	y1, y2 := ll(f.ViscosityMM2S[0]), ll(f.ViscosityMM2S[1])
	b = (y1 - y2) / (t2 - t1)
	return y1 + b*t1, b
}

// walther is ASTM D341's Z of a kinematic viscosity in mm2/s, from memory, with the
// terms that count below 2 mm2/s.
func walther(v float64) float64 { return v + 0.7 + math.Exp(-1.47-1.84*v-0.51*v*v) }

// ViscosityMM2PerS returns the fuel's kinematic viscosity at a temperature, by ASTM D341
// through the two that are known.
func (f Fuel) ViscosityMM2PerS(tempC float64) float64 {
	a, b := f.line()
	z := math.Pow(10, math.Pow(10, a-b*math.Log10(tempC+273.15)))
	v := math.Max(z-0.7, 0.1)
	for range 50 { // Newton's steps; Z rises with v throughout
		low := math.Exp(-1.47 - 1.84*v - 0.51*v*v)
		step := (v + 0.7 + low - z) / (1 - low*(1.84+1.02*v))
		v = math.Max(v-step, 0.01)
		if math.Abs(step) < 1e-12*v {
			break
		}
	}
	return v
}

// seatMPa is the pressure at which a seat's leakage is stated.
const seatMPa = 27

// Return returns the return flow of an injector, 1 for the first cylinder, at a
// temperature of its guide. It is nothing for an injector that does not exist.
func (e *Engine) Return(injector int, tempC float64) Parts {
	if injector < 1 || injector > len(e.Injectors) {
		return Parts{}
	}
	const mLPerMin = 60e6 // of 1 m3/s
	i := &e.Injectors[injector-1]
	p := e.RailMPa * 1e6
	mu := e.Fuel.ViscosityMM2PerS(tempC) * 1e-6 * e.Fuel.DensityGPerML * 1000
	driving := p
	if a := e.Fuel.ThickeningPerGPa * 1e-9; a > 0 {
		driving = -math.Expm1(-a*p) / a
	}
	c := i.ClearanceUM * 1e-6
	guide := math.Pi * i.GuideMM * c * c * c * (1 + 1.5*i.Eccentricity*i.Eccentricity) / (12 * mu * i.LengthMM) * driving

	area := func(mm float64) float64 { return math.Pi / 4 * mm * mm * 1e-6 }
	a1, a2 := area(i.InletMM), area(i.OutletMM)
	a := a1 * a2 / math.Hypot(a1, a2)
	jet := i.Discharge * a * math.Sqrt(2*p/(e.Fuel.DensityGPerML*1000)) // m3/s while open
	spill := jet * i.OpenMS * 1e-3 * i.EventsPerCycle * e.RPM / 2 / 60

	return Parts{
		GuideMLPerMin: guide * mLPerMin,
		SpillMLPerMin: spill * mLPerMin,
		SeatMLPerMin:  i.SeatMLPerMin * math.Pow(e.RailMPa/seatMPa, i.seatPower()),
	}
}

func (i *Injector) seatPower() float64 {
	if i.SeatScratch {
		return 1
	}
	return 0.5
}

// rates returns the base rates, warm.
func (e *Engine) rates() []float64 {
	r := make([]float64, len(e.Injectors))
	for i := range r {
		r[i] = e.Return(i+1, e.WarmC).MLPerMin()
	}
	return r
}

// sensitivity returns the relative change of an injector's flow for a relative change
// of rail pressure and of speed.
func (e *Engine) sensitivity(injector int) (toRail, toRPM float64) {
	q := e.Return(injector, e.WarmC)
	guidePower := 1.0
	if ap := e.Fuel.ThickeningPerGPa * e.RailMPa * 1e-3; ap > 0 {
		guidePower = ap / math.Expm1(ap)
	}
	total := q.MLPerMin()
	if total == 0 {
		return 0, 0
	}
	seat := e.Injectors[injector-1].seatPower()
	return (guidePower*q.GuideMLPerMin + 0.5*q.SpillMLPerMin + seat*q.SeatMLPerMin) / total, q.SpillMLPerMin / total
}

// guideShare is the guide's part of an injector's flow when it is warm.
func (e *Engine) guideShare(injector int) float64 {
	q := e.Return(injector, e.WarmC)
	if q.MLPerMin() == 0 {
		return 0
	}
	return q.GuideMLPerMin / q.MLPerMin()
}

// thinning returns, at points huntStepS apart from the flow's start, how the guide's
// flow differs from that of warm fuel: mu(warm)/mu(T) - 1.
func (e *Engine) thinning(points int, deficitC float64, warmUp time.Duration) []float64 {
	warm := e.Fuel.ViscosityMM2PerS(e.WarmC)
	x := make([]float64, points)
	for k := range x {
		t := e.WarmC - deficitC*math.Exp(-float64(k)*huntStepS/warmUp.Seconds())
		x[k] = warm/e.Fuel.ViscosityMM2PerS(t) - 1
	}
	return x
}

func (e *Engine) check() error {
	if len(e.Injectors) == 0 {
		return fmt.Errorf("engine: it has no injectors: give at least one (start from DefaultEngine)")
	}
	f := &e.Fuel
	ranges := []limits{
		{"Fuel.ViscosityMM2S[0]", f.ViscosityMM2S[0], 0.5, 100}, {"Fuel.ViscosityMM2S[1]", f.ViscosityMM2S[1], 0.5, 100},
		{"Fuel.AtC[0]", f.AtC[0], -20, 150}, {"Fuel.AtC[1]", f.AtC[1], -20, 150},
		{"Fuel.DensityGPerML", f.DensityGPerML, 0.6, 1.2}, {"Fuel.ThickeningPerGPa", f.ThickeningPerGPa, 0, 50},
		{"RailMPa", e.RailMPa, 1, 300}, {"RPM", e.RPM, 100, 6000},
		{"WarmC", e.WarmC, -20, 150}, {"ColdC", e.ColdC, -20, 150},
		{"RailSD", e.RailSD, 0, 0.2}, {"RPMSD", e.RPMSD, 0, 0.2},
	}
	for n, i := range e.Injectors {
		of := func(name string) string { return fmt.Sprintf("%s of injector %d", name, n+1) }
		ranges = append(ranges,
			limits{of("GuideMM"), i.GuideMM, 0, 20}, limits{of("LengthMM"), i.LengthMM, 1, 100},
			limits{of("ClearanceUM"), i.ClearanceUM, 0, 50}, limits{of("Eccentricity"), i.Eccentricity, 0, 1},
			limits{of("InletMM"), i.InletMM, 0.01, 2}, limits{of("OutletMM"), i.OutletMM, 0.01, 2},
			limits{of("Discharge"), i.Discharge, 0, 1}, limits{of("OpenMS"), i.OpenMS, 0, 20},
			limits{of("EventsPerCycle"), i.EventsPerCycle, 0, 10}, limits{of("SeatMLPerMin"), i.SeatMLPerMin, 0, 200})
	}
	for _, x := range ranges {
		if err := x.check(); err != nil {
			return fmt.Errorf("engine: %w (start from DefaultEngine)", err)
		}
	}
	if cold, warm := (f.ViscosityMM2S[0]-f.ViscosityMM2S[1])*(f.AtC[1]-f.AtC[0]), math.Abs(f.AtC[1]-f.AtC[0]); !(cold > 0) || warm < 1 {
		return fmt.Errorf("engine: Fuel has %g mm2/s at %g degC and %g at %g: give two temperatures 1 degC or more apart, the warmer with the lower viscosity",
			f.ViscosityMM2S[0], f.AtC[0], f.ViscosityMM2S[1], f.AtC[1])
	}
	for n, q := range e.rates() {
		if !(q <= maxRateMLPerMin) {
			return fmt.Errorf("engine: injector %d would send back %.4g mL/min: use sizes that give 0 to %d", n+1, q, maxRateMLPerMin)
		}
	}
	return nil
}

// limits is a named number with its range.
type limits struct {
	name        string
	v, min, max float64
}

func (x limits) check() error {
	if !(x.v >= x.min && x.v <= x.max) {
		return fmt.Errorf("%s is %g: use %g to %g", x.name, x.v, x.min, x.max)
	}
	return nil
}

const maxRateMLPerMin = 1000

// Order is what shakes the cells at a multiple of the crank's speed: 0.5 is the
// camshaft, 2 the firing of a four-cylinder, 3 of a six.
type Order struct {
	Order  float64
	Counts float64 // amplitude before the converter's filter
}

// shaking returns the mean of the orders over one conversion that ends at t: a filter
// with notches at multiples of the conversion rate, which leaves the rest to fold.
func (o Order) shaking(crankHz, endS, periodS float64) float64 {
	x := math.Pi * o.Order * crankHz * periodS
	if x == 0 {
		return o.Counts * math.Sin(2*math.Pi*o.Order*crankHz*endS)
	}
	return o.Counts * math.Sin(x) / x * math.Sin(2*math.Pi*o.Order*crankHz*(endS-periodS/2))
}
