package calib

import "math"

// Sharing tells which pixels have an error in common.
type Sharing int

const (
	// OwnPixel is an error that each pixel of each frame makes for itself.
	OwnPixel Sharing = iota
	// OwnRow is that of the offset: the same for the pixels that one amplifier
	// reads in a row, and in part for the rows that share overscan.
	OwnRow
	// OwnColumn is that of the smear: shared along a column.
	OwnColumn
	// OfMaster is that of a master: each pixel has its own, and it is the same
	// in all frames that use the master.
	OfMaster
)

// VarianceTerm is one part of the random variance of a product.
type VarianceTerm struct {
	Name    string
	Sharing Sharing
}

// Names of the terms that more than one place knows.
const (
	termBias       = "bias master"
	termBiasInDark = "bias in the dark master"
	termDark       = "dark master"
	termFlat       = "flat master"
	termSmear      = "smear"
	termOffset     = "offset"
)

// termOf names what a stage adds to the variance. A stage that is not known
// here counts by its own name.
func termOf(s Stage) VarianceTerm {
	switch s.(type) {
	case FrameStage, DecompandStage:
		return VarianceTerm{"quantisation", OwnPixel}
	case OffsetStage:
		return VarianceTerm{termOffset, OwnRow}
	case BiasStage:
		return VarianceTerm{termBias, OfMaster}
	case GainStage:
		return VarianceTerm{"read noise", OwnPixel}
	case DarkStage:
		return VarianceTerm{termDark, OfMaster}
	case SmearStage:
		return VarianceTerm{termSmear, OwnColumn}
	case ResidualStage:
		return VarianceTerm{"residual image", OwnPixel}
	case FlatStage:
		return VarianceTerm{termFlat, OfMaster}
	}
	return VarianceTerm{s.Name(), OwnPixel}
}

// Account drives a chain and keeps the terms of its variance apart.
//
// A stage makes of the variance V the variance a V + b, where a, which may be
// 0, is the same for all terms and b is the stage's own term. The account
// learns both from the stage itself, which acts a second time, on a copy of
// the row without variance: that gives b. So there is no other formula for a
// term than the one that made the plane, and the terms add up to it but for
// single-precision rounding at each stage. The noise, which looks at
// neighbours, adds to the variance that it finds (a = 1): its term is the
// difference, divided into light, dark and other charge. The light's part is
// an estimate that may be negative in a pixel where there is hardly any.
//
// An account belongs to one goroutine.
type Account struct {
	Terms []VarianceTerm

	chain   *Chain
	scratch Scratch
	rows    []Entries // by y modulo their number
	bare    Row       // the copy without variance
	alone   []float32 // the bias master's own part
	value   []float32 // before a stage
}

// Entries is the account of one row. It is valid only during the call that it
// is handed to.
type Entries struct {
	Var [][]float64 // by term, the square of the product's unit
	// PerDN and PerE are what a DN above offset, and an electron behind the
	// gain, are in the product's unit.
	PerDN, PerE []float64
	// Dark and Residual are what was taken off, in the product's unit.
	Dark, Residual []float64

	after []float32 // variance as the last stage left it
}

// NewAccount prepares an account for a chain, which stays as it is.
func NewAccount(c *Chain) *Account {
	a := &Account{}
	before := make([]Stage, len(c.Before))
	for i, s := range c.Before {
		before[i] = a.record(s, i == 0)
	}
	var after []Stage
	if c.Noise != nil {
		light := a.term(VarianceTerm{"shot noise of the light", OwnPixel})
		dark := a.term(VarianceTerm{"shot noise of the dark charge", OwnPixel})
		other := a.term(VarianceTerm{"shot noise of smear and residual image", OwnPixel})
		after = append(after, recordedShot{c.Noise, a, light, dark, other})
	}
	for _, s := range c.After {
		after = append(after, a.record(s, false))
	}
	a.chain = NewChain(c.Sensor, before, c.Noise, after)
	a.chain.Grow = c.Grow
	width := c.Sensor.Image.Width()
	a.bare = Row{V: make([]float32, width), Var: make([]float32, width), Flags: make([]Flags, width)}
	a.alone, a.value = make([]float32, width), make([]float32, width)
	a.rows = make([]Entries, 2*a.chain.halo()+1)
	for i := range a.rows {
		a.rows[i] = newEntries(len(a.Terms), width)
	}
	return a
}

func newEntries(terms, width int) Entries {
	e := Entries{Var: make([][]float64, terms), after: make([]float32, width)}
	for _, p := range []*[]float64{&e.PerDN, &e.PerE, &e.Dark, &e.Residual} {
		*p = make([]float64, width)
	}
	for i := range e.Var {
		e.Var[i] = make([]float64, width)
	}
	return e
}

// term returns the number of a term; stages may share one.
func (a *Account) term(t VarianceTerm) int {
	for i, known := range a.Terms {
		if known == t {
			return i
		}
	}
	a.Terms = append(a.Terms, t)
	return len(a.Terms) - 1
}

// record wraps a stage.
func (a *Account) record(s Stage, first bool) Stage {
	w := recorded{Stage: s, a: a, term: a.term(termOf(s)), first: first}
	if _, ok := s.(BiasStage); ok {
		w.shared = a.term(VarianceTerm{termBiasInDark, OfMaster})
	}
	if _, ok := s.(otherCharge); ok {
		return recordedCharge{w}
	}
	return w
}

// Run takes rows y0 <= y < y1 through the chain and hands each finished row to
// sink with its account.
func (a *Account) Run(raw RawRows, y0, y1 int, sink func(*Row, *Entries) error) error {
	return a.chain.Run(raw, y0, y1, &a.scratch, func(r *Row) error { return sink(r, a.entries(r)) })
}

func (a *Account) entries(r *Row) *Entries { return &a.rows[r.Y%len(a.rows)] }

// recorded is a stage that books what it does.
type recorded struct {
	Stage
	a      *Account
	term   int
	shared int // of the bias: what the dark master has of it
	first  bool
}

// recordedCharge is one that brings charge.
type recordedCharge struct{ recorded }

func (recordedCharge) bringsCharge() {}

// Apply implements Stage.
func (s recorded) Apply(r *Row) {
	e := s.a.entries(r)
	if s.first {
		e.open(r)
	}
	own := s.a.without(r, s.Stage)
	copy(s.a.value, r.V)
	s.Stage.Apply(r)
	e.book(r, own, s.term)
	switch st := s.Stage.(type) {
	case DecompandStage:
		for x := range e.PerDN {
			e.PerDN[x] = 1
		}
	case BiasStage:
		copy(s.a.alone, own)
		st.VarFactor = 1
		e.divide(s.a.alone, s.a.without(r, st), s.term, s.shared)
	case GainStage:
		for x := range e.PerE {
			e.PerE[x] = 1
		}
	case DarkStage:
		took(e.Dark, s.a.value, r.V)
	case ResidualStage:
		took(e.Residual, s.a.value, r.V)
	}
}

// without returns the variance that a stage gives to a row without any.
func (a *Account) without(r *Row, s Stage) []float32 {
	b := &a.bare
	v, vr, fl, other := b.V, b.Var, b.Flags, b.Other
	*b = *r
	b.V, b.Var, b.Flags = v, vr, fl
	copy(b.V, r.V)
	copy(b.Flags, r.Flags)
	clear(b.Var)
	if r.Other != nil {
		if other == nil {
			other = make([]float32, len(r.Other))
		}
		clear(other)
		b.Other = other
	}
	s.Apply(b)
	return b.Var
}

// took notes what a stage took off.
func took(dst []float64, before, after []float32) {
	for x, v := range before {
		dst[x] = float64(v) - float64(after[x])
	}
}

// open begins the account of a row.
func (e *Entries) open(r *Row) {
	clear(r.Var)
	clear(e.after)
	for _, t := range e.Var {
		clear(t)
	}
	clear(e.Dark)
	clear(e.Residual)
	for x := range e.PerDN {
		e.PerDN[x], e.PerE[x] = 1, 1
	}
}

// book scales what is there as the stage did and adds the stage's own term.
func (e *Entries) book(r *Row, own []float32, term int) {
	for x, v := range r.Var {
		in, add := float64(e.after[x]), float64(own[x])
		e.after[x] = v
		if in != 0 && float64(v)-add != in {
			e.scale(x, (float64(v)-add)/in)
		}
		e.Var[term][x] += add
	}
}

// scale multiplies the variances of a pixel.
func (e *Entries) scale(x int, k float64) {
	for _, t := range e.Var {
		t[x] *= k
	}
	k = math.Sqrt(max(k, 0))
	e.PerDN[x] *= k
	e.PerE[x] *= k
	e.Dark[x] *= k
	e.Residual[x] *= k
}

// divide moves what is not a master's own part to another term.
func (e *Entries) divide(whole, own []float32, term, rest int) {
	for x, w := range whole {
		d := float64(w) - float64(own[x])
		e.Var[term][x] -= d
		e.Var[rest][x] += d
	}
}

// recordedShot books what the noise added. It changes nothing.
type recordedShot struct {
	noise              *Noise
	a                  *Account
	light, dark, other int
}

// Name implements Stage.
func (recordedShot) Name() string { return "account" }

// Settings implements Stage.
func (recordedShot) Settings() []Setting { return nil }

// Apply implements Stage.
func (s recordedShot) Apply(r *Row) {
	e := s.a.entries(r)
	for x, v := range r.Var {
		dark, other := s.noise.unlit(r, x)
		e.Var[s.light][x] += float64(v) - float64(e.after[x]) - dark - other
		e.Var[s.dark][x] += dark
		e.Var[s.other][x] += other
		e.after[x] = v
	}
}
