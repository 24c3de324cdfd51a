package report

import (
	"html"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"
)

// canvas writes one SVG drawing. Lengths are in its own units, about one CSS
// pixel on a phone; the page scales it. Looks come from the page's style sheet by
// class; what must survive without it (shape, position) is in the drawing.
type canvas struct{ b strings.Builder }

// newCanvas opens a drawing that is read out as title, then desc. id must be
// unique in the page.
func newCanvas(id, title, desc string, w, h float64) *canvas {
	c := &canvas{}
	c.b.WriteString(`<svg role="img" aria-labelledby="` + id + `-t ` + id + `-d" viewBox="0 0 `)
	c.num(w)
	c.b.WriteByte(' ')
	c.num(h)
	c.b.WriteString(`"><title id="` + id + `-t">` + html.EscapeString(title) + `</title><desc id="` + id + `-d">` + html.EscapeString(desc) + `</desc>`)
	return c
}

func (c *canvas) done() string {
	c.b.WriteString("</svg>")
	return c.b.String()
}

// num writes a coordinate to a tenth. Coordinates come from axis.at, which never
// gives one that is not finite.
func (c *canvas) num(v float64) {
	v = math.Round(v*10) / 10
	if v == 0 {
		v = 0 // no "-0"
	}
	var buf [24]byte
	c.b.Write(strconv.AppendFloat(buf[:0], v, 'f', -1, 64))
}

func (c *canvas) attr(name string, v float64) {
	c.b.WriteString(" " + name + `="`)
	c.num(v)
	c.b.WriteByte('"')
}

func (c *canvas) line(class string, x1, y1, x2, y2 float64) {
	c.b.WriteString(`<line class="` + class + `"`)
	c.attr("x1", x1)
	c.attr("y1", y1)
	c.attr("x2", x2)
	c.attr("y2", y2)
	c.b.WriteString("/>")
}

func (c *canvas) rect(class string, x, y, w, h float64) {
	c.b.WriteString(`<rect class="` + class + `"`)
	c.attr("x", x)
	c.attr("y", y)
	c.attr("width", w)
	c.attr("height", h)
	c.b.WriteString("/>")
}

// text writes s at a baseline; anchor is "start", "middle" or "end".
func (c *canvas) text(class, anchor string, x, y float64, s string) {
	c.b.WriteString(`<text class="` + class + `" text-anchor="` + anchor + `"`)
	c.attr("x", x)
	c.attr("y", y)
	c.b.WriteByte('>')
	c.b.WriteString(html.EscapeString(s))
	c.b.WriteString("</text>")
}

// path draws stretches of points that are already in drawing units.
func (c *canvas) path(class string, stretches [][]point) {
	c.b.WriteString(`<path class="` + class + `" d="`)
	for _, s := range stretches {
		for i, p := range s {
			switch i {
			case 0:
				c.b.WriteByte('M')
			case 1:
				c.b.WriteByte('L')
			default:
				c.b.WriteByte(' ')
			}
			c.num(p.x)
			c.b.WriteByte(' ')
			c.num(p.y)
		}
		if len(s) == 1 {
			c.b.WriteString("h0") // a lone point shows as its round cap
		}
	}
	c.b.WriteString(`"/>`)
}

// shape is a marker's form.
type shape int

const (
	disc shape = iota
	ring
	square
	up
	down
	diamond
	box
)

// mark draws a marker of half width r.
func (c *canvas) mark(s shape, class string, x, y, r float64) {
	poly := func(ps ...float64) {
		c.b.WriteString(`<polygon class="` + class + `" points="`)
		for i := 0; i < len(ps); i += 2 {
			if i > 0 {
				c.b.WriteByte(' ')
			}
			c.num(x + r*ps[i])
			c.b.WriteByte(',')
			c.num(y + r*ps[i+1])
		}
		c.b.WriteString(`"/>`)
	}
	switch s {
	case disc, ring:
		c.b.WriteString(`<circle class="` + class + `"`)
		c.attr("cx", x)
		c.attr("cy", y)
		c.attr("r", r)
		c.b.WriteString("/>")
	case square, box:
		poly(-.9, -.9, .9, -.9, .9, .9, -.9, .9)
	case up:
		poly(0, -1.2, 1.15, .9, -1.15, .9)
	case down:
		poly(0, 1.2, 1.15, -.9, -1.15, -.9)
	case diamond:
		poly(0, -1.3, 1.3, 0, 0, 1.3, -1.3, 0)
	}
}

// clip shortens s to about width drawing units at the given type size. Taken
// width of a character: 0.56 of the size, an average for the sans-serif faces of
// common systems.
func clip(s string, width, size float64) string {
	n := int(width / (0.56 * size))
	if utf8.RuneCountInString(s) <= n {
		return s
	}
	r := []rune(s)
	return strings.TrimSpace(string(r[:max(n-1, 1)])) + "…"
}

// axis maps values to drawing units.
type axis struct {
	lo, hi   float64 // values
	from, to float64 // drawing units
	ticks    []float64
	decimals int // of the tick labels
}

// newAxis takes the values it must hold, of which it looks at the usable ones,
// and about how many ticks it may have. Its ends lie on ticks, its step is 1, 2
// or 5 times a power of ten.
func newAxis(values []float64, from, to float64, maxTicks int) axis {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, v := range values {
		if usable(v) {
			lo, hi = math.Min(lo, v), math.Max(hi, v)
		}
	}
	if lo > hi {
		lo, hi = 0, 1
	}
	if hi-lo <= 1e-9*math.Max(math.Abs(lo), math.Abs(hi)) {
		pad := math.Max(math.Abs(lo)/10, 0.5)
		lo, hi = lo-pad, hi+pad
	}
	step, dec := niceStep((hi - lo) / float64(max(maxTicks-1, 1)))
	for math.Ceil(hi/step)-math.Floor(lo/step) > float64(maxTicks) {
		step, dec = niceStep(step * 1.5)
	}
	first, last := math.Floor(lo/step+1e-9), math.Ceil(hi/step-1e-9)
	a := axis{lo: first * step, hi: last * step, from: from, to: to, decimals: dec}
	for k := first; k <= last; k++ {
		a.ticks = append(a.ticks, k*step)
	}
	return a
}

// niceStep is the smallest step of 1, 2 or 5 times a power of ten that is not
// below raw, and the decimals its multiples need.
func niceStep(raw float64) (step float64, decimals int) {
	exp := int(math.Floor(math.Log10(raw)))
	for _, m := range []float64{1, 2, 5} {
		// Divide for small steps: 2/1000 is nearer to 0.002 than 2*0.001.
		if exp < 0 {
			step = m / math.Pow10(-exp)
		} else {
			step = m * math.Pow10(exp)
		}
		if step >= raw*(1-1e-9) {
			return step, max(0, -exp)
		}
	}
	exp++
	if exp < 0 {
		return 1 / math.Pow10(-exp), -exp
	}
	return math.Pow10(exp), 0
}

// tight returns the axis cut to lo and hi, with the ticks that are left.
func (a axis) tight(lo, hi float64) axis {
	if !(lo < hi) {
		return a
	}
	eps := 1e-9 * (hi - lo)
	kept := make([]float64, 0, len(a.ticks))
	for _, t := range a.ticks {
		if t >= lo-eps && t <= hi+eps {
			kept = append(kept, t)
		}
	}
	a.lo, a.hi, a.ticks = lo, hi, kept
	return a
}

// at is where v is drawn; a value beyond an end, or not a number, is drawn at the
// nearer end. What is missing must not get here: ask usable first.
func (a axis) at(v float64) float64 {
	f := (v - a.lo) / (a.hi - a.lo)
	if !(f > 0) {
		f = 0
	} else if f > 1 {
		f = 1
	}
	return a.from + f*(a.to-a.from)
}

func (a axis) label(tick float64) string { return typeset(fixed(tick, a.decimals)) }
