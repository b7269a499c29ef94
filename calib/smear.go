package calib

// SmearRule says how a frame-transfer detector gathers smear.
type SmearRule struct {
	RowS     float64 // s that the image stands on a row while it is shifted
	ToFirst  bool    // the charge moves towards the first row of the raw frame
	Before   bool    // a shift clears the chip before the exposure
	After    bool    // a shift takes the image away after it
	OwnRow   bool    // each shift counts the pixel's own row too
	ExposeS  float64 // exposure time, s
	NoiseE2  float64 // variance of a sample without light, e-^2
	Measured bool    // from masked rows, else from the image itself
}

// SmearMap is the smear of a frame, e-. Where each pixel passes all rows, it
// is one row of column values, of which each pixel lacks, or has once more,
// its own light: m = column + Own (N - column).
type SmearMap struct {
	Width    int
	Value    []float32 // m(x,y), or one row that serves all
	Variance []float32
	Unsure   []bool  // by pixel as Value: it rests on lost or saturated pixels
	Own      float64 // share of a pixel's light that its own row adds
}

// own returns the number of shifts that count a pixel's own row.
func (r SmearRule) own() float64 {
	if !r.OwnRow {
		return 0
	}
	n := 0.0
	for _, b := range []bool{r.Before, r.After} {
		if b {
			n++
		}
	}
	return n
}

// forward tells whether the pixels of the first rows pass the fewest others.
func (r SmearRule) forward() bool { return r.After == r.ToFirst }

// perCharge is the change of the smear for one electron more in a pixel that is
// passed, where the image itself tells the smear of a column of so many rows.
func (r SmearRule) perCharge(rows int) float64 {
	switch {
	case r.Measured:
		return 0
	case r.Before && r.After:
		return r.RowS / (r.ExposeS + (r.own()-1)*r.RowS + r.RowS*float64(rows))
	}
	return r.RowS / (r.ExposeS + r.own()*r.RowS)
}

// SolveSmear finds the smear of each pixel from the charge N, e-, dark taken
// off, of all pixels of the image, row by row; a value that is not known is
// NaN, and a saturated one, which is only a bound, is marked in bad. n may
// become the storage of the result.
//
// With R(y) the light rate of a pixel's own row, the charge of a column obeys
//
//	N(y) = R(y) t + t_row ( sum of R over the rows that were passed + own R(y) )
//
// where own is the number of shifts that count the own row. The shift after
// the exposure passes the rows between the pixel and the end that the charge
// moves to, the shift before it those on the other side. One shift makes the
// equations triangular; with both, each pixel passes all other rows, and the
// column's sum tells the smear. What is not known counts as the pixel passed
// before it, and everything that rests on it is unsure.
func SolveSmear(rule SmearRule, width int, n []float32, bad []bool) *SmearMap {
	if rule.Before && rule.After {
		return rule.columns(width, n, bad)
	}
	m := &SmearMap{Width: width, Value: n, Variance: make([]float32, len(n)), Unsure: make([]bool, len(n))}
	rows, own := len(n)/width, rule.own()
	// Rows are gone through from the end whose pixels pass none.
	forward := rule.forward()
	effective := rule.ExposeS + own*rule.RowS
	passed := make([]float64, width) // sum of the rates passed so far
	last := make([]float64, width)
	unsure := make([]bool, width)
	for i := range rows {
		y := i
		if !forward {
			y = rows - 1 - i
		}
		v, vr, un, b := n[y*width:(y+1)*width], m.Variance[y*width:(y+1)*width], m.Unsure[y*width:(y+1)*width], bad[y*width:(y+1)*width]
		for x, q := range v {
			light := rule.RowS * passed[x]
			rate := (float64(q) - light) / effective
			lost := b[x] || q != q
			if q != q {
				rate = last[x]
			}
			light += own * rule.RowS * rate
			v[x], un[x] = float32(light), unsure[x] || (lost && own > 0)
			vr[x] = float32(rule.variance(passed[x]*effective, float64(i), effective))
			passed[x] += rate
			last[x] = rate
			unsure[x] = unsure[x] || lost
		}
	}
	return m
}

// columns solves columns whose pixels pass all other rows:
// N(y) = R(y) (t + (own-1) t_row) + t_row S, S the sum of R.
func (r SmearRule) columns(width int, n []float32, bad []bool) *SmearMap {
	sum, last, lost := make([]float64, width), make([]float64, width), make([]bool, width)
	rows := len(n) / width
	for y := range rows {
		for x, q := range n[y*width : (y+1)*width] {
			lost[x] = lost[x] || bad[y*width+x] || q != q
			if q == q {
				last[x] = float64(q)
			}
			sum[x] += last[x]
		}
	}
	column, variance := make([]float32, width), make([]float32, width)
	effective := r.ExposeS + (r.own()-1)*r.RowS
	for x, s := range sum {
		rates := s / (effective + r.RowS*float64(rows))
		column[x] = float32(r.RowS * rates)
		variance[x] = float32(r.variance(s, float64(rows), effective+r.RowS*float64(rows)))
	}
	return r.Columns(column, variance, lost)
}

// Columns returns the smear from what a pixel without light gathers in each
// column, passing all rows: e- and e-^2, one row; from masked rows or from the
// image itself.
func (r SmearRule) Columns(column, variance []float32, unsure []bool) *SmearMap {
	effective := r.ExposeS + (r.own()-1)*r.RowS
	return &SmearMap{Width: len(column), Value: column, Variance: variance, Unsure: unsure, Own: (r.own() - 1) * r.RowS / effective}
}

// variance is that of the smear, from the charge of the rows passed, their
// number and the time in which they gathered it: the rates passed have the
// variance of their charge over the square of that time (JCGM 100:2008, 5.1).
func (r SmearRule) variance(charge, rows, time float64) float64 {
	k := r.RowS / time
	return k * k * (max(charge, 0) + rows*r.NoiseE2)
}

// SmearStage is step 8: it takes m(x,y) off.
type SmearStage struct {
	Rule SmearRule
	Map  *SmearMap
}

func (SmearStage) bringsCharge() {}

// Name implements Stage.
func (SmearStage) Name() string { return "smear" }

// Settings implements Stage.
func (s SmearStage) Settings() []Setting {
	when := map[[2]bool]string{{true, true}: "both", {true, false}: "before", {false, true}: "after"}[[2]bool{s.Rule.Before, s.Rule.After}]
	from := "image"
	if s.Rule.Measured {
		from = "masked rows"
	}
	return []Setting{{"from", from}, {"when", when}, number("row_s", s.Rule.RowS), number("exposure_s", s.Rule.ExposeS),
		number("mean_e", meanValue(s.Map.Value))}
}

func meanValue(v []float32) float64 {
	sum := 0.0
	for _, x := range v {
		sum += float64(x)
	}
	return sum / float64(len(v))
}

// Apply implements Stage. What a saturated pixel holds is no smear more than
// light; the flag is the same.
func (s SmearStage) Apply(r *Row) {
	m, vm := rowOf(s.Map.Value, s.Map.Width, r.Y), rowOf(s.Map.Variance, s.Map.Width, r.Y)
	unsure := rowOf(s.Map.Unsure, s.Map.Width, r.Y)
	v, vr, fl, other := r.V, r.Var[:len(r.V)], r.Flags[:len(r.V)], r.Other[:len(r.V)]
	m, vm, unsure = m[:len(v)], vm[:len(v)], unsure[:len(v)]
	own := float32(s.Map.Own)
	for x := range v {
		smear := m[x] + own*(v[x]-m[x])
		v[x] -= smear
		vr[x] += vm[x]
		other[x] += max(smear, 0)
		if unsure[x] {
			fl[x] |= SmearUnsure
		}
	}
}
