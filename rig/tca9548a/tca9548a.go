// Package tca9548a puts converters behind TCA9548A multiplexers: a chip whose address is
// fixed, such as the NAU7802, can then stand on one I2C bus up to eight times a multiplexer.
//
//	b, err := tca9548a.New(bus, 0x70)
//	port, err := b.Port(0x70, 3)       // an i2c.Bus with what stands behind port 3
//	s, err := nau7802.New(port, clk, nau7802.Options{})
//	t, err := nau7802.New(b.Root(), ...) // beside the multiplexer
//
// # What the data sheet says
//
// Texas Instruments, "TCA9548A Low-Voltage 8-Channel I2C Switch with Reset", SCPS207
// (sections from memory):
//
//	address   0x70 to 0x77 by pins A0 to A2 (8.5.2, "Device Address")
//	control   one register, written as one byte after the address; bit n connects
//	          port n (8.5.3, "Control Register")
//	power-up  no port is connected (8.4, "Power-On Reset")
//	          a port is connected after the write's STOP
//
// # How the ports are shared
//
// One lock holds the bus while a port is chosen and the transaction done, so drivers in
// several goroutines can use their ports as if each were a bus of its own. The chosen port
// is remembered, and chosen anew only if another is wanted or a transaction has failed: the
// multiplexer may have lost its power and with it its choice. Before a port of one multiplexer
// is connected all others are disconnected, so that chips of the same address never answer
// together.
//
// A chip on the bus itself is heard whatever port is connected. Its address must not be used
// behind a multiplexer of the same bus: config refuses that.
package tca9548a

import (
	"errors"
	"fmt"
	"slices"
	"sync"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
)

// Ports is how many ports a multiplexer has.
const Ports = 8

// Bus is an I2C bus with multiplexers on it. All of its traffic must go through it.
type Bus struct {
	bus   i2c.Bus
	muxes []uint16

	mu   sync.Mutex
	mux  int     // index into muxes of the one that has a port connected; see known
	mask byte    // its control register
	is   state   // what is known of the control registers
	w    [1]byte // kept here: what a bus is given must not be on a stack that may move
}

type state int

const (
	unknown state = iota // any port of any multiplexer may be connected
	none                 // all are disconnected
	one                  // mask of mux, and none of the others
)

// New returns the bus with multiplexers at the given addresses. It does no transaction.
func New(bus i2c.Bus, addrs ...uint16) (*Bus, error) {
	if bus == nil {
		return nil, errors.New("open TCA9548A: no I2C bus given: check i2c_bus in the config")
	}
	if len(addrs) == 0 {
		return nil, fmt.Errorf("open TCA9548A on %v: no address given: use 0x70 to 0x77", bus)
	}
	for i, a := range addrs {
		if a < 0x70 || a > 0x77 {
			return nil, fmt.Errorf("open TCA9548A on %v: address 0x%02x: use 0x70 to 0x77, as pins A0 to A2 are tied", bus, a)
		}
		if slices.Contains(addrs[:i], a) {
			return nil, fmt.Errorf("open TCA9548A on %v: address 0x%02x is given twice: each multiplexer needs its own", bus, a)
		}
	}
	return &Bus{bus: bus, muxes: slices.Clone(addrs)}, nil
}

// Port returns what stands behind a port, 0 to 7, of the multiplexer at addr.
func (b *Bus) Port(addr uint16, port int) (i2c.Bus, error) {
	mux := slices.Index(b.muxes, addr)
	if mux < 0 {
		return nil, fmt.Errorf("open port %d of the TCA9548A at 0x%02x on %v: there is none at this address: %#02x are known", port, addr, b.bus, b.muxes)
	}
	if port < 0 || port >= Ports {
		return nil, fmt.Errorf("open port %d of the TCA9548A at 0x%02x on %v: use 0 to %d", port, addr, b.bus, Ports-1)
	}
	return &portBus{b: b, mux: mux, mask: 1 << port, name: fmt.Sprintf("%v, port %d of 0x%02x", b.bus, port, addr)}, nil
}

// Root returns what stands on the bus beside the multiplexers.
func (b *Bus) Root() i2c.Bus { return &rootBus{b} }

// Halt disconnects every port.
func (b *Bus) Halt() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.disconnect(-1)
}

// disconnect disconnects all ports of all multiplexers but one. b.mu is held.
func (b *Bus) disconnect(but int) error {
	b.is = unknown
	for i := range b.muxes {
		if i == but {
			continue
		}
		if err := b.control(i, 0); err != nil {
			return err
		}
	}
	b.is = none
	return nil
}

// choose connects one port and no other. b.mu is held.
func (b *Bus) choose(mux int, mask byte) error {
	if b.is == one && b.mux == mux && b.mask == mask {
		return nil
	}
	if b.is == unknown || b.is == one && b.mux != mux {
		if err := b.disconnect(mux); err != nil {
			return err
		}
	}
	b.is = unknown
	if err := b.control(mux, mask); err != nil {
		return err
	}
	b.mux, b.mask, b.is = mux, mask, one
	return nil
}

func (b *Bus) control(mux int, mask byte) error {
	b.w[0] = mask
	if err := b.bus.Tx(b.muxes[mux], b.w[:], nil); err != nil {
		return fmt.Errorf("connect ports %08b of the TCA9548A at 0x%02x on %v: %w (is it wired and powered?)", mask, b.muxes[mux], b.bus, err)
	}
	return nil
}

// portBus is one port. It implements i2c.Bus.
type portBus struct {
	b    *Bus
	mux  int
	mask byte
	name string
}

// String names the bus, the multiplexer and the port.
func (p *portBus) String() string { return p.name }

// Tx connects the port, if it is not, and does the transaction.
func (p *portBus) Tx(addr uint16, w, r []byte) error {
	b := p.b
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := b.choose(p.mux, p.mask); err != nil {
		return err
	}
	if err := b.bus.Tx(addr, w, r); err != nil {
		b.is = unknown
		return err
	}
	return nil
}

// SetSpeed sets the speed of the whole bus.
func (p *portBus) SetSpeed(f physic.Frequency) error { return p.b.bus.SetSpeed(f) }

type rootBus struct{ b *Bus }

// String names the bus.
func (r *rootBus) String() string { return r.b.bus.String() }

// Tx does the transaction, whatever port is connected.
func (r *rootBus) Tx(addr uint16, w, rd []byte) error {
	r.b.mu.Lock()
	defer r.b.mu.Unlock()
	if err := r.b.bus.Tx(addr, w, rd); err != nil {
		r.b.is = unknown
		return err
	}
	return nil
}

// SetSpeed sets the speed of the whole bus.
func (r *rootBus) SetSpeed(f physic.Frequency) error { return r.b.bus.SetSpeed(f) }

var (
	_ i2c.Bus = (*portBus)(nil)
	_ i2c.Bus = (*rootBus)(nil)
)
