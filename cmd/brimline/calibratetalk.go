package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"brimline/analysis/report"
	"brimline/config"
	"brimline/ingest"
	"brimline/rig"
	"brimline/rig/calibrate"
	"brimline/rig/outlet"
)

const (
	handlingTime = 20 * time.Second // what changing masses takes on the simulated bench
	judgeEach    = 250 * time.Millisecond
	sayEach      = 5 * time.Second // while a reading does not stand still
	mostTries    = 3               // of one load, before the calibration is given up
)

// talk leads a person through the loadings of one channel.
type talk struct {
	b        *bench
	cfg      *config.Config
	ch       config.Channel
	index    int // of the channel on the bench
	plan     calibratePlan
	o        calibrateOptions
	out      io.Writer
	lines    *lineReader
	sensor   rig.Sensor
	inSensor int // the channel's place among the sensor's
	acquirer *rig.Acquirer

	quiet float64 // the channel's noise when it was quietest, counts
	last  *calibrate.Verdict
}

func newTalk(b *bench, cfg *config.Config, index int, plan calibratePlan, o calibrateOptions, in io.Reader, out io.Writer) (*talk, error) {
	t := &talk{b: b, cfg: cfg, ch: cfg.Channels[index], index: index, plan: plan, o: o, out: out}
	left := index
	for _, s := range b.sensors {
		if left < s.Channels() {
			t.sensor, t.inSensor = s, left
			break
		}
		left -= s.Channels()
	}
	if t.sensor == nil {
		return nil, fmt.Errorf("no sensor was opened for channel %d of %d: check the config", index+1, len(cfg.Channels))
	}
	// This channel's sensor alone: the others have nothing to say.
	var err error
	if t.acquirer, err = rig.NewAcquirer(t.sensor); err != nil {
		return nil, err
	}
	t.lines = newLineReader(in)
	return t, nil
}

func (t *talk) close() { t.lines.stop() }

func (t *talk) say(format string, args ...any) { fmt.Fprintf(t.out, format+"\n", args...) }

// wrapped says text in lines of a terminal's width; the first begins with lead.
func (t *talk) wrapped(lead, text string) {
	var b strings.Builder
	wrapTo(&b, lead, text)
	fmt.Fprint(t.out, b.String())
}

func (t *talk) intro() {
	n := len(t.plan.loads)
	switch {
	case t.plan.check:
		t.say("Checking %s of %s with %s, class %s.", t.ch.Name, t.cfg.Bench.Name, t.plan.loads[1], t.o.class)
	case t.plan.water != nil:
		t.say("Calibrating %s of %s: %d loads, going up, with %s.", t.ch.Name, t.cfg.Bench.Name, n, t.plan.with(t.o.class))
	default:
		t.say("Calibrating %s of %s: %d loads, up and down, %s, with %s.", t.ch.Name, t.cfg.Bench.Name, n, counted(t.o.cycles, "time"), t.plan.with(t.o.class))
	}
	if t.o.sim {
		t.say("Simulated bench: the program puts the loads on itself.")
	}
	if t.ch.Sensor == "ads1115" {
		t.wrapped("", "Hang the tube upright as it is used, hoses off. Pour each volume whole and slowly, without bubbles, and take your hands away. Engine off: no fuel flows for this.")
		t.wrapped("", "A volume is read when the reading has stood still for 5 s: no drift and no swaying beyond what the channel's own noise explains (the certificate has the rule).")
		t.say("")
		return
	}
	put := "Put each mass down gently in the same place, and take your hands away."
	if t.plan.water != nil {
		put = "Read the measure at eye level, at the bottom of the curve; pour slowly, let it drip off for 30 s, and none down the outside."
	}
	t.wrapped("", "Hang the tube as it is used, hoses off, nothing touching. "+put+" Engine off: no fuel is needed for this.")
	t.wrapped("", "A load is read when it has stood still for 5 s: no drift and no swaying beyond what the channel's own noise explains (the certificate has the rule).")
	t.say("")
}

// ask is what a person is to do for a stage.
func (t *talk) ask(s stage) string {
	switch {
	case t.plan.water != nil && s.inML == 0:
		return fmt.Sprintf("Empty and wipe the tube of %s and hang it", t.ch.Name)
	case t.plan.water != nil:
		return fmt.Sprintf("Pour %g mL of water into the tube, %g mL in all", s.pourML, s.inML)
	case s.MassG == 0:
		return "Take all masses off " + t.ch.Name
	}
	return fmt.Sprintf("Put %s on %s, nothing else", s.Load, t.ch.Name)
}

// loads does every stage and returns its readings.
func (t *talk) loads(ctx context.Context) (points []calibrate.Point, creep calibrate.Creep, err error) {
	var began time.Duration
	for i, s := range t.plan.stages {
		t.say("%2d/%d  %s%s", i+1, len(t.plan.stages), t.ask(s), t.enter())
		if !t.o.yes {
			if _, err := t.lines.next(ctx); err != nil {
				return nil, creep, err
			}
		}
		var v calibrate.Verdict
		for try := 1; ; try++ {
			if err := t.place(ctx, i, s); err != nil {
				return nil, creep, err
			}
			var waited time.Duration
			if v, waited, err = t.steady(ctx, points, s); err != nil {
				return nil, creep, err
			}
			t.say("       steady after %.0f s: %s", waited.Seconds(), t.counts(v))
			wrong, dead := t.doubt(points, s, v)
			if wrong == "" {
				break
			}
			if try == mostTries || dead && t.o.yes {
				return nil, creep, fmt.Errorf("%s: %s", t.loadName(s), wrong)
			}
			t.wrapped("       ", wrong)
			if t.o.yes {
				break // nobody to ask: the line will tell
			}
			t.say("       Put it right and press Enter to read it again; type keep if it is right as it is.")
			word, err := t.lines.next(ctx)
			if err != nil {
				return nil, creep, err
			}
			if strings.EqualFold(word, "keep") {
				break
			}
		}
		if len(points) == 0 {
			began = t.b.clock.Now()
		}
		if t.quiet == 0 || v.Noise < t.quiet {
			t.quiet = v.Noise
		}
		points = append(points, calibrate.Point{MassG: s.MassG, MPEG: s.mpeG, Counts: v.Counts, UMean: v.U,
			Cycle: s.cycle, Down: s.down, Load: t.loadName(s), AtS: (t.b.clock.Now() - began).Seconds()})
		t.last = &v
		if s.hold {
			if creep, err = t.holdLoad(ctx, v); err != nil {
				return nil, creep, err
			}
		}
	}
	return points, creep, nil
}

func (t *talk) loadName(s stage) string {
	if t.plan.water != nil {
		return fmt.Sprintf("%g mL", s.inML)
	}
	return s.Load.String()
}

// enter is the end of a request.
func (t *talk) enter() string {
	switch {
	case t.o.yes && t.o.sim:
		return "."
	case t.o.yes:
		return "; it is read by itself when the channel has moved and stands still."
	}
	return ", then press Enter."
}

// place puts a load on the simulated bench; on a real one a person has.
func (t *talk) place(ctx context.Context, i int, s stage) error {
	if t.b.sim == nil {
		return ctx.Err()
	}
	if i > 0 {
		if err := t.b.sim.Advance(handlingTime); err != nil {
			return err
		}
	}
	load := s.Load
	if t.o.hands != nil {
		load = t.o.hands(i, load)
	}
	if t.plan.tube != nil {
		mL, _, err := t.plan.tube.VolumeML(load.MassG, 0)
		if err != nil {
			return err
		}
		return t.b.sim.Pour(t.index, mL)
	}
	if len(load.Masses) == 0 {
		return t.b.sim.Put(t.index, load.MassG)
	}
	return t.b.sim.Load(t.index, load.Masses...)
}

func (t *talk) counts(v calibrate.Verdict) string {
	return fmt.Sprintf("%.0f counts, u %.0f", v.Counts, v.U) // ± is kept for 95 % intervals
}

// doubt compares a reading with what the readings so far foretell. It is empty when
// there is no doubt; dead says that the reading does not move at all.
func (t *talk) doubt(points []calibrate.Point, s stage, v calibrate.Verdict) (says string, dead bool) {
	if len(points) == 0 {
		return "", false
	}
	before := points[len(points)-1]
	if moved := math.Abs(v.Counts - before.Counts); before.MassG != s.MassG && moved <= 10*math.Hypot(v.U, before.UMean)+0.5 {
		return fmt.Sprintf("the reading did not move (%.0f counts from %s to %s): was the load changed, and does it stand on this channel?", moved, before.Load, t.loadName(s)), true
	}
	low, high := points[0], points[0]
	for _, p := range points {
		if p.MassG > high.MassG {
			high = p
		}
	}
	if high.MassG == low.MassG {
		return "", false
	}
	span := (high.Counts - low.Counts) / (high.MassG - low.MassG)
	reads := low.MassG + (v.Counts-low.Counts)/span
	gap := math.Inf(1)
	for i, l := range t.plan.loads[1:] {
		gap = min(gap, l.MassG-t.plan.loads[i].MassG)
	}
	if math.Abs(reads-s.MassG) <= gap/4 {
		return "", false
	}
	return fmt.Sprintf("by the readings so far this is about %.3g %s, %.4g %s was asked for: is it the right load, and were those before right?", reads, t.plan.unit(), s.MassG, t.plan.unit()), false
}

var (
	errSteady  = errors.New("steady")
	errWaited  = errors.New("not steady in time")
	errSilent  = errors.New("silent")
	errHeldFor = errors.New("held")
)

// steadySink judges a channel's readings as they come, and ends the acquisition when
// it has its answer.
type steadySink struct {
	calibrate.Steadiness
	channel int
	wait    time.Duration
	moved   func(v calibrate.Verdict) bool
	still   func(waited time.Duration, why string)

	any                 bool
	from, judged, spoke time.Duration
	verdict             calibrate.Verdict
	why                 string
}

// Put implements rig.Sink.
func (k *steadySink) Put(samples []rig.Sample) error {
	for _, s := range samples {
		if s.Channel != k.channel {
			continue
		}
		if !k.any {
			k.any, k.from, k.judged, k.spoke = true, s.Elapsed, s.Elapsed, s.Elapsed
		}
		k.Add(s.Reading)
		if s.Elapsed < k.judged+judgeEach {
			continue
		}
		k.judged = s.Elapsed
		v := k.Judge()
		k.verdict, k.why = v, v.Why
		waited := s.Elapsed - k.from
		switch {
		case v.Silent:
			return errSilent
		case v.Steady && k.moved(v):
			return errSteady
		case v.Steady:
			k.why = "the reading has not moved: was the load changed, and does it stand on this channel?"
		}
		if waited >= k.wait {
			return errWaited
		}
		if waited >= 2*sayEach && s.Elapsed-k.spoke >= sayEach {
			k.spoke = s.Elapsed
			k.still(waited, k.why)
		}
	}
	return nil
}

// steady reads the channel until it stands still.
func (t *talk) steady(ctx context.Context, points []calibrate.Point, s stage) (calibrate.Verdict, time.Duration, error) {
	k := &steadySink{channel: t.inSensor, wait: t.o.wait, moved: func(calibrate.Verdict) bool { return true },
		still: func(waited time.Duration, why string) {
			t.wrapped("       ", fmt.Sprintf("not steady after %.0f s: %s", waited.Seconds(), why))
		}}
	k.QuietCounts = t.quiet
	if n := len(points); n > 0 {
		before := points[n-1]
		if n > 1 && before.MassG != points[n-2].MassG {
			span := (before.Counts - points[n-2].Counts) / (before.MassG - points[n-2].MassG)
			k.StepCounts = math.Abs(span * (s.MassG - before.MassG))
		}
		if t.o.yes && t.b.sim == nil && before.MassG != s.MassG {
			// Without Enter only the reading can tell that the load was changed.
			k.moved = func(v calibrate.Verdict) bool {
				return math.Abs(v.Counts-before.Counts) > max(10*math.Hypot(v.U, before.UMean), k.StepCounts/3)
			}
		}
	}
	err := t.acquirer.Run(ctx, k, rig.AcquireOptions{LockThreads: t.b.sim == nil})
	waited := k.judged - k.from
	switch {
	case errors.Is(err, errSteady):
		return k.verdict, waited, nil
	case errors.Is(err, errSilent):
		return k.verdict, waited, fmt.Errorf("%s on %v: %s", t.loadName(s), t.sensor, k.verdict.Why)
	case errors.Is(err, errWaited):
		return k.verdict, waited, fmt.Errorf("%s was not steady within %v (--wait): %s", t.loadName(s), t.o.wait, k.why)
	}
	return k.verdict, waited, err
}

// holdSink collects the means of a standing load while it is held.
type holdSink struct {
	calibrate.Steadiness
	channel   int
	hold      time.Duration
	any       bool
	from, now time.Duration
}

// Put implements rig.Sink.
func (k *holdSink) Put(samples []rig.Sample) error {
	for _, s := range samples {
		if s.Channel != k.channel {
			continue
		}
		if !k.any {
			k.any, k.from = true, s.Elapsed
		}
		k.Add(s.Reading)
		if k.now = s.Elapsed; k.now-k.from >= k.hold {
			return errHeldFor
		}
	}
	return nil
}

// holdLoad leaves the top load on and says how far the reading creeps from first, the
// reading just taken.
func (t *talk) holdLoad(ctx context.Context, first calibrate.Verdict) (calibrate.Creep, error) {
	t.say("       Leave it on for %.0f s: does it creep?", t.o.hold.Seconds())
	k := &holdSink{channel: t.inSensor, hold: t.o.hold}
	if err := t.acquirer.Run(ctx, k, rig.AcquireOptions{LockThreads: t.b.sim == nil}); !errors.Is(err, errHeldFor) {
		return calibrate.Creep{}, err
	}
	v := k.Judge()
	if v.N == 0 || v.Silent {
		return calibrate.Creep{}, fmt.Errorf("the top load was held for %v, but its end was not read: %s", t.o.hold, v.Why)
	}
	// Shaken or drifting, its mean is what the load came to.
	t.say("       it moved by %+.0f counts", v.Counts-first.Counts)
	return calibrate.Creep{Counts: v.Counts - first.Counts, HoldS: t.o.hold.Seconds()}, nil
}

// notNoted is what a later reader of the certificate will miss.
func (t *talk) notNoted(line calibrate.Line) (out []calibrate.Remark) {
	add := func(code, says string) { out = append(out, calibrate.Remark{Code: code, Says: says}) }
	if math.IsNaN(t.o.airC) {
		add("no-temperature", "the air's temperature was not noted (--temp)")
	}
	if t.o.by == "" {
		add("no-name", "who calibrated was not noted (--by)")
	}
	if tube := t.plan.tube; tube != nil {
		if full, _, err := tube.LevelMM(t.ch.CapacityML); err != nil || line.ToG < 0.8*full {
			add("range", fmt.Sprintf("the line is proven to %.3g mm of level, and a full tube stands higher", line.ToG))
		}
		return out
	}
	const fuel = 0.85 // g/mL, as heavy as diesel gets
	if most := fuel * outlet.FullPart * t.ch.CapacityML; line.ToG < most {
		add("range", fmt.Sprintf("a run may collect up to %.0f g of fuel, the line is proven to %.3g g", most, line.ToG))
	}
	return out
}

// result says what came out, in the terms of Assessment.
func (t *talk) result(c calibrate.Certificate, id int64, path string) {
	a, l := c.Assessment, c.Line
	t.say("")
	unit, name := "g", "gram"
	if l.Unit == calibrate.UnitMM {
		unit, name = "mm", "mm of level"
	}
	for _, r := range propertiesOf(a, unit) {
		value := "not measured"
		if !math.IsNaN(r.G) {
			value = fmt.Sprintf("%8.3f %s %9.4f %%  limit %g %%", r.G, unit, r.Pct, r.LimitPct)
		}
		t.say("  %-14s %s%s", strings.ToLower(r.Name), value, sep(r.Says))
	}
	part := func(u float64) string {
		_, text := report.FormatWithU(l.Span, 100*a.KSpan*u/math.Abs(l.Span))
		return text
	}
	t.say("  %-14s ±%s %% of it (95 %%): readings ±%s %%, loads ±%s %%, bend ±%s %%", "span", part(l.USpan), part(l.USpanFit), part(l.USpanMass), part(l.USpanBend))
	t.say("")
	switch {
	case id == 0:
		t.say("NOT calibrated. Nothing was stored; the line that held before still holds.")
	case c.Forced:
		t.say("Kept against the limits, as calibration %d in %s:", id, path)
	default:
		t.say("%s: %s counts per %s (95 %%).", t.ch.Name, plusMinus(l.Span, a.KSpan*l.USpan), name)
		due := ""
		if c.Due != nil {
			due = ", due " + c.Due.Format("2006-01-02")
		}
		t.say("Kept as calibration %d in %s%s.", id, path, due)
	}
	for _, r := range a.Remarks {
		if r.Refuse {
			t.wrapped("  refused: ", r.Says)
		}
	}
	for _, r := range a.Remarks {
		if !r.Refuse {
			t.wrapped("  note: ", r.Says)
		}
	}
	if id > 0 && t.ch.Sensor != "ads1115" {
		t.say("Check it before a day's work: brimline calibrate %s --check 100g", t.ch.Name)
	}
}

func sep(s string) string {
	if s == "" {
		return ""
	}
	return "  " + s
}

// checked says what a check came to: both numbers, never a bare yes.
func (t *talk) checked(c calibrate.CheckCertificate, cal ingest.Calibration, id int64, path string) {
	k := c.Check
	t.say("")
	standing, next := "in tolerance", ""
	if !k.InTolerance {
		standing = "OUT of tolerance"
		next = "Look for what touches or pulls, and check again. If it stays off, calibrate anew; runs since the last good check are in doubt by as much."
	}
	t.say("%s: %s reads %s g; off by %+.3f g, tolerance ±%.3f g (95 %%): %s.", t.ch.Name, k.Load, plusMinus(k.ReadsG, k.U95G), k.DifferenceG, k.U95G, standing)
	puttingOn := fmt.Sprintf("%.4f g", k.URepeatG)
	if k.URepeatG == 0 {
		puttingOn = "not known (each load was put on once)"
	}
	t.say("  the tolerance holds u: line %.4f g, mass %.4f g, readings %.4f g, putting on %s; k %.2f", k.ULineG, k.UMassG, k.UReadingG, puttingOn, k.K)
	t.say("  the empty channel stands %+.2f g from the calibration's zero; rates do not depend on it", k.ZeroShiftG)
	if next != "" {
		t.wrapped("  ", next)
	}
	if c.Due != nil && c.At.After(*c.Due) {
		t.say("  the calibration is overdue: a new one was due on %s", c.Due.Format("2006-01-02"))
	}
	t.say("Kept as check k%d of calibration %d (%s) in %s; the line stays as it is.", id, cal.ID, cal.At.Format("2006-01-02"), path)
}

// lineReader gives a person's lines one by one, and gives up when the context ends.
type lineReader struct {
	lines chan string
	quit  chan struct{}
}

func newLineReader(in io.Reader) *lineReader {
	r := &lineReader{lines: make(chan string), quit: make(chan struct{})}
	go func() {
		defer close(r.lines)
		if in == nil {
			return
		}
		for scan := bufio.NewScanner(in); scan.Scan(); {
			select {
			case r.lines <- strings.TrimSpace(scan.Text()):
			case <-r.quit:
				return
			}
		}
	}()
	return r
}

func (r *lineReader) next(ctx context.Context) (string, error) {
	select {
	case <-ctx.Done():
		return "", ctx.Err()
	case line, ok := <-r.lines:
		if !ok {
			return "", errors.New("the input ended before the last load: press Enter for each load, or use --yes")
		}
		return line, nil
	}
}

func (r *lineReader) stop() { close(r.quit) }
