package calib

import (
	"math"
	"strconv"
)

func itoa(i int) string { return strconv.Itoa(i) }

// rowOf returns row y of a plane of the given width; a plane of one row, as a
// line scanner's masters are, serves all rows.
func rowOf[T any](plane []T, width, y int) []T {
	if len(plane) == width {
		return plane
	}
	return plane[y*width : (y+1)*width]
}

// Plane is a master's value and variance for each pixel of the image region,
// row by row; of a line scanner one row, which serves all lines.
type Plane struct {
	Width    int
	Value    []float32
	Variance []float32 // the square of Value's unit
}

// row returns value and variance of image row y.
func (p *Plane) row(y int) (value, variance []float32) {
	return rowOf(p.Value, p.Width, y), rowOf(p.Variance, p.Width, y)
}

// BiasStage is step 5: it takes B off.
//
// The dark master was made from frames that had the same bias taken off, so
// an error of B appears twice with opposite signs. VarFactor is what the
// variance of B counts with once both are applied (see BiasVarianceFactor).
type BiasStage struct {
	Master    *Plane // DN
	VarFactor float64
}

// Name implements Stage.
func (BiasStage) Name() string { return "bias" }

// Settings implements Stage.
func (s BiasStage) Settings() []Setting {
	return []Setting{number("variance_factor", s.VarFactor)}
}

// Apply implements Stage.
func (s BiasStage) Apply(r *Row) {
	b, vb := s.Master.row(r.Y)
	k := float32(s.VarFactor)
	v, vr := r.V, r.Var[:len(r.V)]
	b, vb = b[:len(v)], vb[:len(v)]
	for x := range v {
		v[x] -= b[x]
		vr[x] += vb[x] * k
	}
}

// BiasVarianceFactor returns the factor for the variance of B in a frame
// whose dark is scaled by ht = h(T) t_d, where the dark master's value moves
// by -kappa (per second) for each unit of B: the value moves by
// -(1 - kappa ht). Where the dark was made with another bias, the two errors
// are independent and the squares add.
func BiasVarianceFactor(kappa, ht float64, sameBias bool) float64 {
	k := kappa * ht
	if sameBias {
		return (1 - k) * (1 - k)
	}
	return 1 + k*k
}

// DarkStage is step 9: it takes d h(T) t_d off.
type DarkStage struct {
	Master *Plane  // e-/s at T0
	HT     float64 // h(T) t_d, s
	// RowHT is h(T) t_d of each image row where rows are exposed for
	// different times; nil: HT for all.
	RowHT []float32
	Law   DarkLaw
	TempK float64
	TimeS float64 // t_d: exposure and wait
}

// Name implements Stage.
func (DarkStage) Name() string { return "dark" }

// Settings implements Stage.
func (s DarkStage) Settings() []Setting {
	out := append(s.Law.Settings(), number("time_s", s.TimeS), number("h_times_t_s", s.HT))
	if !math.IsNaN(s.TempK) {
		out = append(out, number("temperature_k", s.TempK))
	}
	return out
}

// Apply implements Stage.
func (s DarkStage) Apply(r *Row) {
	d, vd := s.Master.row(r.Y)
	k, k2 := float32(s.HT), float32(s.HT*s.HT)
	if s.RowHT != nil {
		k = s.RowHT[r.Y]
		k2 = k * k
	}
	v, vr := r.V, r.Var[:len(r.V)]
	d, vd = d[:len(v)], vd[:len(v)]
	for x := range v {
		v[x] -= d[x] * k
		vr[x] += vd[x] * k2
	}
}

// FlatField is a flat prepared for division: 1/F and the relative variance of F.
type FlatField struct {
	Width       int
	Inverse     []float32 // 1/F; NaN where F is not positive
	RelVariance []float32
}

// row returns inverse and relative variance of image row y.
func (f *FlatField) row(y int) (inverse, relVariance []float32) {
	return rowOf(f.Inverse, f.Width, y), rowOf(f.RelVariance, f.Width, y)
}

// NewFlatField prepares a flat master. A pixel without a positive response
// has no calibrated value: its inverse is NaN.
//
// Dividing by a flat of relative variance rho makes the mean of the quotient
// 1 + rho times too large, to second order (the expectation of 1/(1+e) is
// 1 + E[e^2]); the inverse is 1 - rho times 1/F. An uncertainty that followed
// the pixel's own error of F would go up with the value and move the mean pull
// by -sqrt(rho); so the relative variance is Var F^2/M^4, which with the square
// of the quotient that it is multiplied with makes that of the level M of the
// pixels about it (Surroundings).
func NewFlatField(f *Plane) *FlatField {
	ff := &FlatField{f.Width, make([]float32, len(f.Value)), make([]float32, len(f.Value))}
	level := make([]float32, f.Width)
	var about Surroundings
	for y := range len(f.Value) / max(f.Width, 1) {
		about.Flat(f.Width, f.Value, y, level)
		for x, m := range level {
			i := y*f.Width + x
			v := f.Value[i]
			if !(v > 0) {
				ff.Inverse[i] = float32(math.NaN())
				continue
			}
			k := v / m
			rho := f.Variance[i] / (m * m)
			ff.Inverse[i] = (1 - min(rho, 0.5)) / v
			ff.RelVariance[i] = rho * k * k
		}
	}
	return ff
}

// FlatStage is step 10: it divides by F_b. With S the result,
// Var(S) = Var(N)/F^2 + S^2 Var(F)/F^2.
type FlatStage struct {
	Flat *FlatField
}

// Name implements Stage.
func (FlatStage) Name() string { return "flat" }

// Settings implements Stage.
func (FlatStage) Settings() []Setting { return nil }

// Apply implements Stage.
func (s FlatStage) Apply(r *Row) {
	inv, rel := s.Flat.row(r.Y)
	v, vr := r.V[:len(inv)], r.Var[:len(inv)]
	rel = rel[:len(inv)]
	for x, k := range inv {
		c := v[x] * k
		v[x] = c
		vr[x] = vr[x]*k*k + c*c*rel[x]
	}
}

// BoltzmannEV is Boltzmann's constant in eV/K: k = 1.380649e-23 J/K and e = 1.602176634e-19 C
// are exact (SI Brochure, 9th edition).
const BoltzmannEV = 1.380649e-23 / 1.602176634e-19

// DarkLaw is h(T), the temperature law of the dark current, with h(T0) = 1.
type DarkLaw struct {
	Kind       string  // "doubling", "activation" or "constant"
	ReferenceK float64 // T0
	IntervalK  float64 // doubling: h = 2^((T-T0)/interval)
	EnergyEV   float64 // activation: h = exp(-E/k (1/T - 1/T0))
	RelUncert  float64 // relative standard uncertainty of interval or energy
}

// Settings lists the law's parameters.
func (l DarkLaw) Settings() []Setting {
	out := []Setting{{"law", l.Kind}, number("reference_k", l.ReferenceK)}
	switch l.Kind {
	case "doubling":
		out = append(out, number("interval_k", l.IntervalK))
	case "activation":
		out = append(out, number("energy_ev", l.EnergyEV))
	}
	return out
}

// At returns h(T) for a detector temperature in kelvin.
func (l DarkLaw) At(tempK float64) float64 { return math.Exp(l.Exponent(tempK)) }

// Exponent returns ln h(T). It is proportional to the energy, or to 1/interval.
func (l DarkLaw) Exponent(tempK float64) float64 {
	switch l.Kind {
	case "doubling":
		return math.Ln2 * (tempK - l.ReferenceK) / l.IntervalK
	case "activation":
		return -l.EnergyEV / BoltzmannEV * (1/tempK - 1/l.ReferenceK)
	default:
		return 0
	}
}

// RelativeUncertainty returns the relative standard uncertainty of a dark
// charge at T that the law makes of dark frames at fromK, from that of the law's
// parameter p. The charge goes with h(T)/h(from), and the exponents are
// proportional to E, or to 1/interval, so
//
//	u/charge = |ln h(T) - ln h(from)| u(p)/p        (JCGM 100:2008, 5.1)
//
// Where frame and darks have one temperature, the law does not matter, however
// far from T0 they are.
func (l DarkLaw) RelativeUncertainty(tempK, fromK float64) float64 {
	return math.Abs(l.Exponent(tempK)-l.Exponent(fromK)) * l.RelUncert
}

// EffectiveK returns the one temperature that stands for those of some dark
// frames where the law's uncertainty matters: that whose ln h is the mean of
// theirs, weighted as in the master. NaN where the law knows no temperature.
func (l DarkLaw) EffectiveK(tempsK []float64, mean func([]float64) float64) float64 {
	exponents := make([]float64, len(tempsK))
	for i, t := range tempsK {
		exponents[i] = l.Exponent(t)
	}
	x := mean(exponents)
	switch l.Kind {
	case "doubling":
		return l.ReferenceK + x*l.IntervalK/math.Ln2
	case "activation":
		return 1 / (1/l.ReferenceK - x*BoltzmannEV/l.EnergyEV)
	default:
		return math.NaN()
	}
}
