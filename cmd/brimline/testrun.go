package main

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"brimline/rig"
	"brimline/rig/outlet"
)

// errRunOver ends the acquisition of a run that is done.
var errRunOver = errors.New("the run is over")

const (
	readyWithin = 20 * time.Second // for every channel's first level
	dripsFor    = 2 * time.Second  // films and drips, after the valves released
	personTakes = time.Minute      // until a person has taken the flow off, where there are no valves
	personRuns  = 20 * time.Second // the same after a stop
	afterMost   = 2 * time.Minute  // for the tubes to come to rest
	alarmMost   = 10 * time.Minute // while one still rises
	fullAtStart = 0.2              // of a tube: more than this was not emptied
)

// runStage is where a run is.
type runStage uint8

const (
	stageReady   runStage = iota // until every channel gives a level
	stageBefore                  // the static window before
	stageWait                    // until fuel flows
	stageCollect                 // for the run's duration
	stageAfter                   // until the tubes are at rest, and the static window after
)

// benchRun takes one run from its first sample to its last. It is fed by the
// acquisition and has no timer: every decision is made on the samples' clock, so a
// run on the simulated bench and one on a real bench are the same code.
type benchRun struct {
	set      *outlet.Set
	guard    *outlet.Guard
	recorder rig.Sink
	show     *show
	channels []int    // that collect
	names    []string // of these
	capacity []float64

	still, duration, wait time.Duration
	drain                 bool        // valves that drain the tubes when they are released
	interrupted           func() bool // the user asks to stop

	mu       sync.Mutex
	over     bool // nothing is taken any more
	stage    runStage
	since    time.Duration // of the stage
	begun    bool          // first holds
	first    time.Duration
	elapsed  time.Duration // newest
	lastLive time.Duration
	flowAt   time.Duration
	flowed   bool
	endAt    time.Duration // when collecting ended
	stop     *outlet.Stop  // why it ended early
	byUser   bool
	rising   []string // tubes that rose after the flow was taken off
	noLevel  string   // the channel that gave no level
	noFlow   bool
	failure  error // of an output: the run so far is kept, no further run is made
}

// Put implements rig.Sink.
func (r *benchRun) Put(samples []rig.Sample) error {
	if err := r.step(samples); err != nil {
		return err
	}
	return r.recorder.Put(samples)
}

func (r *benchRun) step(samples []rig.Sample) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.over {
		return errRunOver
	}
	err := r.advance(samples)
	r.over = err != nil
	return err
}

func (r *benchRun) advance(samples []rig.Sample) error {
	for i := range samples {
		r.elapsed = max(r.elapsed, samples[i].Elapsed)
	}
	if !r.begun {
		r.begun, r.first, r.since = true, r.elapsed, r.elapsed
	}
	var stop *outlet.Stop
	if err := r.guard.Put(samples); err != nil && !errors.As(err, &stop) {
		return err
	}
	if err := r.set.Put(samples); err != nil { // it has released the valves
		var lapse *outlet.Lapse
		if errors.As(err, &lapse) && lapse.Silent >= 0 {
			err = fmt.Errorf("%s was not read in time: %w", r.names[slices.Index(r.channels, lapse.Silent)], err)
		}
		r.fail(err)
	}
	if stop != nil {
		r.hear(stop)
	}
	switch r.stage {
	case stageReady:
		return r.ready()
	case stageBefore:
		if r.interrupted() {
			r.byUser = true
			return errRunOver
		}
		if r.elapsed-r.since >= r.still {
			r.open()
		}
	case stageWait:
		if at, flows := r.guard.Flow(); flows {
			r.flowed, r.flowAt = true, at
			r.enter(stageCollect)
			r.lastLive = r.elapsed
			r.show.say("  Fuel flows; collecting for %.0f s. Hands off the tubes and hoses.", r.duration.Seconds())
		} else if r.interrupted() {
			r.byUser = true
			r.release()
		} else if r.elapsed-r.since >= r.wait {
			r.noFlow = true
			r.release()
		}
	case stageCollect:
		switch {
		case r.interrupted():
			r.byUser = true
			r.release()
		case r.elapsed-r.flowAt >= r.duration:
			r.release()
		}
	case stageAfter:
		return r.rest()
	}
	r.live()
	return nil
}

func (r *benchRun) enter(s runStage) { r.stage, r.since = s, r.elapsed }

// fail ends a run whose outputs do not do what they are told.
func (r *benchRun) fail(err error) {
	if r.failure == nil {
		r.failure = err
		r.show.say("  STOPPED: %v", err)
	}
	if r.stage == stageWait || r.stage == stageCollect {
		r.release()
	}
}

// hear acts on the guard's word.
func (r *benchRun) hear(stop *outlet.Stop) {
	switch r.stage {
	case stageWait, stageCollect:
		r.stop = stop
		r.show.say("  STOPPED: %v.", stop)
		if !r.set.HasValves() {
			r.alarm()
		}
		r.release()
	case stageAfter:
		if stop.Cause == outlet.Rising || stop.Cause == outlet.Full { // full, though the flow should be off
			if !slices.Contains(r.rising, stop.Name) {
				r.rising = append(r.rising, stop.Name)
			}
			r.show.say("  ALARM: %v.", stop)
			if stop.Cause == outlet.Full {
				r.show.say("  STOP THE ENGINE or take the hose off the tube now: fuel still comes.")
			}
			r.alarm()
		}
	}
}

// cut takes in that the acquisition has ended, by err if it failed: collecting, if it went
// on, ended with the last sample. Where there are no valves a person is told that nothing
// watches the tubes any more.
func (r *benchRun) cut(err error) {
	if r.stage == stageWait || r.stage == stageCollect {
		r.endAt = r.elapsed
		r.byUser = err == nil
	}
	if err == nil || r.set.HasValves() || r.stage < stageWait {
		return
	}
	r.show.ended()
	r.show.say("  STOPPED: nothing watches the tubes any more. Stop the flow NOW: stop the engine, or turn the returns to the can.")
}

func (r *benchRun) alarm() {
	if err := r.set.Sound(); err != nil && r.failure == nil {
		r.failure = err
	}
}

// ready waits for a level of every channel, then begins the static window.
func (r *benchRun) ready() error {
	missing := ""
	for i, ch := range r.channels {
		if missing == "" && math.IsNaN(r.guard.LevelML(ch)) {
			missing = r.names[i]
		}
	}
	switch {
	case missing == "":
		r.enter(stageBefore)
		for i, ch := range r.channels {
			if mL := r.guard.LevelML(ch); mL > fullAtStart*r.capacity[i] {
				r.show.say("  %s holds %.1f mL of its %g mL before the run: it should be empty.", r.names[i], mL, r.capacity[i])
			}
		}
		r.show.say("  At rest for %.0f s: nothing flows, nothing is touched.", r.still.Seconds())
	case r.interrupted():
		r.byUser = true
		return errRunOver
	case r.elapsed-r.since > readyWithin:
		r.noLevel = missing
		return errRunOver
	}
	return nil
}

// open begins to collect: the valves, where there are some, else the person.
func (r *benchRun) open() {
	r.enter(stageWait)
	r.guard.Begin(r.elapsed)
	if err := r.set.Collect(r.channels); err != nil {
		r.fail(err)
		return
	}
	if r.set.HasValves() {
		r.show.say("  The valves turn the fuel into the tubes. If the engine does not run yet, start it now.")
	} else {
		r.show.say("  NOW start the flow: start the engine, or turn the returns to the tubes.")
	}
}

// release takes the flow off the tubes, or asks for it.
func (r *benchRun) release() {
	r.endAt = r.elapsed
	r.enter(stageAfter)
	grace := dripsFor
	if !r.set.HasValves() {
		grace = personTakes
		if r.stop != nil {
			grace = personRuns
		}
	}
	r.guard.Released(r.elapsed, grace)
	if err := r.set.Release(); err != nil {
		r.show.say("  ALARM: %v. STOP THE ENGINE.", err)
		r.failure = errors.Join(r.failure, err)
		r.alarm()
	}
	r.show.ended()
	switch {
	case r.set.HasValves() && r.drain:
		r.show.say("  The valves are released; the tubes run out.")
	case r.set.HasValves():
		r.show.say("  The valves are released. At rest again for %.0f s: nothing is touched.", r.still.Seconds())
	case r.flowed:
		r.show.say("  NOW stop the flow: stop the engine, or turn the returns to the can. Then touch nothing for %.0f s.", r.still.Seconds())
	default: // a person was asked to start it, and what came of that was not seen
		r.show.say("  If the flow is on, stop it NOW: stop the engine, or turn the returns to the can.")
	}
}

// rest ends the run when the tubes have been at rest for long enough, or are not going
// to be.
func (r *benchRun) rest() error {
	atRest := r.elapsed-max(r.guard.StillSince(), r.since) >= r.still
	switch {
	case !r.flowed && r.stop == nil && !r.set.HasValves():
		return errRunOver // nothing was begun, as far as every channel shows
	case len(r.rising) > 0:
		if atRest && r.knowsRising() || r.elapsed-r.since >= alarmMost {
			return r.quiet()
		}
	case atRest && r.elapsed-r.since >= r.still+dripsFor || r.elapsed-r.since >= afterMost+r.still:
		return r.quiet()
	}
	return nil
}

// knowsRising reports whether the level of every tube that rose is known: one that is not
// read any more seems to be at rest.
func (r *benchRun) knowsRising() bool {
	for i, ch := range r.channels {
		if slices.Contains(r.rising, r.names[i]) && !r.guard.Knows(ch) {
			return false
		}
	}
	return true
}

func (r *benchRun) quiet() error {
	if err := r.set.Quiet(); err != nil {
		r.failure = errors.Join(r.failure, err)
	}
	return errRunOver
}

// live shows the level of every tube, twice a second on a terminal.
func (r *benchRun) live() {
	if r.stage != stageCollect || r.elapsed-r.lastLive < r.show.every {
		return
	}
	r.lastLive = r.elapsed
	var b strings.Builder
	fmt.Fprintf(&b, "  %4.0f s of %.0f ", (r.elapsed - r.flowAt).Seconds(), r.duration.Seconds())
	for i, ch := range r.channels {
		fmt.Fprintf(&b, "  %s %.1f", r.names[i], r.guard.LevelML(ch))
	}
	b.WriteString(" mL")
	r.show.now(b.String())
}

// end is where the run's record ends: a tube that drains is of no use after it.
func (r *benchRun) end() time.Duration {
	if r.drain && r.set.HasValves() && r.stage == stageAfter {
		return r.endAt
	}
	return r.elapsed
}

// collected is for how long fuel was collected; 0 when none came.
func (r *benchRun) collected() time.Duration {
	if !r.flowed {
		return 0
	}
	return r.endAt - r.flowAt
}

// stopped says why the run ended early, in a word and a sentence; both are empty when
// it did not.
func (r *benchRun) stopped() (word, why string) {
	switch {
	case r.stop != nil:
		return "guard", r.stop.Error()
	case r.byUser:
		return "user", "stopped by the user"
	case r.failure != nil:
		return "failure", r.failure.Error()
	case r.noFlow:
		return "no-flow", fmt.Sprintf("no fuel came within %.0f s", r.wait.Seconds())
	case r.noLevel != "":
		return "no-level", fmt.Sprintf("%s gave no good reading within %.0f s: check its plug and its converter", r.noLevel, readyWithin.Seconds())
	}
	return "", ""
}
