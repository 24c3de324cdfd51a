package mixed

// A covariance parameter r is an entry (a, b), a >= b, of one random effect's
// covariance: V changes with it by G_r = Za Zb' + Zb Za' (Za Za' where a = b), Za being
// the effect's column a at all levels, n by levels. All that estimation and inference
// need of V are the moments below (in units of sigma^2 = 1).
type moments struct {
	k     int         // parameters
	trace []float64   // tr P G_r
	info  []float64   // tr P G_r P G_s, k by k
	a     []float64   // y'P G_r P y
	b     []float64   // y'P G_r P G_s P y, k by k
	phi   []float64   // (X'V^-1 X)^-1
	px    [][]float64 // X'V^-1 G_r V^-1 X, p by p each
	qx    [][]float64 // X'V^-1 G_r V^-1 G_s V^-1 X, [r*k+s]
}

// P is V^-1 - V^-1 X phi X'V^-1; where the fit is by maximum likelihood, V^-1 stands
// in its place in the traces.

// pair is a parameter's block and entry.
type pair struct {
	blk  *block
	i    int // the block's place
	a, b int
}

func (pr *problem) pairs() []pair {
	var out []pair
	for i, blk := range pr.blocks {
		for a := range blk.c {
			for b := range a + 1 {
				out = append(out, pair{blk, i, a, b})
			}
		}
	}
	return out
}

// sandwich holds Z'V^-1 [Z2 X] and what Z1'V^-1 Z1 is made of.
type sandwich struct {
	c2  []float64 // Z2'V^-1 [Z2 X], m by m+p
	c1  []float64 // Z1'V^-1 [Z2 X], q1 by m+p
	cg  []float64 // Z1'V1^-1 Z1 per level
	e   []float64 // Z1'V1^-1 [Z2 X], q1 by m+p
	n   []float64 // N
	phi []float64
}

func (pr *problem) sandwich() sandwich {
	w, c, r, m, p := &pr.w, pr.first.c, pr.r, pr.m, pr.p
	mp := m + p
	s := sandwich{
		c2: make([]float64, m*mp), c1: make([]float64, pr.q1*mp), cg: make([]float64, pr.q1*c),
		e: make([]float64, pr.q1*mp), n: make([]float64, m*m), phi: inverseOf(w.lx, p),
	}
	t1 := pr.firstT()
	j := make([]float64, c*c)
	for g := range pr.first.levels {
		a, tg := pr.a[g*c*c:(g+1)*c*c], w.tg[g*c*c:(g+1)*c*c]
		if c == 1 {
			j[0] = 1 / (1 + a[0]*t1[0]*t1[0])
		} else { // 1 - aK
			k := make([]float64, c*c)
			addGram(k, 1, tg, c, tg, c, c)
			clear(j)
			for i := range c {
				j[i*c+i] = 1
			}
			addProduct(j, -1, a, c, c, c, k, c)
		}
		addProduct(s.cg[g*c*c:(g+1)*c*c], 1, j, c, c, c, a, c)
		for i := range c {
			row := s.e[(g*c+i)*mp : (g*c+i+1)*mp]
			for l := range c {
				addScaled(row, j[i*c+l], pr.g[(g*c+l)*r:(g*c+l)*r+mp])
			}
		}
	}
	if m > 0 {
		y := identity(m)
		pr.timesT(y, m, true)
		solveLower(w.l, m, y, m)
		addGram(s.n, 1, y, m, y, m, m)
	}
	ns := make([]float64, m*mp)
	for i := range m {
		for k, v := range s.n[i*m : i*m+m] {
			if v != 0 {
				addScaled(ns[i*mp:i*mp+mp], v, w.s[k*r:k*r+mp])
			}
		}
		copy(s.c2[i*mp:i*mp+mp], w.s[i*r:i*r+mp])
	}
	addProduct(s.c2, -1, w.s, r, m, m, ns, mp)
	copy(s.c1, s.e)
	addProduct(s.c1, -1, s.e, mp, pr.q1, m, ns, mp)
	return s
}

// moments computes the moments at what solve left; those of X only where full is set.
func (pr *problem) moments(full bool) moments {
	pairs := pr.pairs()
	k, m, p, q1 := len(pairs), pr.m, pr.p, pr.q1
	mp := m + p
	s := pr.sandwich()
	mo := moments{k: k, trace: make([]float64, k), info: make([]float64, k*k),
		a: make([]float64, k), b: make([]float64, k*k), phi: s.phi}

	// Sides are the vectors v of which Z'v is wanted: Py, then V^-1 X.
	sides := 1
	if full {
		sides += p
	}
	side := make(map[*block][]float64, len(pr.blocks))
	for _, b := range pr.blocks {
		u := make([]float64, b.cols()*sides)
		for i, e := range pr.w.resid {
			e *= pr.omega[i]
			for a := range b.c {
				u[(b.level[i]*b.c+a)*sides] += b.z[i*b.c+a] * e
			}
		}
		dx := s.c1
		if b != pr.first {
			dx = s.c2[b.off*mp:]
		}
		for row := range b.cols() {
			copy(u[row*sides+1:(row+1)*sides], dx[row*mp+m:row*mp+mp])
		}
		side[b] = u
	}
	pr.products(&mo, s, pairs, side, sides)

	// The traces.
	inner := s.n
	u := s.e
	rank := m
	if pr.reml { // P is V^-1 of one more low rank
		inner = make([]float64, mp*mp)
		for i := range m {
			copy(inner[i*mp:], s.n[i*m:i*m+m])
		}
		for i := range p {
			copy(inner[(m+i)*mp+m:], s.phi[i*p:i*p+p])
		}
		rank = mp
		for row := range q1 {
			copy(u[row*mp+m:row*mp+mp], s.c1[row*mp+m:row*mp+mp])
		}
		for _, c := range [][]float64{s.c1, s.c2} {
			rows := len(c) / max(mp, 1)
			for row := range rows {
				ri := c[row*mp : row*mp+mp]
				dphi := make([]float64, p)
				addProduct(dphi, 1, ri[m:], p, 1, p, s.phi, p)
				for col := range m {
					ri[col] -= dot(dphi, s.c2[col*mp+m:col*mp+mp])
				}
			}
		}
	} else {
		u = sub(s.e, mp, q1, 0, m)
	}
	pr.traces(&mo, s, pairs, u, inner, rank)
	return mo
}

// products fills a, b, px and qx.
func (pr *problem) products(mo *moments, s sandwich, pairs []pair, side map[*block][]float64, sides int) {
	k, m, p := mo.k, pr.m, pr.p
	mp := m + p
	full := sides > 1
	if full {
		mo.px, mo.qx = make([][]float64, k), make([][]float64, k*k)
	}
	gamma := make([][]float64, k) // E_r of the sides: the block's columns by sides
	zeta := make([][]float64, k)  // Z2'V^-1 Z of it, m by sides
	eta := make([][]float64, k)   // Z2'V1^-1 Z1 of it, m by sides
	xi := make([][]float64, k)    // X'V^-1 Z of the first side
	for r, pa := range pairs {
		b, u := pa.blk, side[pa.blk]
		gm := make([]float64, b.cols()*sides)
		for l := range b.levels {
			ra, rb := (l*b.c+pa.a)*sides, (l*b.c+pa.b)*sides
			addScaled(gm[ra:ra+sides], 1, u[rb:rb+sides])
			if pa.a != pa.b {
				addScaled(gm[rb:rb+sides], 1, u[ra:ra+sides])
			}
		}
		gamma[r] = gm
		zeta[r], eta[r], xi[r] = make([]float64, m*sides), make([]float64, m*sides), make([]float64, p)
		for row := range b.cols() {
			g := gm[row*sides : (row+1)*sides]
			var c []float64
			if b == pr.first {
				c = s.c1[row*mp : row*mp+mp]
				for j, v := range s.e[row*mp : row*mp+m] {
					if v != 0 {
						addScaled(eta[r][j*sides:(j+1)*sides], v, g)
					}
				}
			} else {
				c = s.c2[(b.off+row)*mp : (b.off+row+1)*mp]
			}
			for j, v := range c[:m] {
				if v != 0 {
					addScaled(zeta[r][j*sides:(j+1)*sides], v, g)
				}
			}
			addScaled(xi[r], g[0], c[m:])
		}
		all := make([]float64, sides*sides)
		addGram(all, 1, u, sides, gm, sides, b.cols())
		mo.a[r] = all[0]
		if full {
			mo.px[r] = make([]float64, p*p)
			for i := range p {
				copy(mo.px[r][i*p:i*p+p], all[(i+1)*sides+1:(i+2)*sides])
			}
		}
	}
	c := pr.first.c
	for r, pa := range pairs {
		for t := range r + 1 {
			pb := pairs[t]
			all := make([]float64, sides*sides) // gamma_r' Z'V^-1 Z gamma_t
			switch {
			case pb.blk != pr.first:
				o := pb.blk
				addGram(all, 1, zeta[r][o.off*sides:(o.off+o.cols())*sides], sides, gamma[t], sides, o.cols())
			case pa.blk != pr.first:
				o := pa.blk
				addGram(all, 1, gamma[r], sides, zeta[t][o.off*sides:(o.off+o.cols())*sides], sides, o.cols())
			default:
				for row := range pr.q1 {
					g := row / c
					for j := range c {
						v := s.cg[row*c+j]
						at := (g*c + j) * sides
						for i, x := range gamma[r][row*sides : (row+1)*sides] {
							if x != 0 {
								addScaled(all[i*sides:(i+1)*sides], v*x, gamma[t][at:at+sides])
							}
						}
					}
				}
				ne := make([]float64, m*sides)
				addProduct(ne, 1, s.n, m, m, m, eta[t], sides)
				addGram(all, -1, eta[r], sides, ne, sides, m)
			}
			v := all[0] - quadratic(xi[r], s.phi, xi[t])
			mo.b[r*k+t], mo.b[t*k+r] = v, v
			if full {
				q, qt := make([]float64, p*p), make([]float64, p*p)
				for i := range p {
					for j := range p {
						q[i*p+j] = all[(i+1)*sides+j+1]
						qt[j*p+i] = q[i*p+j]
					}
				}
				mo.qx[r*k+t], mo.qx[t*k+r] = q, qt
			}
		}
	}
}

// traces fills trace and info from Z'PZ: its parts of the rest in s, and of the first
// as cg less u inner u', u being q1 by rank.
func (pr *problem) traces(mo *moments, s sandwich, pairs []pair, u, inner []float64, rank int) {
	c, q1, levels := pr.first.c, pr.q1, pr.first.levels
	mp := pr.m + pr.p
	ui := make([]float64, q1*rank)
	addProduct(ui, 1, u, rank, q1, rank, inner, rank)
	low := make([]float64, q1*c) // blocks of u inner u' at the same level
	for row := range q1 {
		for j := range c {
			low[row*c+j] = dot(ui[row*rank:(row+1)*rank], u[(row/c*c+j)*rank:(row/c*c+j+1)*rank])
		}
	}
	// tr(u_a inner u_c' (u_b inner u_d')') is tr(gg[ba] gg[cd]) with gg[ab] = inner u_a'u_b.
	gg := make([][]float64, c*c)
	for a := range c {
		for b := range c {
			w := make([]float64, rank*rank)
			for l := range levels {
				ua, ub := u[(l*c+a)*rank:(l*c+a+1)*rank], u[(l*c+b)*rank:(l*c+b+1)*rank]
				for i, v := range ua {
					switch {
					case v == 0:
					case a == b:
						addScaled(w[i*rank:i*rank+i+1], v, ub[:i+1])
					default:
						addScaled(w[i*rank:i*rank+rank], v, ub)
					}
				}
			}
			if a == b {
				mirror(w, rank)
			}
			gg[a*c+b] = make([]float64, rank*rank)
			addProduct(gg[a*c+b], 1, inner, rank, rank, rank, w, rank)
		}
	}
	// moment is the sum over levels of both blocks of the products of the entries
	// (a, c) and (b, d) of Z'PZ.
	moment := func(x, y *block, a, cc, b, d int) float64 {
		var sum float64
		if x == pr.first && y == pr.first {
			for l := range levels {
				at := l * c * c
				g1, g2 := s.cg[at+a*c+cc], s.cg[at+b*c+d]
				sum += g1*g2 - g1*low[at+b*c+d] - g2*low[at+a*c+cc]
			}
			left, right := gg[b*c+a], gg[cc*c+d]
			for i := range rank {
				for j := range rank {
					sum += left[i*rank+j] * right[j*rank+i]
				}
			}
			return sum
		}
		if y == pr.first {
			x, y, a, cc, b, d = y, x, cc, a, d, b
		}
		rows := s.c1
		if x != pr.first {
			rows = s.c2[x.off*mp:]
		}
		for i := range x.levels {
			ra := rows[(i*x.c+a)*mp+y.off : (i*x.c+a)*mp+y.off+y.cols()]
			rb := rows[(i*x.c+b)*mp+y.off : (i*x.c+b)*mp+y.off+y.cols()]
			for j := range y.levels {
				sum += ra[j*y.c+cc] * rb[j*y.c+d]
			}
		}
		return sum
	}
	for r, pa := range pairs {
		x := pa.blk
		for l := range x.levels {
			var v float64
			if x == pr.first {
				at := (l*c+pa.a)*c + pa.b
				v = s.cg[at] - low[at]
			} else {
				v = s.c2[(x.off+l*x.c+pa.a)*mp+x.off+l*x.c+pa.b]
			}
			if pa.a != pa.b {
				v *= 2
			}
			mo.trace[r] += v
		}
		for t := range r + 1 {
			pb := pairs[t]
			// tr(za zb' P zc zd' P) is the moment of (b, c) and (a, d), summed over both
			// orders of each pair.
			sum := moment(x, pb.blk, pa.b, pb.a, pa.a, pb.b)
			if pa.a != pa.b {
				sum += moment(x, pb.blk, pa.a, pb.a, pa.b, pb.b)
			}
			if pb.a != pb.b {
				sum += moment(x, pb.blk, pa.b, pb.b, pa.a, pb.a)
			}
			if pa.a != pa.b && pb.a != pb.b {
				sum += moment(x, pb.blk, pa.a, pb.b, pa.b, pb.a)
			}
			mo.info[r*mo.k+t], mo.info[t*mo.k+r] = sum, sum
		}
	}
}
