package report

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// strips is what the charts within the fills of a report share: how far a strip reaches
// either way of its middle line.
type strips struct {
	rolling float64 // part of the fill's rate; 0: no fill has a rolling rate
	left    float64 // what the fit leaves, in unit; 0: no fill has a fit
	unit    string
}

// leftBlocks is how many means of what the fit leaves are drawn: of 180 s each is over
// 4 s, in which white noise averages out and a bend does not.
const leftBlocks = 45

// stripMost is how far beyond the typical fill's largest a strip may reach, so that one
// bad fill does not flatten all others; it then runs along the strip's edge.
const stripMost = 4

func newStrips(runs []Run) strips {
	var rolling, left []float64
	var s strips
	for _, r := range runs {
		for i := range r.Curves {
			c := &r.Curves[i]
			line, _, _ := c.rolling() // its band may go beyond the strip
			if far := largest(line); far > 0 {
				rolling = append(rolling, far)
			}
			if _, unit := c.values(); s.unit == "" || s.unit == unit {
				if far := largest(c.leftOver()); far > 0 {
					left, s.unit = append(left, far), unit
				}
			}
		}
	}
	reach := func(all []float64) float64 {
		if len(all) == 0 {
			return 0
		}
		return reachFor(min(slices.Max(all), stripMost*median(all)))
	}
	s.rolling, s.left = reach(rolling), reach(left)
	return s
}

// reachFor is the round number at or above far that a strip reaches to.
func reachFor(far float64) float64 {
	power := math.Pow10(int(math.Floor(math.Log10(far))))
	for _, m := range []float64{1, 1.5, 2, 3, 4, 5, 6, 8} {
		if m*power >= far {
			return m * power
		}
	}
	return 10 * power
}

func (s strips) drawn() bool { return s.rolling > 0 || s.left > 0 }

// says explains the strips under the head of the fill curves.
func (s strips) says() string {
	var says []string
	if s.rolling > 0 {
		says = append(says, fmt.Sprintf("the rate within each fill with its 95\u00a0%% band, against the fill's own rate (the middle line; a strip reaches ±%s\u00a0%%)", typed(100*s.rolling)))
	}
	if s.left > 0 {
		says = append(says, fmt.Sprintf("what the fitted line leaves, as %d means over the fill (a strip reaches ±%s\u00a0%s): a sound fill leaves no bend and no step", leftBlocks, typed(s.left), s.unit))
	}
	return strings.Join(says, "; ") + "."
}

// largest is how far points go from zero.
func largest(points []point) float64 {
	far := 0.0
	for _, p := range points {
		far = math.Max(far, math.Abs(p.y))
	}
	return far
}

// rollingMost is how many rates within a fill are drawn: a strip is not much over twice as
// many units wide.
const rollingMost = 60

// rolling is the rate within the fill less the fill's, as part of the fill's, and the
// ends of its 95 % band.
func (c *Curve) rolling() (line, low, high []point) {
	if !usable(c.Rate) || c.Rate == 0 {
		return nil, nil, nil
	}
	every := (len(c.Rolling) + rollingMost - 1) / rollingMost
	for i, r := range c.Rolling {
		if i%every != 0 || !usable(r.AtS) || !usable(r.Rate) {
			continue
		}
		part := (r.Rate - c.Rate) / math.Abs(c.Rate)
		line = append(line, point{r.AtS, part})
		if usable(r.U95) {
			u := r.U95 / math.Abs(c.Rate)
			low, high = append(low, point{r.AtS, part - u}), append(high, point{r.AtS, part + u})
		}
	}
	return line, low, high
}

// leftOver is the means of what the fitted line leaves of the fill's readings.
func (c *Curve) leftOver() []point {
	f := c.Fit
	if f == nil || !usable(f.FromS) || !usable(f.ToS) || !usable(f.FromY) || !usable(f.ToY) || !(f.ToS > f.FromS) {
		return nil
	}
	ys, _ := c.values()
	var sum, n [leftBlocks]float64
	long := f.ToS - f.FromS
	for i, t := range c.ElapsedS {
		if !usable(t) || !usable(ys[i]) || t < f.FromS || t >= f.ToS {
			continue
		}
		part := (t - f.FromS) / long
		k := min(int(part*leftBlocks), leftBlocks-1)
		sum[k] += ys[i] - f.FromY - part*(f.ToY-f.FromY)
		n[k]++
	}
	var out []point
	for k := range sum {
		if n[k] > 0 {
			out = append(out, point{f.FromS + long*(float64(k)+0.5)/leftBlocks, sum[k] / n[k]})
		}
	}
	return out
}

// moment is when a flag says that something was, and whether it names a time at all. What
// lasts for most of the fill is no moment.
func (c *Curve) moment(f Flag) (from, to float64, ok bool) {
	from, to = f.FromS, math.Max(f.FromS, f.ToS)
	if !usable(from) || !usable(to) || from == 0 && to == 0 {
		return 0, 0, false
	}
	const most = 0.8
	return from, to, !(to-from > most*(c.EndS-c.OnsetS))
}

// withinChart has a row for each fill of a run: the rate within it, and what the fit
// leaves; empty when there is neither.
func withinChart(id string, run Run, s strips, apart map[int]Finding) string {
	const left, right, gap, top, rowH, half = 20.0, 34.0, 14.0, 24.0, 31.0, 13.0
	type column struct {
		title    string
		lo, hi   float64
		from, to float64 // drawing units
	}
	first, last := math.Inf(1), math.Inf(-1)
	var curves []*Curve
	for i := range run.Curves {
		c := &run.Curves[i]
		line, _, _ := c.rolling()
		if usable(c.OnsetS) && usable(c.EndS) && len(line)+len(c.leftOver()) > 0 {
			curves = append(curves, c)
			first, last = math.Min(first, c.OnsetS), math.Max(last, c.EndS)
		}
	}
	if len(curves) == 0 || !s.drawn() || !(first < last) {
		return ""
	}
	slices.SortStableFunc(curves, func(a, b *Curve) int { return a.Injector - b.Injector })
	var columns []column
	if s.rolling > 0 {
		columns = append(columns, column{title: "rate, ±" + typed(100*s.rolling) + "\u00a0%"})
	}
	if s.left > 0 {
		columns = append(columns, column{title: "left by the fit, ±" + typed(s.left) + "\u00a0" + s.unit})
	}
	wide := (chartWidth - left - right - gap*float64(len(columns)-1)) / float64(len(columns))
	base := top + rowH*float64(len(curves))
	for i := range columns {
		columns[i].from = left + (wide+gap)*float64(i)
		columns[i].to = columns[i].from + wide
	}

	body := &canvas{}
	var says []string
	for row, c := range curves {
		y := top + rowH*(float64(row)+0.5)
		class, hue := "lab", ""
		if apart[c.Injector].Apart() {
			class, hue = "lab apart", " apart"
		}
		body.text(class, "end", left-6, y+4, itoa(c.Injector))
		rolling, low, high := c.rolling()
		leaves := c.leftOver()
		for i, col := range columns {
			ax := newAxis([]float64{first, last}, col.from, col.to, 3).tight(first, last)
			body.rect("strip", col.from, y-half, wide, 2*half)
			for _, f := range c.Flags {
				from, to, ok := c.moment(f)
				if !ok || to < first || from > last {
					continue
				}
				if x1, x2 := ax.at(from), ax.at(to); x2-x1 > 2 {
					body.rect("when", x1, y-half, x2-x1, 2*half)
				} else {
					body.line("moment", (x1+x2)/2, y-half, (x1+x2)/2, y+half)
				}
			}
			body.line("zero", col.from, y, col.to, y)
			ofRate := s.rolling > 0 && i == 0
			reach, line := s.left, leaves
			if ofRate {
				reach, line = s.rolling, rolling
			}
			ay := axis{lo: -reach, hi: reach, from: y + half, to: y - half}
			at := func(ps []point) []point {
				var out []point
				for _, p := range ps {
					out = append(out, point{ax.at(p.x), ay.at(p.y)})
				}
				return out
			}
			if ofRate && len(low) > 1 {
				back := at(low)
				slices.Reverse(back)
				body.path("rollband", [][]point{append(at(high), back...)})
			}
			if len(line) > 0 {
				body.path("curve thin"+hue, [][]point{at(line)})
			}
		}
		body.text("lab", "start", chartWidth-right+6, y+4, flagLetters(c.Flags))
		say := fmt.Sprintf("injector %d", c.Injector)
		if far := largest(rolling); far > 0 {
			say += fmt.Sprintf(": rate within ±%s\u00a0%% of the fill's", significant(100*far, 2))
		}
		if far := largest(leaves); far > 0 {
			say += fmt.Sprintf(", the fit leaves up to %s %s", significant(far, 2), s.unit)
		}
		for _, f := range c.Flags {
			if from, _, ok := c.moment(f); ok {
				say += fmt.Sprintf(", %s (%s) at %s s", f.Code, f.Severity, significant(from, 3))
			}
		}
		says = append(says, say)
	}
	out := newCanvas(id, "Within the fills of "+runName(run), strings.Join(says, "; ")+".", chartWidth, base+40)
	for _, col := range columns {
		out.text("tick", "start", col.from, 12, col.title)
		ax := newAxis([]float64{first, last}, col.from, col.to, 6).tight(first, last)
		for _, t := range ax.ticks {
			out.line("axis", ax.at(t), base+2, ax.at(t), base+6)
			out.text("tick", "middle", ax.at(t), base+19, ax.label(t))
		}
		out.line("axis", col.from, base+2, col.to, base+2)
		out.text("lab", "middle", (col.from+col.to)/2, base+34, "time, s")
	}
	out.text("tick", "start", chartWidth-right+4, 12, "flags")
	out.b.WriteString(body.b.String())
	return out.done()
}

// flagLetters is a letter for each severity on a fill, the gravest first.
func flagLetters(flags []Flag) string {
	var out []string
	for _, s := range []string{"forbids", "doubt", "note"} {
		if slices.ContainsFunc(flags, func(f Flag) bool { return f.Severity == s }) {
			out = append(out, strings.ToUpper(s[:1]))
		}
	}
	return strings.Join(out, " ")
}
