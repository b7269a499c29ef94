package marks

import (
	"cmp"
	"errors"
	"fmt"
	"math"

	"evenlight/calib"
)

// FitOptions says how the distortion is described.
type FitOptions struct {
	Order int // of the polynomial, 1 to 5: highest sum of the powers of x and y
	// RejectSigma is the limit of a mark's residual in its own standard
	// deviations, beyond which it is left out; 0: 4.
	RejectSigma float64
	// PlacePx is the standard uncertainty of the true places, along each
	// axis, pixels; it is added to that of the measured ones.
	PlacePx float64
}

// Residual is how far a mark is from where the model puts it: measured less
// modelled, pixels.
type Residual struct {
	Index  int // into the list of marks
	DX, DY float64
}

// Model maps true places to measured ones by two polynomials. It is not
// changed by its use; goroutines may share one.
type Model struct {
	Order int
	Marks int // used
	// RMS is the root mean square of the used marks' residuals along both
	// axes together, per axis; Predicted is the same for each mark from a
	// model without it, which does not get better by more coefficients alone.
	RMS, Predicted float64
	// ChiSquare is the reduced chi-square of the residuals. Above 1 the marks
	// scatter more than they should, or the order is too low; Uncertainty is
	// then scaled up by its root.
	ChiSquare float64
	// Rejected lists the marks that were left out, in the order of leaving.
	Rejected []Residual
	// TrueX and TrueY are the ranges of the used marks' true places. Outside
	// the model is a guess, as Uncertainty shows only if the order is right.
	TrueX, TrueY [2]float64

	terms     [][2]int // powers of x and y
	cx, cy, k float64  // true places are centred and scaled to +-1
	x, y      axis
}

// axis is the polynomial of one measured coordinate.
type axis struct {
	coef       []float64
	covariance [][]float64
}

// TooFewMarksError says that a polynomial has more coefficients than the marks
// can settle.
type TooFewMarksError struct {
	Marks, Needed int // Needed leaves two marks to check the rest by
	Order         int
}

func (e *TooFewMarksError) Error() string {
	remedy := "find more marks"
	for order := e.Order - 1; order >= 1; order-- {
		if neededMarks(order) <= e.Marks {
			remedy = fmt.Sprintf("%s, or use order %d", remedy, order)
			break
		}
	}
	return fmt.Sprintf("%d marks for a polynomial of order %d, which needs %d; %s", e.Marks, e.Order, e.Needed, remedy)
}

// ErrDegenerate says that the marks lie so that they do not determine the
// polynomial, such as on one line.
var ErrDegenerate = errors.New("the layout of the marks does not determine the model")

// largestInflation is the factor by which correlation among the terms may
// swell a coefficient's variance. Marks all over a field stay below 1e4 at
// order 5; marks on too few lines exceed this by far.
const largestInflation = 1e8

func neededMarks(order int) int { return (order+1)*(order+2)/2 + 2 }

// Fit describes the displacement of the found marks by a polynomial from true
// to measured places:
//
//	x = sum over i+j <= Order of a_ij X^i Y^j,  and likewise y
//
// weighted by 1/(sigma^2 + PlacePx^2) and solved by Householder QR. Marks with
// studentised residuals, r/(s sqrt(1-h)), beyond RejectSigma are left out, the
// worst first and one at a time; the limit is widened where the residuals as a
// whole (MAD) exceed their uncertainties, so that a model that is too simple
// does not lose its marks. At most a quarter may go.
//
// Errors: *TooFewMarksError, ErrDegenerate, too many outliers.
func Fit(marks []Mark, found []Found, opt FitOptions) (*Model, error) {
	if opt.Order < 1 || opt.Order > 5 {
		return nil, fmt.Errorf("marks: the order of the polynomial is %d; give 1 to 5", opt.Order)
	}
	opt.RejectSigma = cmp.Or(opt.RejectSigma, 4)
	if !(opt.RejectSigma >= 2.5) || !(opt.PlacePx >= 0) {
		return nil, fmt.Errorf("marks: a rejection limit of %g sigma with places uncertain by %g pixels; give 2.5 sigma or more, and 0 pixels or more", opt.RejectSigma, opt.PlacePx)
	}
	points, err := pointsOf(marks, found, opt.PlacePx)
	if err != nil {
		return nil, fmt.Errorf("marks: %w", err)
	}
	m := newModel(opt.Order, points)
	for all := len(points); ; {
		fx, fy, err := m.solve(points)
		if err != nil {
			return nil, fmt.Errorf("marks: %w", err)
		}
		worst := outlier(points, fx, fy, opt.RejectSigma)
		if worst < 0 {
			m.finish(points, fx, fy)
			return m, nil
		}
		p := points[worst]
		m.Rejected = append(m.Rejected, Residual{p.index, fx.Residuals[worst], fy.Residuals[worst]})
		points = append(points[:worst], points[worst+1:]...)
		if 4*len(m.Rejected) > all {
			return nil, fmt.Errorf("marks: more than a quarter of the %d marks do not fit a polynomial of order %d; use a higher order, or check that true places and marks belong together", all, opt.Order)
		}
	}
}

// point is one mark as the fit sees it.
type point struct {
	index          int
	trueX, trueY   float64
	x, y           float64
	sigmaX, sigmaY float64
	terms          []float64
	leverX, leverY float64
}

func pointsOf(marks []Mark, found []Found, placePx float64) ([]point, error) {
	var out []point
	for _, f := range found {
		if f.Index < 0 || f.Index >= len(marks) {
			return nil, fmt.Errorf("found mark %d is not in the list of %d; give the list that was searched for", f.Index, len(marks))
		}
		m := marks[f.Index]
		sx, sy := math.Hypot(f.SigmaX, placePx), math.Hypot(f.SigmaY, placePx)
		if !(sx > 0 && sy > 0) {
			return nil, fmt.Errorf("mark %s has the uncertainties %g and %g pixels; give each a number above 0", m.Name, sx, sy)
		}
		out = append(out, point{index: f.Index, trueX: m.TrueX, trueY: m.TrueY, x: f.X, y: f.Y, sigmaX: sx, sigmaY: sy})
	}
	return out, nil
}

// newModel lays out the terms for a field of marks.
func newModel(order int, points []point) *Model {
	m := &Model{Order: order}
	for j := 0; j <= order; j++ {
		for i := 0; i+j <= order; i++ {
			m.terms = append(m.terms, [2]int{i, j})
		}
	}
	m.setRange(points)
	m.cx, m.cy = (m.TrueX[0]+m.TrueX[1])/2, (m.TrueY[0]+m.TrueY[1])/2
	m.k = 1
	if half := max(m.TrueX[1]-m.TrueX[0], m.TrueY[1]-m.TrueY[0]) / 2; half > 0 {
		m.k = 1 / half
	}
	for i := range points {
		points[i].terms = m.termsAt(points[i].trueX, points[i].trueY)
	}
	return m
}

// setRange finds the field that the marks' true places span.
func (m *Model) setRange(points []point) {
	for i, p := range points {
		if i == 0 {
			m.TrueX, m.TrueY = [2]float64{p.trueX, p.trueX}, [2]float64{p.trueY, p.trueY}
		}
		m.TrueX = [2]float64{min(m.TrueX[0], p.trueX), max(m.TrueX[1], p.trueX)}
		m.TrueY = [2]float64{min(m.TrueY[0], p.trueY), max(m.TrueY[1], p.trueY)}
	}
}

// termsAt returns the terms of the polynomial at a true place.
func (m *Model) termsAt(x, y float64) []float64 {
	u, v := (x-m.cx)*m.k, (y-m.cy)*m.k
	out := make([]float64, len(m.terms))
	for i, t := range m.terms {
		out[i] = power(u, t[0]) * power(v, t[1])
	}
	return out
}

func power(x float64, n int) float64 {
	p := 1.0
	for range n {
		p *= x
	}
	return p
}

// solve fits both coordinates.
func (m *Model) solve(points []point) (fx, fy *calib.Fit, err error) {
	if need := neededMarks(m.Order); len(points) < need {
		return nil, nil, &TooFewMarksError{len(points), need, m.Order}
	}
	var design [][]float64
	var x, y, wx, wy []float64
	for _, p := range points {
		design = append(design, p.terms)
		x, y = append(x, p.x), append(y, p.y)
		wx, wy = append(wx, 1/(p.sigmaX*p.sigmaX)), append(wy, 1/(p.sigmaY*p.sigmaY))
	}
	if fx, err = m.solveAxis(design, x, wx); err != nil {
		return nil, nil, err
	}
	if fy, err = m.solveAxis(design, y, wy); err != nil {
		return nil, nil, err
	}
	for i := range points {
		p := &points[i]
		p.leverX, p.leverY = quadratic(fx.Cofactor, p.terms)*wx[i], quadratic(fy.Cofactor, p.terms)*wy[i]
	}
	return fx, fy, nil
}

// solveAxis fits one coordinate and refuses terms that cannot be told apart.
func (m *Model) solveAxis(design [][]float64, y, w []float64) (*calib.Fit, error) {
	fit, err := calib.LeastSquares(design, y, w)
	if err != nil && !errors.Is(err, calib.ErrSingular) {
		return nil, err
	}
	if err == nil {
		inflation := 0.0
		for j := range m.terms {
			norm := 0.0
			for i, row := range design {
				norm += w[i] * row[j] * row[j]
			}
			inflation = max(inflation, fit.Cofactor[j][j]*norm)
		}
		if inflation < largestInflation {
			return fit, nil
		}
	}
	return nil, fmt.Errorf("%w: the marks lie on a line, or on too few rows or columns, for order %d; use a lower order, or marks all over the field", ErrDegenerate, m.Order)
}

// quadratic is t^T C t.
func quadratic(c [][]float64, t []float64) float64 {
	sum := 0.0
	for i, row := range c {
		for j, v := range row {
			sum += t[i] * v * t[j]
		}
	}
	return sum
}

// outlier returns the mark that fits worst if it is beyond the limit, else -1.
func outlier(points []point, fx, fy *calib.Fit, limit float64) int {
	var all []float64
	worst, most := -1, 0.0
	for i, p := range points {
		x := math.Abs(studentised(fx.Residuals[i], p.sigmaX, p.leverX))
		y := math.Abs(studentised(fy.Residuals[i], p.sigmaY, p.leverY))
		all = append(all, x, -x, y, -y) // about zero
		if larger := max(x, y); larger > most {
			worst, most = i, larger
		}
	}
	if _, scatter := calib.MedianMAD(all); most > limit*max(scatter, 1) {
		return worst
	}
	return -1
}

// certain is the leverage above which a mark alone decides its own residual,
// which then says nothing.
const certain = 1 - 1e-9

func studentised(residual, sigma, lever float64) float64 {
	if lever > certain {
		return 0
	}
	return residual / (sigma * math.Sqrt(1-lever))
}

// finish sets the model from its last fit.
func (m *Model) finish(points []point, fx, fy *calib.Fit) {
	m.Marks = len(points)
	m.setRange(points)
	var square, predicted, chi float64
	for i, p := range points {
		rx, ry := fx.Residuals[i], fy.Residuals[i]
		square += rx*rx + ry*ry
		chi += rx*rx/(p.sigmaX*p.sigmaX) + ry*ry/(p.sigmaY*p.sigmaY)
		px, py := rx/max(1-p.leverX, 1-certain), ry/max(1-p.leverY, 1-certain)
		predicted += px*px + py*py
	}
	n := float64(2 * len(points))
	m.RMS, m.Predicted = math.Sqrt(square/n), math.Sqrt(predicted/n)
	m.ChiSquare = chi / (n - float64(2*len(m.terms)))
	scale := max(m.ChiSquare, 1)
	m.x, m.y = axis{fx.Coef, scaled(fx.Cofactor, scale)}, axis{fy.Coef, scaled(fy.Cofactor, scale)}
}

func scaled(c [][]float64, by float64) [][]float64 {
	for _, row := range c {
		for j := range row {
			row[j] *= by
		}
	}
	return c
}

// At returns the measured place of the true place (x, y).
func (m *Model) At(x, y float64) (sx, sy float64) {
	for i, t := range m.termsAt(x, y) {
		sx += m.x.coef[i] * t
		sy += m.y.coef[i] * t
	}
	return sx, sy
}

// Uncertainty returns the standard uncertainties of At, from the covariance
// of the coefficients.
func (m *Model) Uncertainty(x, y float64) (ux, uy float64) {
	t := m.termsAt(x, y)
	return math.Sqrt(quadratic(m.x.covariance, t)), math.Sqrt(quadratic(m.y.covariance, t))
}

// Row fills sx and sy with the measured places of the pixels (0, y), (1, y) ...
// of the rectified image. They must have the same length. It does not
// allocate.
func (m *Model) Row(y int, sx, sy []float64) {
	v := (float64(y) - m.cy) * m.k
	ax, ay := m.alongRow(m.x.coef, v), m.alongRow(m.y.coef, v)
	sy = sy[:len(sx)]
	for i := range sx {
		u := (float64(i) - m.cx) * m.k
		sx[i], sy[i] = horner(&ax, u), horner(&ay, u)
	}
}

// alongRow turns the polynomial at a fixed v into one in u alone.
func (m *Model) alongRow(coef []float64, v float64) [6]float64 {
	var out [6]float64
	for i, t := range m.terms {
		out[t[0]] += coef[i] * power(v, t[1])
	}
	return out
}

func horner(a *[6]float64, u float64) float64 {
	return ((((a[5]*u+a[4])*u+a[3])*u+a[2])*u+a[1])*u + a[0]
}
