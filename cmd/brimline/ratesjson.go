package main

import (
	"encoding/json"
	"io"
	"maps"
	"math"
	"slices"

	"brimline/analysis/rate"
)

// The JSON of rates. Names are part of the schema: add, never rename.
type (
	ratesJSON struct {
		Schema   string       `json:"schema"`
		Source   string       `json:"source"`
		Engine   string       `json:"engine,omitempty"`
		Phase    string       `json:"phase,omitempty"`
		Finding  string       `json:"finding"`
		Next     string       `json:"next,omitempty"`
		Allowed  bool         `json:"finding_allowed"`
		Caution  string       `json:"caution"`
		Set      []memberJSON `json:"set"`
		Fills    []fillJSON   `json:"fills"`
		Events   []eventJSON  `json:"events"`
		Own      []ownJSON    `json:"own_limits"` // what is beyond the user's own limits
		RunFlags []flagJSON   `json:"run_flags"`  // of runs as a whole: the engine's or the bench's
		Warnings []string     `json:"warnings"`
	}
	memberJSON struct {
		Injector string   `json:"injector"`
		Runs     int      `json:"runs"`
		Mean     float64  `json:"mean_rate"`
		U95      float64  `json:"mean_u95"`
		DF       *float64 `json:"df"`
		Unit     string   `json:"unit"`
		Ratio    float64  `json:"ratio"`
		RatioU95 float64  `json:"ratio_u95"`
		P        float64  `json:"p"`
		Standing string   `json:"standing"`
		Why      string   `json:"why"`
		Need     string   `json:"need,omitempty"` // what would tell, where it cannot be told
	}
	ownJSON struct {
		Injector string `json:"injector"`
		Code     string `json:"code"`
		Says     string `json:"says"`
	}
	fillJSON struct {
		Channel    string       `json:"channel"`
		Run        int          `json:"run,omitempty"`
		Injector   int          `json:"injector,omitempty"`
		Kind       string       `json:"kind"`
		StartS     *float64     `json:"start_s"`
		EndS       *float64     `json:"end_s"`
		G          *float64     `json:"rate_g_per_min"`
		ML         *float64     `json:"rate_ml_per_min"`
		AtC        *float64     `json:"at_c"` // temperature of the millilitres, °C
		UnitOfU    string       `json:"unit_of_u"`
		U          *float64     `json:"u"`
		U95        *float64     `json:"u95"`
		K          *float64     `json:"k"` // u95 is k u
		DF         *float64     `json:"df"`
		UML        *float64     `json:"u_ml_per_min"`
		U95ML      *float64     `json:"u95_ml_per_min"`
		KML        *float64     `json:"k_ml"`
		DFML       *float64     `json:"df_ml"`
		Steady     bool         `json:"steady"`
		Trend      *float64     `json:"trend_percent"`
		UTrend     *float64     `json:"u_trend_percent"`
		Pulsation  *float64     `json:"pulsation_percent"` // the strongest wave as one of the flow, amplitude; 0: none found
		PulseHz    *float64     `json:"pulsation_hz"`
		Gain       *float64     `json:"gain"`
		Samples    int          `json:"samples"`
		LeftOut    int          `json:"left_out"`       // values of the fill that were no measurement, or missing
		UnitOfTerm string       `json:"unit_of_budget"` // of each u of budget
		Budget     []termJSON   `json:"budget"`
		Advice     string       `json:"advice,omitempty"` // what would make U smaller
		Rolling    *rollingJSON `json:"rolling"`          // the rate within the fill, over stretches side by side, in unit_of_u; null: none
		Flags      []flagJSON   `json:"flags"`
		Excluded   bool         `json:"excluded,omitempty"`
	}
	termJSON struct {
		Name  string   `json:"name"`
		Kind  string   `json:"kind"` // "A": estimated from readings; "B": from what else is known
		Basis string   `json:"basis"`
		U     *float64 `json:"u"`
		DF    *float64 `json:"df"`    // null: no limit
		Share *float64 `json:"share"` // of the sum of squares, 0 to 1
	}
	rollingJSON struct {
		StretchS float64    `json:"stretch_s"` // each rate is over so long
		AtS      []float64  `json:"at_s"`      // its middle
		Rate     []*float64 `json:"rate"`
		U        []*float64 `json:"u"`
	}
	flagJSON struct {
		Run      int           `json:"run,omitempty"` // of a flag in run_flags
		Code     string        `json:"code"`
		Severity string        `json:"severity"`
		Says     string        `json:"says"`         // what was seen, and do where there is one
		Do       string        `json:"do,omitempty"` // what to do about it
		Evidence *evidenceJSON `json:"evidence"`     // null: none in numbers
	}
	evidenceJSON struct {
		FromS  *float64 `json:"from_s"`
		ToS    *float64 `json:"to_s"`
		Size   *float64 `json:"size"`
		U      *float64 `json:"u"`
		Unit   string   `json:"unit"`
		Chance *float64 `json:"chance"` // that the noise of a sound fill shows as much
	}
	eventJSON struct {
		Channel string   `json:"channel"`
		Kind    string   `json:"kind"`
		StartS  float64  `json:"start_s"`
		EndS    float64  `json:"end_s"`
		Size    *float64 `json:"size"`
		Unit    string   `json:"unit,omitempty"`
	}
)

// finiteOrNil is a number for JSON, which has no NaN and no infinity.
func finiteOrNil(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}

func (s *ratedSet) json() ratesJSON {
	out := ratesJSON{Schema: ratesSchema, Source: s.source, Engine: s.engine, Phase: s.phase, Finding: s.finding, Next: s.next, Allowed: s.allowed, Caution: screenCaution, Own: []ownJSON{},
		Set: []memberJSON{}, Fills: []fillJSON{}, Events: []eventJSON{}, RunFlags: []flagJSON{}, Warnings: append([]string{}, s.warnings...)}
	for _, n := range s.own {
		out.Own = append(out.Own, ownJSON(n))
	}
	scale := s.perMeasured()
	for _, m := range s.members {
		out.Set = append(out.Set, memberJSON{Injector: m.Injector, Runs: m.Runs, Mean: m.Mean * scale, U95: m.U95 * scale, DF: finiteOrNil(m.DF), Unit: s.unit(),
			Ratio: m.Ratio, RatioU95: m.RatioU95, P: m.P, Standing: string(m.Standing), Why: m.Why, Need: m.Need})
	}
	for _, f := range s.fits {
		for _, x := range f.Result.Fills {
			out.Fills = append(out.Fills, s.fillJSON(f, x))
		}
		for _, e := range f.Result.Events {
			j := eventJSON{Channel: f.Curve.Channel, Kind: e.Kind, StartS: e.StartS, EndS: e.EndS}
			if e.Size > 0 {
				j.Size, j.Unit = finiteOrNil(e.Size), string(f.Curve.Unit)
			}
			out.Events = append(out.Events, j)
		}
	}
	for _, run := range slices.Sorted(maps.Keys(s.runFlags)) {
		for _, g := range s.runFlags[run] {
			j := flagJSONOf(g)
			j.Run = run
			out.RunFlags = append(out.RunFlags, j)
		}
	}
	return out
}

func (s *ratedSet) fillJSON(f fitted, x rate.Fill) fillJSON {
	j := fillJSON{Channel: x.Channel, Run: f.Run, Injector: f.Injector, Kind: string(x.Kind), StartS: finiteOrNil(x.StartS), EndS: finiteOrNil(x.EndS),
		G: finiteOrNil(x.RateGPerMin), ML: finiteOrNil(x.RateMLPerMin), AtC: finiteOrNil(atC(x)), UnitOfU: string(x.Unit) + "/min",
		U: finiteOrNil(x.U), U95: finiteOrNil(x.U95), K: finiteOrNil(x.K), DF: finiteOrNil(x.DF),
		UML: finiteOrNil(x.UMLPerMin), U95ML: finiteOrNil(x.U95MLPerMin), KML: finiteOrNil(x.KMLPerMin), DFML: finiteOrNil(x.DFMLPerMin),
		Steady: x.Steady, Trend: finiteOrNil(100 * x.Trend), UTrend: finiteOrNil(100 * x.UTrend), Pulsation: finiteOrNil(100 * x.Pulsation), PulseHz: finiteOrNil(x.PulsationHz), Gain: finiteOrNil(x.Gain), Samples: x.Samples, LeftOut: x.LeftOut,
		Budget: []termJSON{}, Advice: adviceOn(x), Flags: []flagJSON{}, Excluded: s.isExcluded(f.Run)}
	j.UnitOfTerm, _, _, _, _ = budgetOf(x)
	for _, t := range x.Budget {
		j.Budget = append(j.Budget, termJSON{t.Name, t.Kind, t.Basis, finiteOrNil(t.U), finiteOrNil(t.DF), finiteOrNil(shareOf(t, x.Budget))})
	}
	if len(x.Rolling) > 0 {
		// More than a hundredth of u is nothing but length.
		digits := func(v, u float64) *float64 {
			if p := math.Pow(10, math.Floor(math.Log10(u))-1); u > 0 {
				v = math.Round(v/p) * p
			}
			return finiteOrNil(v)
		}
		j.Rolling = &rollingJSON{StretchS: math.Round(100*x.RollingS) / 100}
		next := math.Inf(-1)
		for _, r := range x.Rolling {
			if r.AtS < next { // overlaps the last
				continue
			}
			next = r.AtS + 0.999*x.RollingS
			j.Rolling.AtS = append(j.Rolling.AtS, math.Round(100*r.AtS)/100)
			j.Rolling.Rate = append(j.Rolling.Rate, digits(r.Rate, r.U))
			j.Rolling.U = append(j.Rolling.U, digits(r.U, r.U))
		}
	}
	for _, g := range x.Flags {
		j.Flags = append(j.Flags, flagJSONOf(g))
	}
	return j
}

func flagJSONOf(g rate.Flag) flagJSON {
	j := flagJSON{Code: g.Code, Severity: g.Severity.String(), Says: g.Text(), Do: g.Do}
	if e := g.Evidence; seen(e) {
		j.Evidence = &evidenceJSON{finiteOrNil(e.FromS), finiteOrNil(e.ToS), finiteOrNil(e.Size), finiteOrNil(e.U), e.Unit, finiteOrNil(e.Chance)}
	}
	return j
}

func (s *ratedSet) writeJSON(w io.Writer) error { return writeJSON(w, s.json()) }

// writeJSON writes v indented, for people who look at it too.
func writeJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(v)
}
