// Package outlet holds what keeps a bench from spilling: a diverter or drain valve
// on each tube, an alarm output, the heartbeat that the valves hang on, and the guard
// that ends a run before a tube is too full.
//
// It stands beside a sample's life: Guard and Set are fed by the same samples that go
// into the store, and by nothing else, no timer and no clock of their own. So what
// holds the valves is that readings come in, which is what must hold.
//
//	set, err := outlet.NewSet(outlet.Options{Valves: valves, Heartbeat: beat, Alarm: alarm})
//	defer set.Close()                           // on a panic too
//	guard, err := outlet.NewGuard(tubes...)
//	err = set.Collect(channels)                 // energised: fuel into the tubes
//	...
//	err = guard.Put(samples)                    // a *Stop ends the run
//	err = set.Put(samples)                      // the heartbeat
//	err = set.Release()                         // unpowered: fuel to the can
//
// # How it fails
//
// A valve that is not powered returns the fuel to the can (diverter) or lets the tube
// run out into it (drain). Three things must hold for a valve to be powered: the
// supply, its pin, and the heartbeat. The heartbeat's pulses retrigger a circuit on
// the bench (a monostable, see hardware/outlets.md) that cuts the supply of all valves
// when none has come for MinHold to MaxHold. A process that is killed, a loop that
// hangs and a board that freezes end the pulses, whatever the pins do then. The
// software has the same rule with the shorter time: a pause of MinHold is a
// *Lapse, the valves are released, and no pulse follows until the next Collect, so that
// a valve never comes back by itself.
package outlet
