package calib

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// maxLayers bounds the layers of a stack, so that a pixel's samples fit into
// an array on the goroutine's own stack.
const maxLayers = 8

// mixTrigger holds the flags of one layer that make every band unsure.
const mixTrigger = Saturated | NearSaturated | AtFloor

// Unmixer turns the layers of stacked photodiodes into bands. Layer i gathers
//
//	N_i = sum_b M_ib S_b
//
// of the bands' signals S_b; the bands are found again by S = W N, with W the
// inverse of M, or its pseudo-inverse (M^T M)^-1 M^T, the least-squares answer
// with equal weights, where there are more layers than bands.
//
// Unmixing amplifies noise: with layers of equal variance the standard
// uncertainty of band b is NoiseGain[b] times that of a layer, and the errors
// of the bands are correlated (see Correlation).
//
// An Unmixer is not changed by its use; goroutines may share one.
type Unmixer struct {
	Layers, Bands int
	// Condition is the ratio of the largest to the smallest singular value
	// of M.
	Condition float64
	// NoiseGain is sqrt(sum_i W_bi^2) for each band b.
	NoiseGain []float64

	w      [][]float64 // W, band by layer
	flat   []float32   // W, row by row
	square []float32   // squares of W, row by row
	total  []float32   // squares of the column sums of W: variance of the sum of the bands
	sum    []float32   // column sums of W: the sum of the bands
}

// ConditionError says that layers cannot be separated well enough.
type ConditionError struct {
	Condition float64 // of the mixing matrix; +Inf where it is singular
	Limit     float64 // that the caller set
}

func (e *ConditionError) Error() string {
	return fmt.Sprintf("the mixing matrix has condition number %.3g, above the limit %.3g: two bands look almost alike to the layers; "+
		"measure the matrix again, leave out a band, or raise the limit and accept the noise", e.Condition, e.Limit)
}

// NewUnmixer inverts a mixing matrix with a row for each layer and a column
// for each band. A matrix whose condition number (2-norm) is above
// maxCondition is refused with a *ConditionError; so is a singular one,
// whatever the limit.
//
// Source of the method: Golub & Van Loan, Matrix Computations, section 5.5
// (pseudo-inverse by singular values; from memory).
func NewUnmixer(matrix [][]float64, maxCondition float64) (*Unmixer, error) {
	m, err := mixingMatrix(matrix)
	if err != nil {
		return nil, fmt.Errorf("unmixing: %w", err)
	}
	if !(maxCondition >= 1) {
		return nil, fmt.Errorf("unmixing: the limit of the condition number is %g; give 1 or more", maxCondition)
	}
	var svd mat.SVD
	if !svd.Factorize(m, mat.SVDThin) {
		return nil, errors.New("unmixing: the singular values of the mixing matrix were not found; check the matrix for numbers out of all proportion")
	}
	values := svd.Values(nil)
	condition := values[0] / values[len(values)-1]
	if !(condition <= min(maxCondition, largestCondition)) {
		return nil, fmt.Errorf("unmixing: %w", &ConditionError{condition, maxCondition})
	}
	u := &Unmixer{Layers: len(matrix), Bands: len(matrix[0]), Condition: condition}
	u.setInverse(&svd, values)
	return u, nil
}

// mixingMatrix checks the shape and the numbers of a mixing matrix.
func mixingMatrix(matrix [][]float64) (*mat.Dense, error) {
	layers := len(matrix)
	if layers == 0 || len(matrix[0]) == 0 {
		return nil, errors.New("the mixing matrix is empty; give a row for each layer and a column for each band")
	}
	bands := len(matrix[0])
	if layers > maxLayers {
		return nil, fmt.Errorf("the mixing matrix has %d layers; at most %d can be unmixed", layers, maxLayers)
	}
	if bands > layers {
		return nil, fmt.Errorf("%d layers cannot tell %d bands apart; give at most as many bands as layers", layers, bands)
	}
	m := mat.NewDense(layers, bands, nil)
	for i, row := range matrix {
		if len(row) != bands {
			return nil, fmt.Errorf("layer %d of the mixing matrix has %d numbers and layer 1 has %d; give one for each band", i+1, len(row), bands)
		}
		for b, v := range row {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return nil, fmt.Errorf("layer %d, band %d of the mixing matrix is %g; give a finite number", i+1, b+1, v)
			}
			m.Set(i, b, v)
		}
	}
	return m, nil
}

// setInverse makes W = V diag(1/s) U^T and what is derived from it.
func (u *Unmixer) setInverse(svd *mat.SVD, values []float64) {
	var left, right mat.Dense
	svd.UTo(&left)
	svd.VTo(&right)
	u.sum, u.total = make([]float32, u.Layers), make([]float32, u.Layers)
	column := make([]float64, u.Layers)
	for b := range u.Bands {
		row := make([]float64, u.Layers)
		q := 0.0
		for i := range row {
			for k, s := range values {
				row[i] += right.At(b, k) * left.At(i, k) / s
			}
			q += row[i] * row[i]
			column[i] += row[i]
			u.flat = append(u.flat, float32(row[i]))
			u.square = append(u.square, float32(row[i]*row[i]))
		}
		u.w = append(u.w, row)
		u.NoiseGain = append(u.NoiseGain, math.Sqrt(q))
	}
	for i, s := range column {
		u.sum[i], u.total[i] = float32(s), float32(s*s)
	}
}

// Weights returns a copy of W, band by layer.
func (u *Unmixer) Weights() [][]float64 {
	out := make([][]float64, u.Bands)
	for b, row := range u.w {
		out[b] = append([]float64(nil), row...)
	}
	return out
}

// MixRows holds one row, or any run of pixels, of each layer or of each band.
// All the slices within have the same length.
type MixRows struct {
	Value    [][]float32
	Variance [][]float32 // square of Value's unit
	Flags    [][]Flags
}

// check names the first slice that has not the length it should have.
func (r MixRows) check(what string, planes, n int) error {
	if len(r.Value) != planes || len(r.Variance) != planes || len(r.Flags) != planes {
		return fmt.Errorf("unmixing: %d value, %d variance and %d flag rows where there are %d %ss", len(r.Value), len(r.Variance), len(r.Flags), planes, what)
	}
	for i := range planes {
		if len(r.Value[i]) != n || len(r.Variance[i]) != n || len(r.Flags[i]) != n {
			return fmt.Errorf("unmixing: %s %d has %d values, %d variances and %d flags; the first layer has %d pixels", what, i+1, len(r.Value[i]), len(r.Variance[i]), len(r.Flags[i]), n)
		}
	}
	return nil
}

// Rows unmixes the pixels of in into out, which may be in itself: a pixel is
// read in all layers before it is written in any band.
//
// The variance of band b is sum_i W_bi^2 var_i, for layers whose errors are
// independent. Every band of a pixel gets the union of the layers' flags, and
// MixUnsure where any layer is Saturated, NearSaturated or AtFloor, or where
// the sum of the bands is less than minSNR of its own standard uncertainties
// (too dark); a minSNR of 0 leaves the last test out.
//
// Where a layer is Unusable (and not filled) or NaN, no band has a value: value and variance
// are NaN, and Missing is set where no flag said so. That holds for a
// saturated layer too: W has negative elements, so a lower bound of a layer
// bounds no band.
//
// The arithmetic is single precision: rounding stays below 1e-6 of the largest
// product W_bi N_i, so far below the noise of any usable Condition.
func (u *Unmixer) Rows(in, out MixRows, minSNR float64) error {
	n := 0
	if len(in.Value) > 0 {
		n = len(in.Value[0])
	}
	if err := in.check("layer", u.Layers, n); err != nil {
		return err
	}
	if err := out.check("band", u.Bands, n); err != nil {
		return err
	}
	limit := float32(max(minSNR, 0) * max(minSNR, 0))
	if u.Layers == 3 && u.Bands == 3 {
		u.threeRows(in, out, limit, n)
		return nil
	}
	u.anyRows(in, out, limit, n)
	return nil
}

// threeRows is Rows for three layers and three bands, the usual stack, with
// everything in registers.
func (u *Unmixer) threeRows(in, out MixRows, limit float32, n int) {
	w, q, sum, total := [9]float32(u.flat), [9]float32(u.square), [3]float32(u.sum), [3]float32(u.total)
	inV0, inV1, inV2 := in.Value[0][:n], in.Value[1][:n], in.Value[2][:n]
	inQ0, inQ1, inQ2 := in.Variance[0][:n], in.Variance[1][:n], in.Variance[2][:n]
	inF0, inF1, inF2 := in.Flags[0][:n], in.Flags[1][:n], in.Flags[2][:n]
	outV0, outV1, outV2 := out.Value[0][:n], out.Value[1][:n], out.Value[2][:n]
	outQ0, outQ1, outQ2 := out.Variance[0][:n], out.Variance[1][:n], out.Variance[2][:n]
	outF0, outF1, outF2 := out.Flags[0][:n], out.Flags[1][:n], out.Flags[2][:n]
	none := float32(math.NaN())
	for x := range n {
		v0, v1, v2 := inV0[x], inV1[x], inV2[x]
		q0, q1, q2 := inQ0[x], inQ1[x], inQ2[x]
		f := inF0[x] | inF1[x] | inF2[x]
		all := sum[0]*v0 + sum[1]*v1 + sum[2]*v2
		f |= unsure(f, all, total[0]*q0+total[1]*q1+total[2]*q2, limit)
		if f&Unusable != 0 && (inF0[x].Standing()|inF1[x].Standing()|inF2[x].Standing())&Unusable != 0 || all != all {
			f = absent(f)
			v0, v1, v2, q0 = none, none, none, none
		}
		outV0[x] = w[0]*v0 + w[1]*v1 + w[2]*v2
		outV1[x] = w[3]*v0 + w[4]*v1 + w[5]*v2
		outV2[x] = w[6]*v0 + w[7]*v1 + w[8]*v2
		outQ0[x] = q[0]*q0 + q[1]*q1 + q[2]*q2
		outQ1[x] = q[3]*q0 + q[4]*q1 + q[5]*q2
		outQ2[x] = q[6]*q0 + q[7]*q1 + q[8]*q2
		outF0[x], outF1[x], outF2[x] = f, f, f
	}
}

// anyRows is Rows for any number of layers and bands.
func (u *Unmixer) anyRows(in, out MixRows, limit float32, n int) {
	none := float32(math.NaN())
	var v, q [maxLayers]float32
	for x := range n {
		var f, standing Flags
		var all, variance float32
		for i := range u.Layers {
			v[i], q[i] = in.Value[i][x], in.Variance[i][x]
			f |= in.Flags[i][x]
			standing |= in.Flags[i][x].Standing()
			all += u.sum[i] * v[i]
			variance += u.total[i] * q[i]
		}
		f |= unsure(f, all, variance, limit)
		if standing&Unusable != 0 || all != all {
			f = absent(f)
			v[0], q[0] = none, none
		}
		for b := range u.Bands {
			var sv, sq float32
			for i := range u.Layers {
				sv += u.flat[b*u.Layers+i] * v[i]
				sq += u.square[b*u.Layers+i] * q[i]
			}
			out.Value[b][x], out.Variance[b][x], out.Flags[b][x] = sv, sq, f
		}
	}
}

// absent returns the flags of a pixel without a value: one that tells why, and
// none that says that it was filled.
func absent(f Flags) Flags {
	if f &^= Filled; f&Unusable == 0 {
		f |= Missing
	}
	return f
}

// unsure returns MixUnsure where the union of the layers' flags calls for it,
// or where the sum of the bands is below its limit; limit is the square of the
// signal-to-noise ratio.
func unsure(f Flags, sum, variance, limit float32) Flags {
	if f&mixTrigger != 0 || limit > 0 && (sum < 0 || sum*sum < limit*variance) {
		return MixUnsure
	}
	return 0
}

// Correlation returns the correlation coefficients between the errors of the
// bands of one pixel, band by band, from the variances of its layers:
//
//	r_bc = C_bc / sqrt(C_bb C_cc),  C_bc = sum_i W_bi W_ci var_i
//
// (JCGM 100:2008, clause 5.2.2). It is NaN where a variance is NaN or every one
// is zero. It panics unless there is a variance for each layer.
func (u *Unmixer) Correlation(layerVariance []float64) [][]float64 {
	if len(layerVariance) != u.Layers {
		panic(fmt.Sprintf("unmixing: %d variances for %d layers", len(layerVariance), u.Layers))
	}
	covariance := func(b, c int) float64 {
		sum := 0.0
		for i, v := range layerVariance {
			sum += u.w[b][i] * u.w[c][i] * v
		}
		return sum
	}
	out := make([][]float64, u.Bands)
	for b := range out {
		out[b] = make([]float64, u.Bands)
		for c := range out[b] {
			out[b][c] = covariance(b, c) / math.Sqrt(covariance(b, b)*covariance(c, c))
		}
	}
	return out
}

// MeanCorrelation returns the correlation coefficients of a whole frame: those
// of the covariance averaged over the pixels that are good in every layer,
// before unmixing. It is an error when the layers are unlike in size or share
// no good pixel.
func (u *Unmixer) MeanCorrelation(layers []*Raster) ([][]float64, error) {
	if len(layers) != u.Layers {
		return nil, fmt.Errorf("unmixing: %d images for %d layers", len(layers), u.Layers)
	}
	for i, l := range layers {
		if l.Width != layers[0].Width || l.Height != layers[0].Height {
			return nil, fmt.Errorf("unmixing: layer %d has %d x %d pixels and layer 1 has %d x %d; give layers of one exposure",
				i+1, l.Width, l.Height, layers[0].Width, layers[0].Height)
		}
	}
	// A dead pixel's variance is 1/F^2 times that of others: bad pixels would
	// decide alone. Only where nothing is unflagged do they count.
	mean, pixels := meanVariances(layers, func(l *Raster, p int) bool { return l.Good(p) && l.Flags[p] == 0 })
	if pixels == 0 {
		mean, pixels = meanVariances(layers, (*Raster).Good)
	}
	if pixels == 0 {
		return nil, errors.New("unmixing: no pixel is good in every layer, so the bands have no correlation; check the exposure")
	}
	return u.Correlation(mean), nil
}

// meanVariances is the mean variance of each layer over the pixels that count
// in all of them.
func meanVariances(layers []*Raster, counts func(*Raster, int) bool) (mean []float64, pixels int) {
	mean = make([]float64, len(layers))
	for p := range layers[0].Value {
		good := true
		for _, l := range layers {
			good = good && counts(l, p)
		}
		if !good {
			continue
		}
		pixels++
		for i, l := range layers {
			mean[i] += float64(l.Variance[p])
		}
	}
	for i := range mean {
		mean[i] /= float64(max(pixels, 1))
	}
	return mean, pixels
}
