package calibrate

import "math"

// WithBend returns the line, fitted to these points, with a third part in u(span): that
// the channel is not as straight as the line. The means of each load, up and down apart
// (a fill goes up only), tell how far off it is at the most, d, over loads of a width S:
//
//	arc = 3/2 d,  u(bend) = |span| (4 arc/S)/√3
//
// Over a part of the range a parabola's slope differs from its line's by up to 4 arc/S,
// and is uniform up to that (GUM 4.3.7) for a fill that may lie anywhere; 3/2 is the arc
// over the largest residual of evenly spread loads. The residuals' scatter does not tell
// this: it is averaged over all points, and the bend stays. Without it a check in the
// middle of the range finds a channel out of tolerance that is as straight as its limit
// asks, and a rate's interval is too narrow. The tolerance of the loads is not taken off
// d: what they and what the channel did cannot be told apart.
func (l Line) WithBend(points []Point) Line {
	if len(points) != len(l.Residuals) || !(l.ToG > l.FromG) {
		return l
	}
	off := 0.0
	for _, group := range byMass(points) {
		var up, down mean
		for _, i := range group {
			if points[i].Down {
				down.add(l.Residuals[i])
			} else {
				up.add(l.Residuals[i])
			}
		}
		off = max(off, math.Abs(up.m), math.Abs(down.m))
	}
	const arc = 1.5
	l.USpanBend = 4 * arc * off / (l.ToG - l.FromG) / math.Sqrt(3)
	l.USpan = math.Sqrt(l.USpanFit*l.USpanFit + l.USpanMass*l.USpanMass + l.USpanBend*l.USpanBend)
	return l
}
