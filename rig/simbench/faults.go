package simbench

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// FaultKind names what may go wrong on a channel; Faults lists them all.
type FaultKind string

// On the way of the fuel.
const (
	BlockedVent   FaultKind = "blocked-vent"
	KinkedHose    FaultKind = "kinked-hose"
	AirBursts     FaultKind = "air-bursts"
	SlowDrip      FaultKind = "slow-drip"
	Foam          FaultKind = "foam"
	FilmDraining  FaultKind = "film-draining"
	LateStart     FaultKind = "late-start"
	EarlyStop     FaultKind = "early-stop"
	LeakAfterStop FaultKind = "leak-after-stop"
	HoseFilling   FaultKind = "hose-filling"
)

// At the cell: it shows what is not in the tube.
const (
	HosePull     FaultKind = "hose-pull"
	Knock        FaultKind = "knock"
	SpoutDipping FaultKind = "spout-dipping"
	ThermalDrift FaultKind = "thermal-drift"
	Creep        FaultKind = "creep"
)

// In the wiring, the converter or the program that reads it; SetFault takes these too.
const (
	LampPickup     FaultKind = "lamp-pickup"
	Misreads       FaultKind = "misreads"
	MissingSamples FaultKind = "missing-samples"
	StuckCode      FaultKind = "stuck-code"
	Saturation     FaultKind = "saturation"
	BrownOut       FaultKind = "brown-out"
)

// FaultInfo says what a kind of fault is. Severity goes from 0, no fault at all, to
// 1; Full is the size at 1, in Unit, and the size is severity times Full.
type FaultInfo struct {
	Kind   FaultKind
	Wiring bool    // SetFault takes it too
	Full   float64 // at severity 1
	Unit   string  // of Full, and of what
	Does   string  // to the curve
	Source string  // of the numbers; "assumed" where there is none
	lasts  bool    // for its size in seconds, or to an end of its own
}

// What the equations of the faults are made of.
const (
	ventML       = 30.0  // fuel that makes the overpressure at which blocked-vent's share is stated
	ventSpaceML  = 100.0 // in this headspace: 30/(100 - 30) of an atmosphere
	kinkReleaseS = 0.5   // time constant of the burst when a kinked hose opens
	airEveryML   = 5.0   // of what the injector sends, between the starts of two slugs
	foamS        = 30.0  // life of foam
	filmFromS    = 5.0   // a run begins this long after its tubes were emptied
	knockS       = 0.2   // time constant of the recovery
	boreMM       = 24.0  // of a tube, for a spout that dips in
	gPerMN       = 0.102 // 1 mN is the weight of 0.102 g
	cellGPerC    = 0.07 / 5
	cellS        = 240.0 // each of two lags from the fuel's warmth to the cell's zero
	creepS       = 600.0
	creepNorm    = 1.0524 // 1/(1 - exp(-30 min/10 min)): Full is what has crept after 30 min
	lampHz       = 3.1
	opsPerRead   = 140
)

// dropG is the mass of a drop from a spout of 4 mm radius, 2 pi r gamma psi/g with
// gamma 27 mN/m and psi 0.62: 43 mg.
const dropG = 2 * math.Pi * 4e-3 * 27e-3 * 0.62 / 9.80665 * 1000

// faultInfos are in the order in which a run takes them: as the fuel meets them, then
// what the cell adds, then the wires.
var faultInfos = []FaultInfo{
	{Kind: LateStart, Full: 60, Unit: "s late", lasts: true,
		Does: "nothing at first while the other channels fill", Source: "assumed"},
	{Kind: EarlyStop, Full: 60, Unit: "s early", lasts: true,
		Does: "flat to the end while the other channels fill", Source: "assumed"},
	{Kind: LeakAfterStop, Full: 0.2, Unit: "of the rate", lasts: true,
		Does: "goes on filling after the stop", Source: "assumed"},
	{Kind: HoseFilling, Full: math.Pi / 4 * 0.4 * 0.4 * 100, Unit: "mL of hose",
		Does:   "nothing until the hose is full, 75 s at 10 mL/min; then the slope is right",
		Source: "1 m of 4 mm bore, computed"},
	{Kind: AirBursts, Full: 0.5, Unit: "mL of air in every 5 mL",
		Does:   "plateaus of the slug's volume over the rate; the slope between is right, the total short by the slugs",
		Source: "0.5 mL at 10 mL/min is 3 s, computed; how often assumed"},
	{Kind: KinkedHose, Full: 20, Unit: "s shut", lasts: true,
		Does:   "flat while shut, then what was held comes in a burst of 0.5 s time constant; the slope is the same again",
		Source: "flat, then a burst: estimate; durations assumed"},
	{Kind: BlockedVent, Full: 1, Unit: "of the flow by a second way out at 0.43 bar",
		Does:   "bends over: dV/dt = Q - (P - P0)/R with P = P0 V0/(V0 - V), V0 the tube's free volume",
		Source: "equation from a textbook; 0.43 bar is 30 mL in 100 mL, computed; that share as the scale assumed"},
	{Kind: SlowDrip, Full: dropG, Unit: "g a drop",
		Does:   "a staircase: 43 mg is a spout of 4 mm radius, 21 mg one of 2 mm",
		Source: "2 pi r gamma psi/g, gamma 27 mN/m and psi 0.62 from memory"},
	{Kind: FilmDraining, Full: 0.11, Unit: "mL of film after 60 s",
		Does:   "the empty reading falls as 1/sqrt(t) from 5 s after the tube was emptied until the flow starts",
		Source: "sqrt(mu z/(rho g t)) on a wall of 24 x 100 mm, computed; 5 s assumed"},
	{Kind: Foam, Full: 0.2, Unit: "of gas in what flows in",
		Does:   "the level stands high and sinks back with a life of 30 s; the mass is right",
		Source: "seconds to minutes: estimate; share and life assumed"},
	{Kind: HosePull, Full: 5, Unit: "mN",
		Does: "a step, 102 mg for each mN", Source: "1 mN is 102 mg, computed; 5 mN assumed"},
	{Kind: Knock, Full: 20, Unit: "g",
		Does: "a spike that is gone within a second", Source: "grams in one sample: common practice, no source; size and 0.2 s assumed"},
	{Kind: SpoutDipping, Full: 6, Unit: "mm of spout in 24 mm bore",
		Does:   "from then on too steep by d^2/(24^2 - d^2): 6 mm +6.7 %, 4 mm +2.9 %",
		Source: "A_tube/(A_bottle - A_tube), computed"},
	{Kind: ThermalDrift, Full: 40, Unit: "degC warmer cell",
		Does:   "the zero rises by 0.014 g/degC with a lag of minutes, and goes on after the flow stops",
		Source: "OIML R 60, class C3 of 1 kg: up to 0.07 g per 5 degC; fuel of 40 to 70 degC warms a cell of 20 to 30 that it stands over by up to 40: assumed, as are two lags of 4 min. 30 moves the zero by 0.08 g in the two minutes after three of flow, five standard deviations of a warm cell's walk and drift"},
	{Kind: Creep, Full: 0.05, Unit: "of the load in 30 min",
		Does:   "creeps after the load with a time constant of 10 min, and goes on after the flow stops",
		Source: "assumed, from cell specifications: 0.03 % an ordinary cell (severity 0.006), 0.1 % a cheap one (0.02), 5 % one whose glue or mount yields; 1 % moves the rate of three minutes by 0.14 %, less than its U, and is lost in the walk of the zero after 20 g"},
	{Kind: LampPickup, Wiring: true, Full: 613, Unit: "counts",
		Does:   "a sine of 3.1 Hz",
		Source: "5 to 613 counts at a few Hz, measured on real 24-bit converters; 3.1 Hz assumed"},
	{Kind: Misreads, Wiring: true, Full: 0.012, Unit: "stalls of the reader in each read",
		Does:   "at pin level, as Fault.StallsPerOp: about half of them spoil a read, at 1 about 0.6 % of the reads",
		Source: "0.3 to 0.6 % a read, measured on real 24-bit converters with a reader in user space; the stalls' lengths assumed"},
	{Kind: MissingSamples, Wiring: true, Full: 45, Unit: "s without a sample", lasts: true,
		Does: "a gap: the program stands still", Source: "stalls of loggers, 2 to 45 s, measured on single-board computers"},
	{Kind: StuckCode, Wiring: true, Full: 60, Unit: "s of one code", lasts: true,
		Does: "flat, without noise", Source: "sensor data sheets in general; duration assumed"},
	{Kind: Saturation, Wiring: true, Full: 1.25, Unit: "of half the converter's range",
		Does: "shifted up, and at the end of its range from about 0.8", Source: "sensor data sheets in general; shift assumed"},
	{Kind: BrownOut, Wiring: true, Full: 2, Unit: "s without supply", lasts: true,
		Does:   "no conversions; then settling, and the power-on transient again",
		Source: "settling from the converter's data sheet, transient measured on real 24-bit converters; duration assumed"},
}

// Faults lists every kind of fault. With Options.Counts in place of the cells only
// Misreads, MissingSamples and BrownOut show.
func Faults() []FaultInfo { return append([]FaultInfo(nil), faultInfos...) }

func (k FaultKind) info() (*FaultInfo, error) {
	var names []string
	for i := range faultInfos {
		if faultInfos[i].Kind == k {
			return &faultInfos[i], nil
		}
		names = append(names, string(faultInfos[i].Kind))
	}
	return nil, fmt.Errorf("there is no fault %q: there are %s", k, strings.Join(names, ", "))
}

// PlannedFault is a fault of a run: on one channel, from At after the run's beginning,
// for as long as its kind says. AirBursts, KinkedHose, SpoutDipping and ThermalDrift
// begin with the flow at the earliest. LateStart, EarlyStop, LeakAfterStop, HoseFilling,
// BlockedVent, SlowDrip, FilmDraining, Foam and Creep go with the whole run: their At
// counts for nothing.
type PlannedFault struct {
	Kind     FaultKind
	Channel  int
	Severity float64 // 0 to 1, see Faults
	At       time.Duration
}

// FaultTruth is a fault as it was.
type FaultTruth struct {
	Kind     FaultKind
	Severity float64
	Size     float64       // severity times Full, in the kind's Unit
	From, To time.Duration // elapsed; To is 0 where it lasts to the run's end or longer
}

// effects is what a channel's faults do to the fuel and to what the cell shows. The
// way of the fuel is a chain of functions of the volume that the injector has sent,
// so that the mass at any time can be had without the times before. Where valves
// (Outlets) let only a part of the flow into the tube, creep, dipping and the blocked
// vent still go by the whole.
type effects struct {
	hoseML             float64
	slugML, slugFromML float64
	kinkFrom, kinkTo   int64
	kinkAtML, heldML   float64
	ventK              float64   // mL/s through the second way at an overpressure of P0
	ventLost           []float64 // mL, at multiples of huntStepS
	dropML             float64

	filmML          float64
	foam            []float64 // mL, at multiples of huntStepS
	pullG           float64
	pullFrom        int64
	knockG          float64
	knockAt         int64
	dip, dipFromML  float64
	warmG           float64
	warmFrom        int64
	creep           float64
	crept           []float64 // g of load that has crept in, at multiples of huntStepS
	flowFrom, flowT int64     // of the engine: where the series begin and end
	wires           wires
	truth           []FaultTruth
}

// wires is what is wrong below the cell.
type wires struct {
	lampCounts           float64
	lampFrom             int64
	stallsPerOp          float64
	stallsFrom           int64
	gapFrom, gapTo       int64
	stuckFrom, stuckTo   int64
	offset               float64
	offsetFrom           int64
	dippedFrom, dippedTo int64
}

// set puts a wiring fault of a size in, from a time on. It does nothing for others.
func (w *wires) set(k FaultKind, size float64, from int64) {
	to := from + int64(size*1e9)
	switch k {
	case LampPickup:
		w.lampCounts, w.lampFrom = size, from
	case Misreads:
		w.stallsPerOp, w.stallsFrom = size/opsPerRead, from
	case MissingSamples:
		w.gapFrom, w.gapTo = from, to
	case StuckCode:
		w.stuckFrom, w.stuckTo = from, to
	case Saturation:
		w.offset, w.offsetFrom = size*0x800000, from
	case BrownOut:
		w.dippedFrom, w.dippedTo = from, to
	}
}

// add returns what a wiring fault adds to the counts of a conversion that ends at t.
func (w *wires) add(t int64) float64 {
	v := 0.0
	if w.lampCounts > 0 && t >= w.lampFrom {
		v += w.lampCounts * math.Sin(2*math.Pi*lampHz*float64(t-w.lampFrom)/1e9)
	}
	if w.offset > 0 && t >= w.offsetFrom {
		v += w.offset
	}
	return v
}

func (w *wires) stuck(t int64) bool { return t >= w.stuckFrom && t < w.stuckTo }

func checkSeverity(s float64) error {
	if !(s >= 0 && s <= 1) {
		return fmt.Errorf("severity %g: use 0 (none) to 1", s)
	}
	return nil
}

func (p PlannedFault) check(channels int) (*FaultInfo, error) {
	info, err := p.Kind.info()
	if err != nil {
		return nil, err
	}
	if p.Channel < 0 || p.Channel >= channels {
		return nil, fmt.Errorf("%s on channel %d: the bench has 0 to %d", p.Kind, p.Channel, channels-1)
	}
	if err := checkSeverity(p.Severity); err != nil {
		return nil, fmt.Errorf("%s on channel %d: %w", p.Kind, p.Channel, err)
	}
	if p.At < 0 || p.At > 48*time.Hour {
		return nil, fmt.Errorf("%s on channel %d at %v: use 0 to 48h after the run's beginning", p.Kind, p.Channel, p.At)
	}
	return info, nil
}

// afflict works the plan's faults into the run's channels, in the order that the fuel
// meets them, whatever the order of the plan.
func (r *run) afflict(faults []PlannedFault) error {
	planned := map[FaultKind]map[int]PlannedFault{}
	for _, p := range faults {
		if _, err := p.check(len(r.channels)); err != nil {
			return err
		}
		if p.Severity == 0 {
			continue
		}
		if planned[p.Kind] == nil {
			planned[p.Kind] = map[int]PlannedFault{}
		}
		if _, twice := planned[p.Kind][p.Channel]; twice {
			return fmt.Errorf("%s is planned twice on channel %d: one of a kind in a run", p.Kind, p.Channel)
		}
		planned[p.Kind][p.Channel] = p
	}
	if len(planned) == 0 {
		return nil
	}
	for ch := range r.channels {
		for i := range faultInfos {
			if p, ok := planned[faultInfos[i].Kind][ch]; ok {
				r.afflictOne(ch, p, &faultInfos[i])
			}
		}
	}
	return nil
}

func (r *run) afflictOne(ch int, p PlannedFault, info *FaultInfo) {
	c := &r.channels[ch]
	if c.fx == nil {
		c.fx = &effects{flowFrom: r.flowStart, flowT: r.flowEnd}
	}
	fx := c.fx
	size := p.Severity * info.Full
	from := r.start + int64(p.At)
	flowing := min(max(from, c.from), c.to)
	to := from
	if info.lasts {
		to += int64(size * 1e9)
	}
	steps := r.points
	at := func(k int) int64 { return min(r.flowStart+int64(float64(k)*huntStepS*1e9), r.flowEnd) }
	switch p.Kind {
	case LateStart:
		from = c.from
		to = min(c.from+int64(size*1e9), c.to)
		c.from = to
		c.skipped = r.integral(c, c.from)
	case EarlyStop:
		to = c.to
		c.to = max(c.to-int64(size*1e9), c.from)
		from = c.to
	case LeakAfterStop:
		c.leakMLS = size * c.rateMLS
		from, to = c.to, r.drain // 0 where it does not drain
	case HoseFilling:
		from = c.from
		fx.hoseML = size
	case AirBursts:
		from = flowing
		fx.slugFromML = r.delivered(ch, from)
		fx.slugML = size
	case KinkedHose:
		from = flowing
		to = from + int64(size*1e9)
		fx.kinkAtML = r.delivered(ch, from) // without the kink yet
		fx.heldML = r.delivered(ch, to) - fx.kinkAtML
		fx.kinkFrom, fx.kinkTo = from, to
	case BlockedVent:
		from = c.from
		fx.ventK = size * c.rateMLS * (ventSpaceML - ventML) / ventML
		lost := make([]float64, steps)
		spaceML := max(r.tubeML-c.leftML, 1e-3) // a full tube has next to none
		a := r.delivered(ch, at(0))
		for k := 1; k < steps; k++ {
			b := r.delivered(ch, at(k))
			h := float64(at(k)-at(k-1)) / 1e9
			lost[k] = lost[k-1] + ventStep(a-lost[k-1], b-a, h, fx.ventK, spaceML)
			a = b
		}
		fx.ventLost = lost
	case SlowDrip:
		from = c.from
		fx.dropML = size / r.densityGPerML
	case FilmDraining:
		from, to = r.start, r.flowStart
		fx.filmML = size
	case Foam:
		from = c.from
		fx.foam = make([]float64, steps)
		a := r.delivered(ch, at(0))
		for k := 1; k < steps; k++ {
			b := r.delivered(ch, at(k))
			h := float64(at(k)-at(k-1)) / 1e9
			stay := math.Exp(-h / foamS)
			fx.foam[k] = fx.foam[k-1] * stay
			if h > 0 {
				fx.foam[k] += size * (b - a) / h * foamS * (1 - stay)
			}
			a = b
		}
	case HosePull:
		fx.pullG, fx.pullFrom = size*gPerMN, from
	case Knock:
		fx.knockG, fx.knockAt = size, from
	case SpoutDipping:
		from = flowing
		fx.dip = size * size / (boreMM*boreMM - size*size)
		fx.dipFromML = r.delivered(ch, from)
	case ThermalDrift:
		from = flowing
		fx.warmG, fx.warmFrom = size*cellGPerC, from
	case Creep:
		from = c.from
		fx.creep = size * creepNorm
		fx.crept = make([]float64, steps)
		a := r.delivered(ch, at(0)) * r.densityGPerML
		for k := 1; k < steps; k++ {
			b := r.delivered(ch, at(k)) * r.densityGPerML
			stay := math.Exp(-float64(at(k)-at(k-1)) / 1e9 / creepS)
			fx.crept[k] = fx.crept[k-1]*stay + (1-stay)*(a+b)/2
			a = b
		}
	default:
		fx.wires.set(p.Kind, size, from)
	}
	truth := FaultTruth{Kind: p.Kind, Severity: p.Severity, Size: size, From: time.Duration(from)}
	if info.lasts || p.Kind == FilmDraining {
		truth.To = time.Duration(to)
	}
	fx.truth = append(fx.truth, truth)
}

// ventStep returns what goes by the second way in h seconds, mL, while volume flows
// towards a tube that holds vML of what the run brought, by the midpoint of halves.
func ventStep(vML, inML, h, k, spaceML float64) float64 {
	if h <= 0 {
		return 0
	}
	const parts = 4
	lost := 0.0
	out := func(share float64, lost float64) float64 { // mL/s
		v := min(vML+inML*share-lost, spaceML*(1-1e-6))
		return min(inML/h, k*max(v, 0)/(spaceML-v)) // out of the tube it cannot go
	}
	for i := range parts {
		share, d := float64(i)/parts, h/parts
		half := lost + out(share, lost)*d/2
		lost += out(share+0.5/parts, half) * d
	}
	return lost
}

// arrivedOf returns what has come into the tube at t, of v mL that the injector sent.
func (fx *effects) arrivedOf(v float64, t int64) float64 {
	v = max(0, v-fx.hoseML)
	if w := v - fx.slugFromML; fx.slugML > 0 && w > 0 {
		n := math.Floor(w / airEveryML)
		v -= n*fx.slugML + min(w-n*airEveryML, fx.slugML)
	}
	if fx.kinkTo > fx.kinkFrom && t >= fx.kinkFrom {
		if t < fx.kinkTo {
			v = fx.kinkAtML
		} else {
			v -= fx.heldML * math.Exp(-float64(t-fx.kinkTo)/1e9/kinkReleaseS)
		}
	}
	if fx.ventLost != nil {
		v -= fx.at(fx.ventLost, t)
	}
	if fx.dropML > 0 {
		v = math.Floor(v/fx.dropML) * fx.dropML
	}
	return v
}

// at returns a series' value at t, with straight lines between its points; after the
// flow's end it stays.
func (fx *effects) at(series []float64, t int64) float64 {
	u := float64(max(0, min(t, fx.flowT)-fx.flowFrom)) / 1e9
	k := min(int(u/huntStepS), len(series)-2)
	d := u - float64(k)*huntStepS
	// The last interval ends with the flow, not at a multiple of the step.
	step := min(huntStepS, float64(fx.flowT-fx.flowFrom)/1e9-float64(k)*huntStepS)
	if step <= 0 {
		return series[k]
	}
	return series[k] + (series[k+1]-series[k])*d/step
}

// filmAt returns what is left on the wall of an emptied tube.
func (fx *effects) filmAt(r *run, t int64) float64 {
	if fx.filmML == 0 {
		return 0
	}
	s := float64(max(0, min(t, r.flowStart)-r.start)) / 1e9
	return fx.filmML * math.Sqrt(60/(filmFromS+s))
}

// artefactG returns what the cell shows at t and is not in the tube, of v mL that
// have come.
func (fx *effects) artefactG(r *run, v float64, t int64) float64 {
	g := 0.0
	if fx.pullG != 0 && t >= fx.pullFrom {
		g += fx.pullG
	}
	if fx.knockG != 0 && t >= fx.knockAt {
		g += fx.knockG * math.Exp(-float64(t-fx.knockAt)/1e9/knockS)
	}
	if fx.dip > 0 && v > fx.dipFromML {
		g += fx.dip * (v - fx.dipFromML) * r.densityGPerML
	}
	if fx.warmG != 0 && t > fx.warmFrom {
		x := float64(t-fx.warmFrom) / 1e9 / cellS
		g += fx.warmG * (1 - (1+x)*math.Exp(-x))
	}
	if fx.creep > 0 {
		x := fx.at(fx.crept, t)
		if t > fx.flowT {
			load := v * r.densityGPerML
			x = load + (x-load)*math.Exp(-float64(t-fx.flowT)/1e9/creepS)
		}
		g += fx.creep * x
	}
	return g
}

// foamAt returns the gas in the tube at t, mL.
func (fx *effects) foamAt(t int64) float64 {
	if fx.foam == nil {
		return 0
	}
	x := fx.at(fx.foam, t)
	if t > fx.flowT {
		x *= math.Exp(-float64(t-fx.flowT) / 1e9 / foamS)
	}
	return x
}

// supply is a chip's supply, as brown-outs have it.
type supply struct {
	event int64 // ns, when it goes or comes back; forever: nothing is due
	back  int64
	gone  bool
}

// look finds the next brown-out, after a conversion that ended at a time. It may
// already have begun.
func (s *supply) look(l *Line, ended int64) {
	s.event = forever
	planned, set := l.wires(ended)
	if planned == nil && set == nil {
		return
	}
	for _, w := range [...]*wires{planned, set} {
		if w != nil && w.dippedTo > ended && w.dippedTo > w.dippedFrom {
			s.event, s.back = w.dippedFrom, w.dippedTo
		}
	}
}

// supplied lets the supply go and come back up to t.
func (c *chip) supplied(t int64) {
	s := &c.supply
	if !s.gone {
		if !c.off {
			c.run(s.event)
			c.powerDown(s.event)
		}
		s.gone, s.event = true, s.back
	}
	if t >= s.event {
		at := s.event
		s.gone, s.event = false, forever
		if !bool(c.sck) && !c.l.fault.Load().Unplugged {
			c.powerUp(at)
		}
	}
}

// stallsPerOp returns what named faults have for Fault.StallsPerOp at t.
func (l *Line) stallsPerOp(t int64) float64 {
	x := 0.0
	planned, set := l.wires(t)
	if planned == nil && set == nil {
		return x
	}
	for _, w := range [...]*wires{planned, set} {
		if w != nil && t >= w.stallsFrom {
			x = max(x, w.stallsPerOp)
		}
	}
	return x
}

// busyUntil returns when the program gets round to what is due at t, as it is now.
func (l *Line) busyUntil(now, t int64) int64 {
	planned, set := l.wires(now)
	if planned == nil && set == nil {
		return t
	}
	for _, w := range [...]*wires{planned, set} {
		if w != nil && t >= w.gapFrom && t < w.gapTo {
			t = w.gapTo
		}
	}
	return t
}

// wires returns what is wrong below the cell at t, by the run of that time, which need
// not be the one that the last conversion saw.
func (l *Line) wires(t int64) (planned, set *wires) {
	c := &l.chip.cell
	if fx := l.b.runAt(c.run, t).channels[l.index].fx; fx != nil {
		planned = &fx.wires
	}
	return planned, l.fault.Load().wires
}
