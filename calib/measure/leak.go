package measure

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"evenlight/calib"
)

// DarkLevel is what one dark frame shows.
type DarkLevel struct {
	Seconds      float64 // time at the reference temperature, h(T) t
	Level        Figure  // DN above offset
	TiltX, TiltY Figure  // DN across the region ([Tilt]); U = 0: unknown
}

// Leak is a dark that does not agree with the others.
type Leak struct {
	Index  int
	What   string // "level", "tilt along rows" or "tilt along columns"
	Excess Figure // above what the others say, DN
	Sigmas float64
}

// FindLeaks looks for light in darks. Dark charge, with its glow and gradient,
// grows with h(T) t, so level and tilts of all darks lie on lines
// a + b h(T) t; light does not follow them. The darks that agree with one
// another best are taken first, and others join while they agree with these
// (line.agreeing); what stays outside has a leak: a level that is too high, or a
// tilt that differs either way. A set without leaks is accused with about the
// probability alarm, as far as the uncertainties given are right; leaks in half
// of the darks or more cannot be told.
//
// A leak that is the same share of h(T) t in all darks looks like dark
// charge and cannot be told from it.
func FindLeaks(darks []DarkLevel, alarm float64) ([]Leak, error) {
	if len(darks) < 4 {
		return nil, fmt.Errorf("light leak: %d darks are too few to tell which one is wrong: take 4 or more", len(darks))
	}
	quantities := []struct {
		what  string
		of    func(DarkLevel) Figure
		sides float64
	}{
		{"level", func(d DarkLevel) Figure { return d.Level }, 1},
		{"tilt along rows", func(d DarkLevel) Figure { return d.TiltX }, 2},
		{"tilt along columns", func(d DarkLevel) Figure { return d.TiltY }, 2},
	}
	var out []Leak
	for _, q := range quantities {
		l := line{limit: normalLimit(alarm / float64(len(quantities)) / q.sides / float64(len(darks)))}
		for _, d := range darks {
			l.x, l.y = append(l.x, d.Seconds), append(l.y, q.of(d))
		}
		if !l.known() {
			continue
		}
		in, err := l.agreeing()
		if err != nil {
			return nil, fmt.Errorf("light leak: %s: %w", q.what, err)
		}
		for i := range darks {
			excess, err := l.departure(in, i)
			if err != nil {
				return nil, fmt.Errorf("light leak: %s: %w", q.what, err)
			}
			sigmas := excess.Value / excess.U
			if sigmas > l.limit || q.sides == 2 && sigmas < -l.limit {
				out = append(out, Leak{i, q.what, excess, sigmas})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b Leak) int { return cmp.Compare(a.Index, b.Index) })
	return out, nil
}

// line is a set of points of which most lie on a straight line.
type line struct {
	x     []float64
	y     []Figure
	limit float64 // sigmas up to which a point agrees
}

func (l *line) known() bool {
	for _, y := range l.y {
		if !y.usable() {
			return false
		}
	}
	return true
}

// agreeing returns the points that agree: it starts with the smallest majority
// that lies best on the line through the medians of slopes and levels (Theil
// and Sen), fits a line to it, and takes the next point in while that is
// within the limit.
func (l *line) agreeing() ([]bool, error) {
	n := len(l.y)
	b := l.medianSlope()
	levels := make([]float64, n)
	for i, y := range l.y {
		levels[i] = y.Value - b*l.x[i]
	}
	a := calib.Median(slices.Clone(levels))
	order := make([]int, n)
	far := make([]float64, n)
	for i := range order {
		order[i], far[i] = i, math.Abs(levels[i]-a)/l.y[i].U
	}
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(far[i], far[j]) })
	in := make([]bool, n)
	for _, i := range order[:n/2+1] {
		in[i] = true
	}
	for range n {
		next, least := -1, l.limit
		for i := range n {
			if in[i] {
				continue
			}
			d, err := l.departure(in, i)
			if err != nil {
				return nil, err
			}
			if z := math.Abs(d.Value) / d.U; z < least {
				next, least = i, z
			}
		}
		if next < 0 {
			break
		}
		in[next] = true
	}
	return in, nil
}

// medianSlope is the median of the slopes of all pairs of points; 0 where all
// stand at one place.
func (l *line) medianSlope() float64 {
	var slopes []float64
	for i := range l.x {
		for j := range i {
			if l.x[i] != l.x[j] {
				slopes = append(slopes, (l.y[i].Value-l.y[j].Value)/(l.x[i]-l.x[j]))
			}
		}
	}
	if len(slopes) == 0 {
		return 0
	}
	return calib.Median(slopes)
}

// departure returns point i minus the line through the other points in the
// set; where these stand at one place, minus their mean.
func (l *line) departure(in []bool, i int) (Figure, error) {
	var design [][]float64
	var y, w []float64
	spread := false
	at := math.NaN()
	for j := range l.y {
		if !in[j] || j == i {
			continue
		}
		spread = spread || (at == at && l.x[j] != at)
		at = l.x[j]
		design = append(design, []float64{1, l.x[j] - l.x[i]})
		y, w = append(y, l.y[j].Value), append(w, 1/(l.y[j].U*l.y[j].U))
	}
	if !spread {
		for j := range design {
			design[j] = design[j][:1]
		}
	}
	fit, err := calib.LeastSquares(design, y, w)
	if err != nil {
		return Figure{}, err
	}
	// The axis starts at point i, so that the level of the fit is its prediction.
	return l.y[i].minus(Figure{fit.Coef[0], math.Sqrt(fit.Cofactor[0][0])}), nil
}
