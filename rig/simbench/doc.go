// Package simbench is a bench that is not there: pins for the shipped drivers, HX711
// chips behind the pins, load cells behind the chips, tubes on the cells, and an
// engine whose injectors fill the tubes, all on a virtual clock. The demo, the tests
// and the page's practice mode use it; what runs above the pins is the code that
// ships.
//
//	b, _ := simbench.New(simbench.Options{Seed: 1, Channels: 6})
//	sck, dout, clk := b.Line(0)
//	s, _ := hx711.New(sck, dout, clk, hx711.Options{})
//	...
//	b.StartRun(simbench.RunPlan{Still: 20 * time.Second, Flow: 180 * time.Second})
//	acquirer.Run(ctx, sink, rig.AcquireOptions{Until: b.Now() + 240*time.Second})
//
// # Time
//
// Each clock line has a time of its own, which every pin operation and every look at
// the clock moves on a little; see Options.Clocks for chips that share one. A line
// whose driver waits posts when it wants to wake; when all lines that are being read
// wait, the one that wakes first runs (the lowest number, if two do). So one line runs
// at a time, in an order that depends only on the seed, whatever the machine's
// scheduler does.
//
// A line counts as being read from In with an edge to In without one, or to Halt of
// either pin: between a driver's Start and Stop. One that is started and then left
// alone holds up the others, as they cannot know that nothing will come: rig.Acquirer
// stops what it no longer reads, and code that reads a sensor by hand must do so too
// before it turns to another.
//
// Chips on I2C share a bus: see [Bench.I2C], [Bench.NAU7802], [Bench.ADS1115]. Their drivers
// wait on [Bench.Clock] by sleeping, and are read through [Bench.Sensor], which takes the
// turns that a pin's edges take elsewhere:
//
//	b.NAU7802(0, simbench.I2CPlace{Addr: 0x2A}, 80)
//	s, _ := nau7802.New(b.I2C(0), b.Clock(0), nau7802.Options{})
//	sensor := b.Sensor(0, s)
//
// # What is modelled, and what is not
//
// See [World] for the flow and the cells, [Engine] for a flow that follows from
// pressure, clearance and viscosity, and [Faults] for what may go wrong, each with its
// size and where that comes from. The chips keep to their data sheets at the level of
// pins and bus. A conversion is taken at its end, save for World.Orders, over which it
// averages. Left out: evaporation, a hose that leaves its tube when the
// vent is blocked, a tube that overflows into its neighbour.
package simbench
