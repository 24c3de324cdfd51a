package tca9548a_test

import (
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2ctest"
	"periph.io/x/conn/v3/physic"

	"brimline/rig/tca9548a"
)

func port(t testing.TB, b *tca9548a.Bus, addr uint16, n int) i2c.Bus {
	t.Helper()
	p, err := b.Port(addr, n)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func tx(t testing.TB, b i2c.Bus, want byte) {
	t.Helper()
	var r [1]byte
	if err := b.Tx(0x2A, []byte{0x1F}, r[:]); err != nil {
		t.Fatalf("%v: %v", b, err)
	}
	if r[0] != want {
		t.Fatalf("%v: read 0x%02x, want 0x%02x", b, r[0], want)
	}
}

// The control register's bytes are the data sheet's: bit n connects port n.
func TestTranscript(t *testing.T) {
	rev := func(v byte) i2ctest.IO { return i2ctest.IO{Addr: 0x2A, W: []byte{0x1F}, R: []byte{v}} }
	connect := func(addr uint16, mask byte) i2ctest.IO { return i2ctest.IO{Addr: addr, W: []byte{mask}} }
	play := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
		connect(0x71, 0), connect(0x70, 1<<0), rev(10), // the first: nothing is known, so the other one is silenced
		rev(11),                      // the same port again: connected already
		connect(0x70, 1<<7), rev(12), // another port of the same
		connect(0x70, 0), connect(0x71, 1<<3), rev(13), // of the other: the first one is silenced
		rev(14),                            // beside: no port is touched
		rev(15),                            // and the one before is still connected
		connect(0x70, 0), connect(0x71, 0), // Halt
		connect(0x70, 1<<0), rev(16), // known to be silent
	}}
	b, err := tca9548a.New(play, 0x70, 0x71)
	if err != nil {
		t.Fatal(err)
	}
	p0, p7, q3 := port(t, b, 0x70, 0), port(t, b, 0x70, 7), port(t, b, 0x71, 3)
	tx(t, p0, 10)
	tx(t, p0, 11)
	tx(t, p7, 12)
	tx(t, q3, 13)
	tx(t, b.Root(), 14)
	tx(t, q3, 15)
	if err := b.Halt(); err != nil {
		t.Fatal(err)
	}
	tx(t, p0, 16)
	if err := play.Close(); err != nil {
		t.Fatal(err)
	}
	if want := "playback, port 3 of 0x71"; q3.String() != want || b.Root().String() != "playback" {
		t.Errorf("named %q and %q", q3, b.Root())
	}
	if err := q3.SetSpeed(400 * physic.KiloHertz); err != nil {
		t.Error(err)
	}
	if err := b.Root().SetSpeed(400 * physic.KiloHertz); err != nil {
		t.Error(err)
	}
}

var errNACK = errors.New("remote I/O error")

// chips is a bus with multiplexers at 0x70 and 0x71 and a chip at 0x2A behind each
// port, which answers with its place; two that answer together are a failure.
type chips struct {
	mu      sync.Mutex
	control [2]byte
	n       int // transactions so far
	failAt  int // the one that fails, from 1
	forever bool
	clashes int
}

func (c *chips) String() string                  { return "chips" }
func (c *chips) SetSpeed(physic.Frequency) error { return nil }

func (c *chips) Tx(addr uint16, w, r []byte) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.n++
	if c.n == c.failAt || c.forever && c.failAt > 0 && c.n > c.failAt {
		return errNACK
	}
	switch addr {
	case 0x70, 0x71:
		c.control[addr-0x70] = w[0]
		return nil
	case 0x48: // beside
		r[0] = 0x48
		return nil
	}
	answers := 0
	for m, mask := range c.control {
		for p := range tca9548a.Ports {
			if mask>>p&1 == 1 {
				r[0] = byte(m<<4 | p)
				answers++
			}
		}
	}
	if answers > 1 {
		c.clashes++
	}
	if answers == 0 {
		return errNACK
	}
	return nil
}

// Each transaction fails in turn, once and for ever: an error, and never another
// port's answer; after a single failure the next try is right.
func TestEachTransactionFails(t *testing.T) {
	for _, forever := range []bool{false, true} {
		for failAt := 1; ; failAt++ {
			c := &chips{failAt: failAt, forever: forever}
			b, err := tca9548a.New(c, 0x70, 0x71)
			if err != nil {
				t.Fatal(err)
			}
			failed := 0
			for _, place := range []int{0x00, 0x00, 0x07, 0x13, 0x13, 0x00} {
				p := port(t, b, 0x70+uint16(place>>4), place&7)
				var r [1]byte
				for try := range 2 {
					err := p.Tx(0x2A, []byte{0}, r[:])
					if err == nil {
						if int(r[0]) != place {
							t.Fatalf("failure at %d: port 0x%02x answered for 0x%02x", failAt, r[0], place)
						}
						break
					}
					if !errors.Is(err, errNACK) {
						t.Fatalf("failure at %d: %v does not wrap the bus's error", failAt, err)
					}
					if failed++; try == 1 && !forever {
						t.Fatalf("one failure at %d, and the second try fails too: %v", failAt, err)
					}
				}
			}
			if c.clashes > 0 {
				t.Fatalf("failure at %d: two chips answered together %d times", failAt, c.clashes)
			}
			if failed == 0 {
				if failAt < 10 {
					t.Fatalf("only %d transactions", failAt)
				}
				break
			}
		}
	}
}

// A multiplexer that lost its power connects nothing: the transaction fails, and the
// next chooses the port again.
func TestLossOfPower(t *testing.T) {
	c := &chips{}
	b, err := tca9548a.New(c, 0x70)
	if err != nil {
		t.Fatal(err)
	}
	p := port(t, b, 0x70, 5)
	tx(t, p, 5)
	c.control = [2]byte{}
	var r [1]byte
	if err := p.Tx(0x2A, []byte{0}, r[:]); !errors.Is(err, errNACK) {
		t.Fatalf("with no port connected: %v", err)
	}
	tx(t, p, 5)
}

func TestManyGoroutines(t *testing.T) {
	c := &chips{}
	b, err := tca9548a.New(c, 0x70, 0x71)
	if err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	for place := range 16 {
		p := port(t, b, 0x70+uint16(place>>3), place&7)
		wg.Go(func() {
			var r [1]byte
			for range 500 {
				if err := p.Tx(0x2A, []byte{0}, r[:]); err != nil || int(r[0]) != place>>3<<4|place&7 {
					t.Errorf("%v: read 0x%02x, %v", p, r[0], err)
					return
				}
			}
		})
	}
	root := b.Root()
	wg.Go(func() {
		var r [1]byte
		for range 500 {
			if err := root.Tx(0x48, []byte{0}, r[:]); err != nil || r[0] != 0x48 {
				t.Errorf("beside: read 0x%02x, %v", r[0], err)
				return
			}
		}
	})
	wg.Wait()
	if c.clashes > 0 {
		t.Errorf("two chips answered together %d times", c.clashes)
	}
}

func TestRefuses(t *testing.T) {
	bus := &chips{}
	for _, c := range []struct {
		addrs []uint16
		says  string
	}{{nil, "no address"}, {[]uint16{0x6F}, "0x6f"}, {[]uint16{0x78}, "0x78"}, {[]uint16{0x70, 0x70}, "twice"}} {
		if _, err := tca9548a.New(bus, c.addrs...); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("addresses %x: %v, want one that says %q", c.addrs, err, c.says)
		}
	}
	if _, err := tca9548a.New(nil, 0x70); err == nil {
		t.Error("no bus: no error")
	}
	b, err := tca9548a.New(bus, 0x70)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		addr uint16
		port int
	}{{0x71, 0}, {0x70, -1}, {0x70, 8}} {
		if _, err := b.Port(c.addr, c.port); err == nil || !strings.Contains(err.Error(), fmt.Sprintf("port %d", c.port)) {
			t.Errorf("port %d of 0x%x: %v", c.port, c.addr, err)
		}
	}
}

func TestNoAllocation(t *testing.T) {
	c := &chips{}
	b, err := tca9548a.New(c, 0x70, 0x71)
	if err != nil {
		t.Fatal(err)
	}
	p, q, w, r := port(t, b, 0x70, 0), port(t, b, 0x71, 3), make([]byte, 1), make([]byte, 1)
	if n := testing.AllocsPerRun(100, func() {
		for _, x := range []i2c.Bus{p, q} {
			if err := x.Tx(0x2A, w, r); err != nil {
				t.Fatal(err)
			}
		}
	}); n != 0 {
		t.Errorf("%v allocations for two transactions on two multiplexers", n)
	}
}
