package report

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"
)

// All charts are chartWidth drawing units wide, so that on a phone of 360 pixels
// one unit is just under one pixel and type of 12 units can be read; wider screens
// and paper set them side by side.
const (
	chartWidth = 360.0
	typeSize   = 12.0
)

func itoa(n int) string { return strconv.Itoa(n) }

// bottomAxis draws ticks, their grid lines up to top, and the title below.
func (c *canvas) bottomAxis(a axis, top, y float64, title string) {
	for _, t := range a.ticks {
		x := a.at(t)
		c.line("grid", x, top, x, y)
		c.text("tick", "middle", x, y+15, a.label(t))
	}
	c.line("axis", a.from, y, a.to, y)
	c.text("lab", "middle", (a.from+a.to)/2, y+31, title)
}

// interval draws a horizontal interval with end strokes; an end that is infinite
// runs to the plot's edge and ends in an arrow head instead. An interval with an
// end that is not known is not drawn.
func (c *canvas) interval(class string, a axis, lo, hi, y float64) {
	if math.IsNaN(lo) || math.IsNaN(hi) {
		return
	}
	x1, x2 := a.from, a.to
	if usable(lo) {
		x1 = a.at(lo)
		c.line(class, x1, y-4, x1, y+4)
	} else {
		c.path(class, [][]point{{{x1 + 5, y - 4}, {x1, y}, {x1 + 5, y + 4}}})
	}
	if usable(hi) {
		x2 = a.at(hi)
		c.line(class, x2, y-4, x2, y+4)
	} else {
		c.path(class, [][]point{{{x2 - 5, y - 4}, {x2, y}, {x2 - 5, y + 4}}})
	}
	c.line(class, x1, y, x2, y)
}

// rateChart shows the rates of one phase, a row each, with their intervals and
// the median of the set. values are all that the axis must hold, so that charts
// of several phases can share it.
func rateChart(id, phase, unit string, rows []RateRow, values []float64) string {
	const left, right, top, rowH = 44.0, 108.0, 40.0, 28.0
	base := top + rowH*float64(len(rows))
	a := newAxis(values, left, chartWidth-right, 6)
	rates := make([]float64, 0, len(rows))
	var says []string
	for _, r := range rows {
		rates = append(rates, r.Rate)
		s := fmt.Sprintf("injector %d: %s %s", r.Injector, withU(r.Rate, r.U95), unit)
		if r.Finding != NoFinding {
			s += ", " + string(r.Finding)
		}
		says = append(says, s)
	}
	set := median(rates)
	if usable(set) {
		says = append(says, "median of the set "+typeset(significant(set, 3))+" "+unit)
	}
	c := newCanvas(id, "Rate per injector, "+phase+", with 95\u00a0% intervals", strings.Join(says, "; ")+".", chartWidth, base+38)
	c.text("tick", "start", 0, 12, "injector")
	c.text("tick", "end", chartWidth, 12, unit+", ± U (95\u00a0%)")
	c.bottomAxis(a, top-6, base, "rate, "+unit)
	if usable(set) {
		x := a.at(set)
		c.line("median", x, top-6, x, base)
		anchor := "middle"
		if x < left+40 {
			anchor = "start"
		} else if x > a.to-40 {
			anchor = "end"
		}
		c.text("lab", anchor, x, top-11, "median "+typeset(significant(set, 3)))
	}
	for i, r := range rows {
		y := top + rowH*(float64(i)+0.5)
		hue := ""
		if r.Finding.Apart() {
			hue = " apart"
		}
		c.text("big"+hue, "end", 22, y+4.5, itoa(r.Injector))
		if !usable(r.Rate) {
			c.text("lab", "end", chartWidth, y+4, "no rate")
			continue
		}
		if usable(r.U95) {
			c.interval("ci"+hue, a, r.Rate-r.U95, r.Rate+r.U95, y)
		}
		c.mark(r.Finding.shape(), pointClass(r.Finding), a.at(r.Rate), y, 5)
		c.text("val"+hue, "end", chartWidth, y+4, withU(r.Rate, r.U95))
	}
	return c.done()
}

func pointClass(f Finding) string {
	switch {
	case f.Apart():
		return "pt apart"
	case f == InLine:
		return "pt"
	}
	return "pt open"
}

// pairChart shows each injector before and after, joined, with intervals.
// change gives the percentage per injector for the right margin; a row without
// one leaves it empty.
func pairChart(id, unit, before, after string, injectors []int, b, a map[int]RateRow, change map[int]InjectorChange) string {
	const left, right, top, rowH = 44.0, 66.0, 46.0, 38.0
	base := top + rowH*float64(len(injectors))
	var values []float64
	var says []string
	for _, n := range injectors {
		for _, r := range []RateRow{b[n], a[n]} {
			if r.Injector != 0 {
				values = append(values, r.Rate, r.Rate-r.U95, r.Rate+r.U95)
			}
		}
		says = append(says, fmt.Sprintf("injector %d: %s, then %s", n, rateSays(b[n]), rateSays(a[n])))
	}
	ax := newAxis(values, left, chartWidth-right, 6)
	c := newCanvas(id, "Each injector before and after, with 95\u00a0% intervals",
		"In "+unit+"; "+before+" first, "+after+" second. "+strings.Join(says, "; ")+".", chartWidth, base+38)
	c.text("tick", "start", 0, 12, "injector")
	c.text("tick", "end", chartWidth, 12, "change")
	// The key stands in the drawing, beside the shapes it explains.
	half := (chartWidth - left - right) / 2
	c.mark(ring, "pt open", left+6, 26, 4.5)
	c.text("lab", "start", left+15, 30, clip(before, half-22, typeSize))
	c.mark(square, "pt", left+half+6, 26, 4.5)
	c.text("lab", "start", left+half+15, 30, clip(after, half-22, typeSize))
	c.bottomAxis(ax, top-6, base, "rate, "+unit)
	for i, n := range injectors {
		y := top + rowH*(float64(i)+0.5)
		rb, okB := b[n]
		ra, okA := a[n]
		okB, okA = okB && usable(rb.Rate), okA && usable(ra.Rate)
		yb, ya := y-8, y+8
		if i > 0 {
			c.line("grid", 0, y-rowH/2, chartWidth, y-rowH/2)
		}
		c.text("big", "end", 22, y+4.5, itoa(n))
		if okB && okA {
			c.line("join", ax.at(rb.Rate), yb, ax.at(ra.Rate), ya)
		}
		if okB {
			if usable(rb.U95) {
				c.interval("ci", ax, rb.Rate-rb.U95, rb.Rate+rb.U95, yb)
			}
			c.mark(ring, "pt open", ax.at(rb.Rate), yb, 4.5)
		}
		if okA {
			if usable(ra.U95) {
				c.interval("ci", ax, ra.Rate-ra.U95, ra.Rate+ra.U95, ya)
			}
			c.mark(square, "pt", ax.at(ra.Rate), ya, 4.5)
		}
		if j, ok := change[n]; ok && usable(j.Percent) {
			v, _, _ := FormatInterval(j.Percent, j.CI95[0], j.CI95[1])
			c.text("val", "end", chartWidth, y+4, signed(v)+"\u00a0%")
		} else if !okB || !okA {
			c.text("lab", "end", chartWidth, y+4, "no pair")
		}
	}
	return c.done()
}

func rateSays(r RateRow) string {
	if r.Injector == 0 || !usable(r.Rate) {
		return "no rate"
	}
	return withU(r.Rate, r.U95)
}

// changeChart shows the change of the whole set and of each injector, with 95 %
// intervals, against the margin.
func changeChart(id string, ch *Change) string {
	const left, right, top, rowH = 84.0, 66.0, 40.0, 26.0
	const setH = 40.0
	base := top + setH + rowH*float64(len(ch.Injectors))
	values := []float64{0, ch.Percent, ch.CI95[0], ch.CI95[1]}
	hasMargin := usable(ch.MarginPercent) && ch.MarginPercent > 0
	if hasMargin {
		values = append(values, -1.1*ch.MarginPercent, 1.1*ch.MarginPercent)
	}
	for _, j := range ch.Injectors {
		values = append(values, j.Percent, j.CI95[0], j.CI95[1])
	}
	a := newAxis(values, left, chartWidth-right, 6)
	says := []string{"whole set " + changeSays(ch.Percent, ch.CI95)}
	if hasMargin {
		says = append(says, "margin ±"+typed(ch.MarginPercent)+"\u00a0%")
	}
	for _, j := range ch.Injectors {
		says = append(says, fmt.Sprintf("injector %d %s", j.Injector, changeSays(j.Percent, j.CI95)))
	}
	c := newCanvas(id, "Change of the set and of each injector against the margin, with 95\u00a0% intervals", strings.Join(says, "; ")+".", chartWidth, base+38)
	if hasMargin {
		x1, x2 := a.at(-ch.MarginPercent), a.at(ch.MarginPercent)
		c.rect("band", x1, top-6, x2-x1, base-top+6)
		c.line("edge", x1, top-6, x1, base)
		c.line("edge", x2, top-6, x2, base)
		c.text("lab", "middle", math.Min(math.Max((x1+x2)/2, left+46), a.to-46), top-11, "margin ±"+typed(ch.MarginPercent)+"\u00a0%")
	}
	c.text("tick", "end", chartWidth, 12, "change")
	c.bottomAxis(a, top-6, base, "change, %")
	c.line("zero", a.at(0), top-6, a.at(0), base)
	row := func(name, class string, y, percent float64, ci [2]float64, s shape, r float64) {
		c.text(class, "start", 0, y+4, name)
		if !usable(percent) {
			c.text("lab", "end", chartWidth, y+4, "not known")
			return
		}
		c.interval(map[bool]string{true: "ci set", false: "ci"}[class == "big"], a, ci[0], ci[1], y)
		c.mark(s, "pt", a.at(percent), y, r)
		v, _, _ := FormatInterval(percent, ci[0], ci[1])
		c.text("val", "end", chartWidth, y+4, signed(v)+"\u00a0%")
	}
	row("whole set", "big", top+setH/2-2, ch.Percent, ch.CI95, diamond, 6)
	if len(ch.Injectors) > 0 {
		c.line("grid", 0, top+setH-3, chartWidth, top+setH-3)
	}
	for i, j := range ch.Injectors {
		row("injector "+itoa(j.Injector), "lab", top+setH+rowH*(float64(i)+0.5), j.Percent, j.CI95, disc, 3.5)
	}
	return c.done()
}

func changeSays(percent float64, ci [2]float64) string {
	if !usable(percent) {
		return "not known"
	}
	v, lo, hi := FormatInterval(percent, ci[0], ci[1])
	if lo == missing || hi == missing {
		return signed(v) + "\u00a0% (interval not known)"
	}
	return signed(v) + "\u00a0% (95\u00a0% interval " + signed(lo) + " to " + signed(hi) + "\u00a0%)"
}

// fillScale is what the fill charts of a report share.
type fillScale struct {
	maxS   float64
	values map[string][]float64 // by unit: what the axis must hold
}

func newFillScale(runs []Run) fillScale {
	s := fillScale{values: map[string][]float64{"mL": {0}, "g": {0}}}
	for _, r := range runs {
		for _, c := range r.Curves {
			ys, unit := c.values()
			lo, hi := math.Inf(1), math.Inf(-1)
			for i, y := range ys {
				if usable(y) && usable(c.ElapsedS[i]) {
					lo, hi = math.Min(lo, y), math.Max(hi, y)
					s.maxS = math.Max(s.maxS, c.ElapsedS[i])
				}
			}
			if lo <= hi {
				s.values[unit] = append(s.values[unit], lo, hi)
			}
		}
	}
	if s.maxS == 0 {
		s.maxS = 1
	}
	return s
}

// fillChart shows the fill curves of one run, drawn solid, since a dash could be
// read as a gap; each is told by the injector's number at its end. apart names
// the injectors that stand apart. It also says where curves have gaps.
func fillChart(id string, run Run, scale fillScale, apart map[int]Finding) (drawing string, gaps []string) {
	const left, right, top, base, height = 34.0, 40.0, 22.0, 206.0, 246.0
	unit := "mL"
	for _, c := range run.Curves {
		_, unit = c.values()
	}
	ax := newAxis([]float64{0, scale.maxS}, left, chartWidth-right, 6).tight(0, scale.maxS)
	// Noise around an empty tube goes a little below zero: that is no reason for
	// an axis that starts a whole step lower, and is drawn within the frame.
	lo, hi := slices.Min(scale.values[unit]), slices.Max(scale.values[unit])
	if lo > -0.04*hi {
		lo, hi = -0.015*hi, 1.02*hi
	}
	ay := newAxis([]float64{lo, hi}, base, top, 8).tight(lo, hi)
	type ending struct {
		curve *Curve
		end   point
		y     float64 // of its label
	}
	var ends []ending
	var says []string
	fits, body := &canvas{}, &canvas{} // the fits lie beneath every curve
	for i := range run.Curves {
		c := &run.Curves[i]
		ys, u := c.values()
		if u != unit { // one axis, one unit: what it cannot show is said
			gaps = append(gaps, fmt.Sprintf("%s is in %s and not drawn", c.Channel, u))
			continue
		}
		stretches := thin(c.ElapsedS, ys, c.GapS, ax.lo, ax.hi, int(ax.to-ax.from)/2)
		if len(stretches) == 0 {
			gaps = append(gaps, fmt.Sprintf("%s has no readings", c.Channel))
			continue
		}
		for k := 1; k < len(stretches); k++ {
			was := stretches[k-1][len(stretches[k-1])-1]
			gaps = append(gaps, fmt.Sprintf("%s: gap from %s to %s s", c.Channel, significant(was.x, 3), significant(stretches[k][0].x, 3)))
		}
		tail := stretches[len(stretches)-1]
		last := tail[len(tail)-1]
		if c.Fit != nil && usable(c.Fit.FromS) && usable(c.Fit.ToS) && usable(c.Fit.FromY) && usable(c.Fit.ToY) {
			fits.line("fit", ax.at(c.Fit.FromS), ay.at(c.Fit.FromY), ax.at(c.Fit.ToS), ay.at(c.Fit.ToY))
		}
		onset, end := pointAt(stretches, c.OnsetS), pointAt(stretches, c.EndS)
		drawn := make([][]point, len(stretches))
		for n, s := range stretches {
			for _, p := range s {
				drawn[n] = append(drawn[n], point{ax.at(p.x), ay.at(p.y)})
			}
		}
		class := "curve"
		if apart[c.Injector].Apart() {
			class += " apart"
		}
		body.path(class, drawn)
		if usable(onset.x) {
			body.mark(ring, "pt small", ax.at(onset.x), ay.at(onset.y), 2.6)
		}
		if usable(end.x) {
			body.mark(box, "pt small", ax.at(end.x), ay.at(end.y), 2.6)
		}
		for _, f := range c.Flags {
			if from, _, ok := c.moment(f); ok {
				if p := pointAt(stretches, from); usable(p.x) {
					body.mark(diamond, "pt open", ax.at(p.x), ay.at(p.y), 3.2)
				}
			}
		}
		says = append(says, fmt.Sprintf("injector %d ends at %s %s", c.Injector, typeset(significant(last.y, 3)), unit))
		at := point{ax.at(last.x), ay.at(last.y)}
		ends = append(ends, ending{c, at, at.y})
	}
	desc := strings.Join(says, "; ") + "."
	if len(says) == 0 {
		desc = "No curve can be drawn."
	}
	c := newCanvas(id, "Fill curves of "+runName(run), desc, chartWidth, height)
	c.text("tick", "start", 0, 10, unit)
	c.text("tick", "end", chartWidth, 10, "injector")
	for _, t := range ay.ticks {
		c.line("grid", left, ay.at(t), ax.to, ay.at(t))
		c.text("tick", "end", left-5, ay.at(t)+4, ay.label(t))
	}
	for _, t := range ax.ticks {
		c.line("axis", ax.at(t), base, ax.at(t), base+4)
		c.text("tick", "middle", ax.at(t), base+17, ax.label(t))
	}
	c.line("axis", left, base, ax.to, base)
	c.text("lab", "middle", (left+ax.to)/2, base+33, "time, s")
	c.b.WriteString(fits.b.String() + body.b.String())

	// Labels move apart, at most to the plot's ends, and keep the curves' order.
	sort.SliceStable(ends, func(i, j int) bool { return ends[i].end.y < ends[j].end.y })
	ys := make([]float64, len(ends))
	for i := range ends {
		ys[i] = ends[i].y
	}
	spread(ys, math.Min(13, (base-top)/float64(max(len(ends)-1, 1))), top, base)
	x := ax.to + 14
	for i, e := range ends {
		class, name := "lab", itoa(e.curve.Injector)
		if f := apart[e.curve.Injector]; f.Apart() {
			class, name = "lab apart", name+" "+f.Mark()
		}
		c.line("leader", e.end.x+2, e.end.y, x-2, ys[i])
		c.text(class, "start", x, ys[i]+4, name)
	}
	if len(ends) == 0 {
		c.text("lab", "middle", (left+ax.to)/2, (top+base)/2, "no curve")
	}
	return c.done(), gaps
}

// pointAt is the curve's point at a time, between readings if need be; in a gap
// or off the curve it is not a number.
func pointAt(stretches [][]point, x float64) point {
	for _, s := range stretches {
		if !usable(x) || x < s[0].x || x > s[len(s)-1].x {
			continue
		}
		i := sort.Search(len(s), func(i int) bool { return s[i].x >= x })
		if s[i].x == x {
			return s[i]
		}
		p, q := s[i-1], s[i]
		return point{x, p.y + (q.y-p.y)*(x-p.x)/(q.x-p.x)}
	}
	return point{math.NaN(), math.NaN()}
}

// spread moves ascending ys until neighbours are gap apart, within lo and hi.
func spread(ys []float64, gap, lo, hi float64) {
	for i := range ys {
		if i == 0 {
			ys[i] = math.Max(ys[i], lo)
		} else {
			ys[i] = math.Max(ys[i], ys[i-1]+gap)
		}
	}
	for i := len(ys) - 1; i >= 0; i-- {
		limit := hi
		if i < len(ys)-1 {
			limit = ys[i+1] - gap
		}
		ys[i] = math.Min(ys[i], limit)
	}
}

// glyph is a marker by itself, for tables and lists; the words beside it say it.
func glyph(f Finding) string {
	c := &canvas{}
	c.b.WriteString(`<svg class="glyph" viewBox="0 0 14 14" aria-hidden="true">`)
	c.mark(f.shape(), pointClass(f), 7, 7, 5)
	return c.done()
}

// bar is a share of the whole from 0 to 1, for the budget; the number beside it
// says it.
func bar(share float64) string {
	c := &canvas{}
	c.b.WriteString(`<svg class="bar" viewBox="0 0 100 10" preserveAspectRatio="none" aria-hidden="true">`)
	c.rect("barbox", 0, 0, 100, 10)
	c.rect("barfill", 0, 0, 100*share, 10)
	return c.done()
}

func runName(r Run) string {
	s := "run " + itoa(r.Number)
	if r.Test != "" {
		s = r.Test + ", " + s
	}
	return s
}
