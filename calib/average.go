package calib

import "math"

// Together tells what the errors of a frame's pixels have in common.
type Together struct {
	Sensor *Sensor
	Traces []OffsetTrace // by amplifier
	// Bias and Dark are what the errors of the masters' own offsets leave in
	// common in them; Bias in DN^2, Dark in (e-/s)^2 for h = 1.
	Bias, Dark OffsetShare
	HT         float64   // h(T) t_d, s
	RowHT      []float32 // the same by row where rows differ; nil: HT for all
	Smear      SmearRule // where there is any
}

// OffsetShare says what the offsets of the frames that a master was made of
// leave in common between the pixels of one amplifier: they had the overscan
// that the frame has. The covariance between two rows is
// OfFrame g^n Cov(o(y1), o(y2)) + Even[amplifier], with g the gain and n 0 for
// the bias, 2 for the dark.
type OffsetShare struct {
	OfFrame float64   // 1/(frames of the master), for the dark times the square of the mean of 1/(h t)
	Even    []float64 // by amplifier, where all rows share it, as a line scanner's do; nil: 0
}

// EvenOf is Even of an amplifier.
func (s OffsetShare) EvenOf(amp int) float64 {
	if s.Even == nil {
		return 0
	}
	return s.Even[amp]
}

// perRate is h(T) t_d of a row.
func (t *Together) perRate(y int) float64 {
	if t.RowHT != nil {
		return float64(t.RowHT[y])
	}
	return t.HT
}

// Average gathers the value and the errors of a set of pixels, for the
// uncertainty of their sum. Averages of parts of the rows can be merged; in the
// order of the rows, the result does not depend on how they were cut.
//
// With c the change of a pixel's value for a change of what an error is of
// (JCGM 100:2008, 5.1 and 5.2), the variance of the sum over the pixels is
//
//	OwnPixel   sum of the pixels' variances
//	OwnRow     sum over rows y1, y2 of A(y1) A(y2) Cov(o(y1), o(y2)), A(y) = sum of c in row y, amplifier by amplifier
//	OwnColumn  sum over rows of c1 c2 min(v1, v2), column by column: what one row passes, the next passes too;
//	           where the image tells its own smear, less what its pixels' own errors take from those that passed them
//	OfMaster   sum of the pixels' variances but for the part of the masters' own offsets, which counts as OwnRow does;
//	           where a master has one row, the pixels of a column have one error
type Average struct {
	N        int       // pixels
	Sum      float64   // of their values
	Dark     float64   // sum of the dark charge that was taken off, in the values' unit
	Residual float64   // sum of the residual image that was taken off
	PixelVar []float64 // by term: sum of the pixels' variances
	PlaneVar float64   // sum of the variances of the plane
	Terms    []VarianceTerm

	with    *Together
	perDN   [][]float64 // by amplifier and row: sum of c for the offset
	perRate [][]float64 // by amplifier and row: sum of c for the dark rate
	offset  []float64   // by amplifier: sum of c^2 Var(o) from noise, DN^2 behind it
	dark    []float64   // by amplifier: the same with c for the dark rate
	smear   []column
	masters [][]float64  // one-row masters: by term and column, sum of c u
	columns [2][]float64 // one-row masters: by column, sum of c for the bias and for the dark rate
}

// column is the smear of the pixels of a column so far.
type column struct {
	variance float64 // of their sum
	c, cv    float64 // sums of c and of c v
	own      float64 // sum of c times the variance of the pixels' own charge
}

// NewAverage prepares an average of no pixels.
func NewAverage(terms []VarianceTerm, with *Together) *Average {
	amps, rows, width := len(with.Sensor.Amps), with.Sensor.Image.Height(), with.Sensor.Image.Width()
	a := &Average{Terms: terms, PixelVar: make([]float64, len(terms)), with: with,
		offset: make([]float64, amps), dark: make([]float64, amps), smear: make([]column, width)}
	for range amps {
		a.perDN, a.perRate = append(a.perDN, make([]float64, rows)), append(a.perRate, make([]float64, rows))
	}
	if with.Sensor.LineScan {
		for range terms {
			a.masters = append(a.masters, make([]float64, width))
		}
		a.columns[0], a.columns[1] = make([]float64, width), make([]float64, width)
	}
	return a
}

// Add takes the pixels of a row in for which use is true.
func (a *Average) Add(r *Row, e *Entries, use []bool) {
	ht := a.with.perRate(r.Y)
	for _, g := range r.Segs {
		variance := 0.0
		if t := &a.with.Traces[g.Amp]; len(t.Variance) > 0 {
			variance = t.Covariance(r.Y, r.Y)
		}
		for x := g.X0; x < g.X1; x++ {
			if !use[x] {
				continue
			}
			a.N++
			a.Sum += float64(r.V[x])
			a.PlaneVar += float64(r.Var[x])
			a.Dark += e.Dark[x]
			a.Residual += e.Residual[x]
			c, d := e.PerDN[x], e.PerE[x]*ht
			a.perDN[g.Amp][r.Y] += c
			a.perRate[g.Amp][r.Y] += d
			a.offset[g.Amp] += c * c * variance
			a.dark[g.Amp] += d * d * variance
			for i, t := range e.Var {
				a.PixelVar[i] += t[x]
			}
			a.addShared(r, e, x, c, d)
		}
	}
}

// addShared takes in what a column has in common.
func (a *Average) addShared(r *Row, e *Entries, x int, perDN, perRate float64) {
	for i, t := range a.Terms {
		v := e.Var[i][x]
		switch {
		case t.Sharing == OwnColumn:
			c := e.PerE[x]
			a.smear[x] = a.join(a.smear[x], column{v, c, v / c, a.ownOf(e, x) / c})
		case t.Sharing == OfMaster && a.masters != nil:
			u := math.Sqrt(math.Abs(v))
			if t.Name == termFlat {
				u = math.Copysign(u, float64(r.V[x])) // F divides
			}
			a.masters[i][x] += u
		}
	}
	if a.masters != nil {
		a.columns[0][x] += perDN
		a.columns[1][x] += perRate
	}
}

// ownOf is the variance that a pixel has for itself.
func (a *Average) ownOf(e *Entries, x int) float64 {
	v := 0.0
	for i, t := range a.Terms {
		if t.Sharing == OwnPixel {
			v += e.Var[i][x]
		}
	}
	return v
}

// join puts the pixels of later rows to those of earlier ones. The variance of
// the smear grows with the rows that were passed, so the smaller of two is the
// earlier's where it grows forward. The error of a pixel's charge, of variance
// v, stands in the smear of those that passed it, k times, with the other
// sign: their covariance has -k v c1 c2.
func (a *Average) join(early, late column) column {
	rule := a.with.Smear
	k := rule.perCharge(a.with.Sensor.Image.Height())
	passed, cross := 0.0, early.c*late.cv
	if rule.forward() {
		cross = early.cv * late.c
	}
	both := rule.Before && rule.After
	if both || rule.forward() {
		passed += early.own * late.c
	}
	if both || !rule.forward() {
		passed += late.own * early.c
	}
	return column{early.variance + late.variance + 2*cross - 2*k*passed, early.c + late.c, early.cv + late.cv, early.own + late.own}
}

// Merge takes in the pixels of later rows.
func (a *Average) Merge(b *Average) {
	a.N += b.N
	a.Sum += b.Sum
	a.PlaneVar += b.PlaneVar
	a.Dark += b.Dark
	a.Residual += b.Residual
	addTo(a.PixelVar, b.PixelVar)
	addTo(a.offset, b.offset)
	addTo(a.dark, b.dark)
	for i := range a.perDN {
		addTo(a.perDN[i], b.perDN[i])
		addTo(a.perRate[i], b.perRate[i])
	}
	for x := range a.smear {
		a.smear[x] = a.join(a.smear[x], b.smear[x])
	}
	for i := range a.masters {
		addTo(a.masters[i], b.masters[i])
	}
	addTo(a.columns[0], b.columns[0])
	addTo(a.columns[1], b.columns[1])
}

func addTo(a, b []float64) {
	for i, v := range b {
		a[i] += v
	}
}

// SumVar returns the variance of the sum of the pixels, term by term, the
// square of the product's unit.
func (a *Average) SumVar() []float64 {
	out := make([]float64, len(a.Terms))
	for i, t := range a.Terms {
		switch t.Sharing {
		case OwnRow:
			out[i] = a.rowsVar(a.perDN, func(int) float64 { return 1 }, (*OffsetTrace).errors)
		case OwnColumn:
			for _, c := range a.smear {
				out[i] += c.variance
			}
		case OfMaster:
			out[i] = a.masterVar(i)
		default:
			out[i] = a.PixelVar[i]
		}
	}
	return out
}

// rowsVar is the variance of a sum that the offsets make, each amplifier's
// times a factor.
func (a *Average) rowsVar(weights [][]float64, factor func(amp int) float64, covariance rowCovariance) float64 {
	sum := 0.0
	for amp, w := range weights {
		t := &a.with.Traces[amp]
		if len(t.DN) == 0 {
			continue
		}
		sum += factor(amp) * offsetVar(t, w, covariance)
	}
	return sum
}

// rowCovariance is the covariance of the offsets of two rows, DN^2.
type rowCovariance func(t *OffsetTrace, y1, y2 int) float64

// offsetVar is the variance of a weighted sum of a frame's offsets.
func offsetVar(t *OffsetTrace, w []float64, covariance rowCovariance) float64 {
	sum := 0.0
	for y1, w1 := range w {
		if w1 == 0 {
			continue
		}
		sum += w1 * w1 * covariance(t, y1, y1)
		for y2 := y1 + 1; y2 < len(w) && !t.Apart(y1, y2); y2++ {
			if w[y2] != 0 {
				sum += 2 * w1 * w[y2] * covariance(t, y1, y2)
			}
		}
	}
	return sum
}

// masterVar is the variance of the sum that a master's term makes.
func (a *Average) masterVar(term int) float64 {
	own := a.PixelVar[term]
	if a.masters != nil {
		sign := math.Copysign(1, own)
		own = 0
		for _, u := range a.masters[term] {
			own += sign * u * u
		}
	}
	switch a.Terms[term].Name {
	case termBias:
		return own + a.offsetsOf(a.with.Bias, a.perDN, a.offset, 0, 0)
	case termBiasInDark:
		if bias := a.pixelVarOf(termBias); bias > 0 {
			return own + a.PixelVar[term]/bias*a.offsetsOf(a.with.Bias, a.perDN, a.offset, 0, 0)
		}
	case termDark:
		return own + a.offsetsOf(a.with.Dark, a.perRate, a.dark, 2, 1)
	}
	return own
}

func (a *Average) pixelVarOf(name string) float64 {
	for i, t := range a.Terms {
		if t.Name == name {
			return a.PixelVar[i]
		}
	}
	return 0
}

// offsetsOf is what the offsets of a master's frames make more than if each
// pixel had its own.
func (a *Average) offsetsOf(s OffsetShare, weights [][]float64, own []float64, gains float64, columns int) float64 {
	more := 0.0
	factor := func(amp int) float64 {
		return s.OfFrame * math.Pow(a.with.Sensor.Amps[amp].GainEPerDN, gains)
	}
	if s.OfFrame > 0 {
		// What this frame's offset wanders, theirs did not.
		more += a.rowsVar(weights, factor, (*OffsetTrace).Covariance)
		for amp, v := range own {
			more -= factor(amp) * v
		}
	}
	for amp, w := range weights {
		total := 0.0
		for _, c := range w {
			total += c
		}
		more += s.EvenOf(amp) * total * total
	}
	if s.Even != nil && a.masters != nil {
		for _, g := range a.with.Sensor.Segments()[0] {
			for x := g.X0; x < g.X1; x++ {
				more -= s.EvenOf(g.Amp) * a.columns[columns][x] * a.columns[columns][x]
			}
		}
	}
	return more
}
