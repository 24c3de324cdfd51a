package plan

import "fmt"

// Positions is which injector each tube takes in a hanging, from 0: element k is the
// injector, from 1, of tube k+1. Over as many hangings as there are injectors each tube takes
// each injector once (a Latin square), so that what a tube adds is told from what an injector
// sends and from the order in time. For even numbers each injector also follows each other
// one on a tube exactly once (Williams, Austral. J. Sci. Res. A 2 (1949) 149, from memory):
// what a wet hose carries over falls on all alike. For odd numbers one square cannot do that.
//
// Hanging 0 is the plain one, tube 1 on injector 1 and so on, and each other moves all
// tubes on by the same number of places, which a person can follow. Beyond that number
// of hangings the square begins anew.
func Positions(injectors, hanging int) []int {
	h := hanging % injectors
	shift := h
	if injectors%2 == 0 { // 0, 1, n-1, 2, n-2, ...
		shift = (h + 1) / 2
		if h%2 == 0 && h > 0 {
			shift = injectors - h/2
		}
	}
	out := make([]int, injectors)
	for k := range out {
		out[k] = (k+shift)%injectors + 1
	}
	return out
}

// Times is how long a person's steps take, in seconds.
type Times struct {
	WarmUpS float64 `json:"warm_up_s"` // engine warm before the first run of a phase
	SettleS float64 `json:"settle_s"`  // engine running again after a new hanging
	StillS  float64 `json:"still_s"`   // nothing flows into the tubes, before and after each run
	RunS    float64 `json:"run_s"`     // collecting
	DrainS  float64 `json:"drain_s"`   // tubes emptied and drained
	HangS   float64 `json:"hang_s"`    // tubes and hoses taken off and put on, engine stopped
}

// DefaultTimes: a run and its rests as the bench's config has them, the drain for the film on
// the wall of a tube; the others are common practice, no source. Fuel warms with a time
// constant of 3 to 10 minutes (an estimate), so the first run waits for a quarter of an hour.
func DefaultTimes() Times {
	return Times{WarmUpS: 900, SettleS: 180, StillS: 30, RunS: 180, DrainS: 60, HangS: 300}
}

// Check says which time is out of range; names are those of the fields in words.
func (t Times) Check() error {
	for _, x := range []struct {
		what       string
		v, lo, hi  float64
		why, units string
	}{
		{"collecting", t.RunS, 10, 3600, "", "s"},
		{"rest", t.StillS, 5, 600, ", as a shorter one does not show the zero's drift", "s"},
		{"emptying and draining", t.DrainS, 0, 3600, "", "s"},
		{"hanging", t.HangS, 0, 7200, "", "s"},
		{"warming up", t.WarmUpS, 0, 7200, "", "s"},
		{"settling", t.SettleS, 0, 7200, "", "s"},
	} {
		if !(x.v >= x.lo && x.v <= x.hi) {
			return fmt.Errorf("%s takes %g s: use %g to %g s%s", x.what, x.v, x.lo, x.hi, x.why)
		}
	}
	return nil
}

// What a step is.
const (
	DoHang  = "hang"
	DoWarm  = "warm"
	DoNote  = "note"
	DoStill = "still"
	DoRun   = "run"
	DoDrain = "drain"
	DoTreat = "treat" // what is tried: between the phases
)

// Step is one thing that a person does.
type Step struct {
	Phase   string  `json:"phase"`
	Hanging int     `json:"hanging"` // in its phase, from 1; 0 between phases
	Run     int     `json:"run"`     // in its hanging, from 1; 0 where it belongs to none
	Do      string  `json:"do"`
	Seconds float64 `json:"s"`
	Engine  bool    `json:"engine_runs"`
	// Positions is the injector of each tube, of a step that hangs.
	Positions []int `json:"positions,omitempty"`
}

// Sheet is the steps of a plan in their order.
type Sheet struct {
	Times     Times   `json:"times"`
	Injectors int     `json:"injectors"`
	EngineS   float64 `json:"engine_s"` // the engine runs
	TotalS    float64 `json:"total_s"`  // all of it, without what is done between the phases
	Steps     []Step  `json:"steps"`
}

// Phase is one phase of a sheet.
type Phase struct {
	Name     string
	Hangings int
}

// SheetOf writes out the steps. With rotate the tubes go round by Positions, the same way in each
// phase, so that what a tube adds leaves the change alone; else they hang on their own
// injectors each time.
func SheetOf(injectors, runs int, phases []Phase, t Times, rotate bool) Sheet {
	s := Sheet{Times: t, Injectors: injectors}
	add := func(x Step) {
		s.Steps = append(s.Steps, x)
		s.TotalS += x.Seconds
		if x.Engine {
			s.EngineS += x.Seconds
		}
	}
	for p, phase := range phases {
		if p > 0 {
			add(Step{Phase: phase.Name, Do: DoTreat})
		}
		for h := range phase.Hangings {
			x := Step{Phase: phase.Name, Hanging: h + 1}
			step := func(do string, seconds float64, engine bool) {
				x.Do, x.Seconds, x.Engine = do, seconds, engine
				add(x)
			}
			x.Positions = Positions(injectors, 0)
			if rotate {
				x.Positions = Positions(injectors, h)
			}
			step(DoHang, t.HangS, false)
			x.Positions = nil
			if h == 0 {
				step(DoWarm, t.WarmUpS, true)
			} else {
				step(DoWarm, t.SettleS, true)
			}
			for r := range runs {
				x.Run = r + 1
				step(DoNote, 0, true)
				step(DoStill, t.StillS, true)
				step(DoRun, t.RunS, true)
				step(DoStill, t.StillS, true)
				// After a hanging's last run the engine is stopped for the next.
				step(DoDrain, t.DrainS, r+1 < runs)
			}
		}
	}
	return s
}
