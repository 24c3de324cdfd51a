package simbench_test

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"brimline/rig"
	"brimline/rig/simbench"
)

// table reads a file of testdata: comments, a header, rows.
func table(t testing.TB, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatalf("%s: %d rows, %v", name, len(rows), err)
	}
	var out []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, h := range rows[0] {
			m[h] = row[i]
		}
		out = append(out, m)
	}
	return out
}

func number(t testing.TB, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// testdata/viscosity_d341.csv, computed from ASTM D341's equation by solving it, with
// another program: ten figures are given, eight are asked for.
func TestViscosityByD341(t *testing.T) {
	for _, row := range table(t, "viscosity_d341.csv") {
		x := func(column string) float64 { return number(t, row[column]) }
		f := simbench.Fuel{ViscosityMM2S: [2]float64{x("v1_mm2_s"), x("v2_mm2_s")}, AtC: [2]float64{x("t1_C"), x("t2_C")}}
		want := x("v_exact_inverse_mm2_s")
		if got := f.ViscosityMM2PerS(x("t_C")); math.Abs(got-want) > 5e-8*want {
			t.Errorf("%s at %s degC: %.8g mm2/s, want %.8g", row["case"], row["t_C"], got, want)
		}
		// The published inverse is another function that gives the same to 0.1 %, by its own claim.
		if got, published := f.ViscosityMM2PerS(x("t_C")), x("v_published_inverse_mm2_s"); math.Abs(got-published) > 1e-3*published {
			t.Errorf("%s at %s degC: %.6g mm2/s, the published inverse %.6g", row["case"], row["t_C"], got, published)
		}
	}
}

// testdata/return_flow_model.csv: textbook equations, computed with another program.
// Its viscosity is printed with three figures; 2.75 mm2/s of 0.820 g/mL is 2.255.
func TestReturnFlowAgreesWithTheTable(t *testing.T) {
	guides, spills := 0, 0
	for _, row := range table(t, "return_flow_model.csv") {
		e := simbench.DefaultEngine()
		e.RailMPa = number(t, strings.TrimPrefix(row["pressure"], "p_MPa "))
		e.Injectors = e.Injectors[:1]
		i := &e.Injectors[0]
		i.OpenMS, i.EventsPerCycle = 1.5, 1
		name, value, _ := strings.Cut(row["parameter"], " ")
		want := number(t, row["mL_min"])
		switch name {
		case "clearance_um":
			guides++
			i.ClearanceUM, i.Eccentricity = number(t, value), 0
			if got := e.Return(1, 40).GuideMLPerMin; math.Abs(got-want) > 1e-4*want {
				t.Errorf("%v: guide %.5f mL/min", row, got)
			}
			i.Eccentricity, want = 1, number(t, row["mL_min_fully_eccentric"])
			if got := e.Return(1, 40).GuideMLPerMin; math.Abs(got-want) > 1e-4*want {
				t.Errorf("%v: eccentric guide %.5f mL/min", row, got)
			}
		case "rpm":
			spills++
			e.RPM = number(t, value)
			if got := e.Return(1, 40).SpillMLPerMin; math.Abs(got-want) > 1e-4*want {
				t.Errorf("%v: spill %.5f mL/min", row, got)
			}
		default:
			t.Fatalf("a row of the table with parameter %q", name)
		}
	}
	if guides != 20 || spills != 8 {
		t.Errorf("%d rows of guides and %d of spills, want 20 and 8", guides, spills)
	}
}

// What the equations say goes with what, for the parts one by one.
func TestReturnFlowScales(t *testing.T) {
	base := simbench.DefaultEngine()
	ratio := func(change func(*simbench.Engine), part func(simbench.Parts) float64) float64 {
		e := simbench.DefaultEngine()
		change(&e)
		return part(e.Return(1, 40)) / part(base.Return(1, 40))
	}
	guide := func(p simbench.Parts) float64 { return p.GuideMLPerMin }
	spill := func(p simbench.Parts) float64 { return p.SpillMLPerMin }
	seat := func(p simbench.Parts) float64 { return p.SeatMLPerMin }
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"clearance x1.5, cubed", ratio(func(e *simbench.Engine) { e.Injectors[0].ClearanceUM *= 1.5 }, guide), 3.375},
		{"without thickening, pressure doubled", ratio(func(e *simbench.Engine) { e.Fuel.ThickeningPerGPa, e.RailMPa = 0, 54 }, guide) /
			ratio(func(e *simbench.Engine) { e.Fuel.ThickeningPerGPa = 0 }, guide), 2},
		{"guide at twice the speed", ratio(func(e *simbench.Engine) { e.RPM *= 2 }, guide), 1},
		{"spill at twice the speed", ratio(func(e *simbench.Engine) { e.RPM *= 2 }, spill), 2},
		{"spill at four times the pressure", ratio(func(e *simbench.Engine) { e.RailMPa *= 4 }, spill), 2},
		{"no events", ratio(func(e *simbench.Engine) { e.Injectors[0].EventsPerCycle = 0 }, spill), 0},
		{"worn seat at four times the pressure", ratio(func(e *simbench.Engine) { e.RailMPa *= 4 }, seat), 2},
		{"scratched seat at four times the pressure", ratio(func(e *simbench.Engine) { e.RailMPa *= 4; e.Injectors[0].SeatScratch = true }, seat), 4},
	} {
		if math.Abs(c.got-c.want) > 1e-9 {
			t.Errorf("%s: %.6g times, want %g", c.name, c.got, c.want)
		}
	}
	// -2.0 %/degC of viscosity at 40 degC.
	if got := base.Return(1, 41).GuideMLPerMin/base.Return(1, 40).GuideMLPerMin - 1; math.Abs(got-0.020) > 0.001 {
		t.Errorf("1 degC warmer: %+.4f of the guide's part, want +0.020", got)
	}
	for i := range base.Injectors {
		if q := base.Return(i+1, base.WarmC).MLPerMin(); q < 5 || q > 20 {
			t.Errorf("injector %d sends back %.2f mL/min at a warm idle, want 5 to 20", i+1, q)
		}
	}
	if q := base.Return(7, 40); q != (simbench.Parts{}) {
		t.Errorf("an injector that is not there: %+v", q)
	}
}

// The curves of an engine stated by its sizes: the rate at each moment is the sum of
// the parts at the guides' temperature then.
func TestEngineFillsTheTubes(t *testing.T) {
	w := quiet()
	e := simbench.DefaultEngine()
	e.RailSD, e.RPMSD = 0, 0
	w.Engine, w.RatesMLPerMin = &e, nil
	w.WarmUp, w.Afternoon = 4*time.Minute, 20*time.Minute
	b := newBench(t, simbench.Options{Channels: 2, World: w})
	if err := b.Advance(10 * time.Minute); err != nil {
		t.Fatal(err)
	}
	r := start(t, b, simbench.RunPlan{Flow: 5 * time.Minute})
	deficit := (e.WarmC - e.ColdC) * math.Exp(-0.5)
	var first, last float64
	for ch := range 2 {
		for at := time.Duration(0); at < 5*time.Minute; at += time.Second {
			mid := at + time.Second/2
			want := e.Return(ch+1, e.WarmC-deficit*math.Exp(-mid.Minutes()/4)).MLPerMin()
			x := truth(t, b, ch, r.FlowStart+at, r.FlowStart+at+time.Second)
			// The mean over a second is the value at its middle to 1e-7; points 0.25 s apart likewise.
			if math.Abs(x.RateMLPerMin-want) > 1e-6 || math.Abs(x.VolumeML*60-want) > 1e-6 {
				t.Fatalf("injector %d at %v: rate %.8f, volume %.8f mL/min, the parts say %.8f", ch+1, mid, x.RateMLPerMin, x.VolumeML*60, want)
			}
			if at == 0 {
				first = want
			}
			last = want
		}
	}
	if rise := last/first - 1; rise < 0.02 || rise > 0.15 {
		t.Errorf("5 min of warming raise the flow by %.3f: 4 degC at 2 %% of half the flow are expected", rise)
	}
	// A worn guide and an injector that does not fire stand apart.
	e.Injectors[1].ClearanceUM *= 1.5
	e.Injectors[2].EventsPerCycle = 0
	b = newBench(t, simbench.Options{Channels: 3, World: w})
	r = start(t, b, simbench.RunPlan{Flow: time.Minute})
	rate := func(ch int) float64 { return truth(t, b, ch, r.FlowStart, r.FlowEnd).RateMLPerMin }
	if rate(1) < 1.8*rate(0) || rate(2) > 0.6*rate(0) || rate(2) <= 0 {
		t.Errorf("sound %.2f, worn %.2f, not firing %.2f mL/min", rate(0), rate(1), rate(2))
	}
}

// Pressure and speed move all injectors together, each as its parts say.
func TestRailHuntingIsShared(t *testing.T) {
	w := quiet()
	e := simbench.DefaultEngine()
	e.ColdC = e.WarmC
	w.Engine, w.RatesMLPerMin, w.Hunting = &e, nil, 3*time.Second
	for _, c := range []struct {
		name          string
		rail, rpm     float64
		want, wantTol float64
	}{
		{"rail", 0.02, 0, 0.015, 0.005}, // between the root and the first power of 2 %
		{"speed", 0, 0.02, 0.012, 0.005},
	} {
		e.RailSD, e.RPMSD = c.rail, c.rpm
		b := newBench(t, simbench.Options{Seed: 3, Channels: 2, World: w})
		r := start(t, b, simbench.RunPlan{Flow: time.Hour})
		var a, z []float64
		for at := r.FlowStart; at < r.FlowEnd; at += time.Second {
			for ch, to := range []*[]float64{&a, &z} {
				x := truth(t, b, ch, at, at+time.Second)
				*to = append(*to, x.VolumeML*60/x.RateMLPerMin-1)
			}
		}
		if got := sd(a); math.Abs(got-c.want) > c.wantTol {
			t.Errorf("%s: the flow hunts by %.4f, want %.4f", c.name, got, c.want)
		}
		k := sd(z) / sd(a)
		for i := range a {
			if math.Abs(z[i]-k*a[i]) > 1e-6 {
				t.Fatalf("%s: the injectors do not hunt together: %g and %g", c.name, a[i], z[i])
			}
		}
	}
}

// testdata/alias_idle.csv says where engine orders fold at 10 samples a second. A
// simulated board's rate is not quite 10: the engine runs at the table's speed times
// the board's factor, and all frequencies with it.
func TestOrdersFold(t *testing.T) {
	rows := table(t, "alias_idle.csv")
	folded := 0
	for _, c := range []struct {
		sps    int
		column string
		speed  float64
	}{{10, "alias_10SPS_Hz", 1}, {80, "alias_80SPS_Hz", 1}, {10, "alias_10SPS_of_f+0.5pct_rpm_Hz", 1.005}} {
		sps, column := c.sps, c.column
		probe := newBench(t, simbench.Options{Seed: 5, Channels: 1, SPS: sps, World: quiet()})
		factor := 1 / (truth(t, probe, 0, 0, 1).Period.Seconds() * float64(sps))
		for _, row := range rows {
			order, rpm := number(t, row["order"]), number(t, row["rpm"])*c.speed*factor
			w := quiet()
			w.PulsationHz = rpm / 120
			w.Orders = []simbench.Order{{Order: order, Counts: 3000}}
			b := newBench(t, simbench.Options{Seed: 5, Channels: 1, SPS: sps, World: w})
			start(t, b, simbench.RunPlan{Flow: time.Minute, Blocked: []int{0}})
			var k keep
			if err := b.Record(&k, 25*time.Second); err != nil {
				t.Fatal(err)
			}
			// What a boxcar of one period leaves of a sine: |sin x/x|, from a textbook.
			x := math.Pi * rpm / 60 * order * truth(t, b, 0, 0, 1).Period.Seconds()
			want := 3000 * math.Abs(math.Sin(x)/x)
			hz, amplitude := loudest(k.samples, float64(sps)*factor)
			if want < 30 { // a notch of the filter: whole periods in each conversion
				if amplitude > want+3 {
					t.Errorf("%d SPS, %v: %.1f counts left in a notch, want %.1f", sps, row, amplitude, want)
				}
				continue
			}
			folded++
			if alias := number(t, row[column]) * factor; math.Abs(hz-alias) > 0.05 {
				t.Errorf("%d SPS, %v: %.3f Hz, want %.3f", sps, row, hz, alias)
			}
			// At half the rate the amplitude depends on the phase.
			if hz < 0.45*float64(sps)*factor && math.Abs(amplitude-want) > 0.06*want {
				t.Errorf("%d SPS, %v: %.0f counts, want %.0f", sps, row, amplitude, want)
			}
		}
	}
	if folded < 90 {
		t.Errorf("only %d of 126 orders, rates and speeds are not in a notch", folded)
	}
}

// loudest returns the frequency with the largest Fourier amplitude.
func loudest(samples []rig.Sample, fs float64) (hz, amplitude float64) {
	samples = samples[20:]
	n := float64(len(samples))
	look := func(from, to, step float64) {
		for f := max(0, from); f <= min(to, fs/2+1e-9); f += step {
			re, im := 0.0, 0.0
			turn := 2 * math.Pi * f / fs
			c, s, cc, ss := 1.0, 0.0, math.Cos(turn), math.Sin(turn)
			for _, x := range samples {
				v := float64(x.Counts)
				re, im = re+v*c, im+v*s
				c, s = c*cc-s*ss, c*ss+s*cc
			}
			if a := 2 * math.Hypot(re, im) / n; a > amplitude {
				hz, amplitude = f, a
			}
		}
	}
	look(0, fs/2, 0.02)
	look(hz-0.02, hz+0.02, 0.001)
	return hz, amplitude
}

func TestEngineRefusals(t *testing.T) {
	for _, c := range []struct {
		says   string
		change func(*simbench.Engine)
	}{
		{"no injectors", func(e *simbench.Engine) { e.Injectors = nil }},
		{"RailMPa is 0", func(e *simbench.Engine) { e.RailMPa = 0 }},
		{"ClearanceUM of injector 2 is NaN", func(e *simbench.Engine) { e.Injectors[1].ClearanceUM = math.NaN() }},
		{"warmer with the lower viscosity", func(e *simbench.Engine) { e.Fuel.ViscosityMM2S = [2]float64{2, 3} }},
		{"1 degC or more apart", func(e *simbench.Engine) { e.Fuel.AtC[1] = e.Fuel.AtC[0] }},
		{"injector 1 would send back", func(e *simbench.Engine) { e.Injectors[0].ClearanceUM = 50 }},
	} {
		w, e := simbench.DefaultWorld(), simbench.DefaultEngine()
		c.change(&e)
		w.Engine = &e
		if _, err := simbench.New(simbench.Options{World: &w}); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v, want an error that says %q", err, c.says)
		}
	}
	w := simbench.DefaultWorld()
	w.Orders = []simbench.Order{{Order: -1}}
	if _, err := simbench.New(simbench.Options{World: &w}); err == nil || !strings.Contains(err.Error(), "Orders[0]") {
		t.Errorf("order -1: %v", err)
	}
}

// testdata/buoyancy.csv: OIML D 28, masses of 8 g/mL; mass over what a scale set with them shows.
func TestBuoyancy(t *testing.T) {
	for _, row := range table(t, "buoyancy.csv") {
		w := quiet()
		w.AirGPerML, w.DensityGPerML = number(t, row["rho_air_kg_m3"])/1000, number(t, row["liquid_rho_kg_m3"])/1000
		b := newBench(t, simbench.Options{Channels: 1, World: w})
		r := start(t, b, simbench.RunPlan{Flow: 4 * time.Minute, LeftInML: []float64{0}})
		var k keep
		if err := b.Record(&k, r.FlowEnd+time.Second); err != nil {
			t.Fatal(err)
		}
		last := k.samples[len(k.samples)-1]
		x := truth(t, b, 0, r.FlowStart, last.Elapsed)
		if want := 48 * w.DensityGPerML; math.Abs(x.MassG-want) > 1e-9 {
			t.Errorf("%.4f g in the tube, want %.4f", x.MassG, want)
		}
		if got, want := x.MassG/(x.MassG+x.AirG), number(t, row["buoyancy_factor"]); math.Abs(got-want) > 1e-8 {
			t.Errorf("%v: a factor of %.9f, want %.9f", row, got, want)
		}
		if shown := float64(last.Counts) / 2000; math.Abs(x.MassG+x.AirG-shown) > 0.3e-3 {
			t.Errorf("truth %+v does not account for %.5f g", x, shown)
		}
	}
}

// The zero's drift, the hose's pull and the board's clock stay within what the world says,
// differ from run to run, and the truth accounts for them.
func TestUnrest(t *testing.T) {
	w := quiet()
	w.DriftGPerH, w.PullChangeG, w.TimeBasePPM = 0.5, 0.05, 50
	var drifts, pulls, halves, ppm []float64
	for seed := range uint64(200) {
		b := newBench(t, simbench.Options{Seed: seed, Channels: 1, World: w})
		r := start(t, b, simbench.RunPlan{Still: 10 * time.Second, Flow: 3 * time.Minute, LeftInML: []float64{0}})
		x := truth(t, b, 0, r.FlowStart, r.FlowEnd)
		drifts = append(drifts, x.DriftG/(190./3600))
		pulls = append(pulls, x.PullG)
		halves = append(halves, truth(t, b, 0, r.FlowStart, r.FlowStart+90*time.Second).PullG/x.PullG)
		// 12 mL/min of the truth; the board's minute is longer or shorter.
		if math.Abs(x.RateMLPerMin-12) > 1e-9 {
			t.Fatalf("seed %d: true rate %.9f mL/min, want 12", seed, x.RateMLPerMin)
		}
		ppm = append(ppm, (x.VolumeML/36-1)*1e6)
		if seed > 0 {
			continue
		}
		var k keep
		if err := b.Record(&k, r.FlowEnd+time.Minute); err != nil {
			t.Fatal(err)
		}
		for _, s := range k.samples {
			if s.Quality != rig.Good || s.Elapsed == 0 {
				continue
			}
			x := truth(t, b, 0, 0, s.Elapsed)
			if g := float64(s.Counts) / 2000; math.Abs(g-x.MassG-x.PullG-x.DriftG) > 0.3e-3 {
				t.Fatalf("%v: %.5f g, the truth accounts for %.5f", s.Elapsed, g, x.MassG+x.PullG+x.DriftG)
			}
		}
	}
	for _, c := range []struct {
		name  string
		x     []float64
		limit float64
	}{{"drift, g/h", drifts, 0.5}, {"change of pull, g", pulls, 0.05}, {"clock, ppm", ppm, 50}} {
		// A rectangular distribution has a standard deviation of its half width over sqrt(3);
		// over 200 it is found within a tenth.
		limit := c.limit
		if c.name == "change of pull, g" { // one that relaxes has gone 78 % of its way after three minutes
			limit *= math.Sqrt((1 + 0.777*0.777) / 2)
		}
		if got, want := sd(c.x), limit/math.Sqrt(3); math.Abs(got-want) > 0.1*want {
			t.Errorf("%s: standard deviation %.4g, want %.4g", c.name, got, want)
		}
		for _, x := range c.x {
			if math.Abs(x) > c.limit*(1+1e-6) {
				t.Errorf("%s: %g is beyond %g", c.name, x, c.limit)
			}
		}
	}
	even := 0
	for _, h := range halves {
		if math.Abs(h-0.5) < 1e-9 {
			even++
		} else if want := -math.Expm1(-0.75) / -math.Expm1(-1.5); math.Abs(h-want) > 1e-9 {
			t.Errorf("after half the flow %.4f of the change: want a half or %.4f", h, want)
		}
	}
	if even < 70 || even > 130 {
		t.Errorf("%d of 200 hoses pull evenly more, want about half", even)
	}
}

// A step of the idle's speed moves all channels at once: by itself, or an Engine's spill.
func TestIdleStep(t *testing.T) {
	step := simbench.IdleStep{At: 70 * time.Second, Speed: 0.1}
	plan := simbench.RunPlan{Still: 10 * time.Second, Flow: 2 * time.Minute, IdleStep: step}
	for _, engine := range []bool{false, true} {
		w := quiet()
		e := simbench.DefaultEngine()
		e.RailSD, e.RPMSD, e.ColdC = 0, 0, e.WarmC
		if engine {
			w.Engine, w.RatesMLPerMin = &e, nil
		}
		b := newBench(t, simbench.Options{Channels: 2, World: w})
		r := start(t, b, plan)
		at := r.Start + step.At
		for ch := range 2 {
			before, after := truth(t, b, ch, r.FlowStart, at), truth(t, b, ch, at+time.Second, r.FlowEnd)
			want := 1.1
			if engine {
				p := e.Return(ch+1, e.WarmC)
				want = 1 + 0.1*p.SpillMLPerMin/p.MLPerMin()
			}
			if got := after.RateMLPerMin / before.RateMLPerMin; math.Abs(got-want) > 1e-9 {
				t.Errorf("engine %v, channel %d: the rate goes to %.6f of itself, want %.6f", engine, ch, got, want)
			}
			if math.Abs(after.VolumeML-after.RateMLPerMin*(r.FlowEnd-at-time.Second).Minutes()) > 1e-9 {
				t.Errorf("engine %v, channel %d: %.6f mL came at %.6f mL/min", engine, ch, after.VolumeML, after.RateMLPerMin)
			}
		}
	}
	b := newBench(t, simbench.Options{Channels: 2, World: quiet()})
	for _, bad := range []simbench.IdleStep{{Speed: 0.6}, {Speed: math.NaN()}, {At: -1, Speed: 0.1}} {
		plan.IdleStep = bad
		if err := second(b.StartRun(plan)); err == nil || !strings.Contains(err.Error(), "idle step") {
			t.Errorf("%+v: %v, want an error that names the idle step", bad, err)
		}
	}
}
