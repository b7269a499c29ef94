package calib

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
)

// stack is the mixing matrix of three layers of one silicon pixel: the upper
// layer sees mostly short waves, the lowest mostly long ones. Invented.
var stack = [][]float64{
	{0.70, 0.25, 0.08},
	{0.25, 0.55, 0.22},
	{0.05, 0.20, 0.70},
}

func newMixRows(planes, n int) MixRows {
	var r MixRows
	for range planes {
		r.Value = append(r.Value, make([]float32, n))
		r.Variance = append(r.Variance, make([]float32, n))
		r.Flags = append(r.Flags, make([]Flags, n))
	}
	return r
}

func newUnmixer(t *testing.T, matrix [][]float64) *Unmixer {
	t.Helper()
	u, err := NewUnmixer(matrix, 100)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

// TestUnmixerFindsTheBandsAgain mixes known bands without noise.
func TestUnmixerFindsTheBandsAgain(t *testing.T) {
	for _, c := range []struct {
		name   string
		matrix [][]float64
		bands  []float64 // e-
	}{
		{"three layers, three bands", stack, []float64{1200, 3400, 560}},
		{"two and two", [][]float64{{0.8, 0.3}, {0.1, 0.6}}, []float64{500, 900}},
		{"four layers, three bands", append([][]float64{{0.3, 0.3, 0.3}}, stack...), []float64{1200, 3400, 560}},
		{"one layer", [][]float64{{0.5}}, []float64{77}},
	} {
		u := newUnmixer(t, c.matrix)
		in, out := newMixRows(len(c.matrix), 1), newMixRows(len(c.bands), 1)
		largest := 0.0
		for i, row := range c.matrix {
			n := 0.0
			for b, m := range row {
				n += m * c.bands[b]
			}
			in.Value[i][0], in.Variance[i][0] = float32(n), 1
			largest = max(largest, n)
		}
		if err := u.Rows(in, out, 0); err != nil {
			t.Fatal(err)
		}
		for b, want := range c.bands {
			// Half a unit in the last place of each sample and product.
			bound := 4 * math.Exp2(-24) * largest * u.NoiseGain[b] * float64(u.Layers)
			within(t, fmt.Sprintf("%s: band %d", c.name, b+1), float64(out.Value[b][0]), want, bound)
			if out.Flags[b][0] != 0 {
				t.Errorf("%s: band %d is %s", c.name, b+1, out.Flags[b][0])
			}
		}
	}
}

// TestUnmixerFigures compares with matrices whose inverse and singular values
// are known in closed form.
func TestUnmixerFigures(t *testing.T) {
	const a = 0.25
	// [1 a; a 1] has singular values 1+a and 1-a and the inverse
	// [1 -a; -a 1]/(1-a^2).
	u := newUnmixer(t, [][]float64{{1, a}, {a, 1}})
	within(t, "condition", u.Condition, (1+a)/(1-a), 1e-12)
	for b := range 2 {
		within(t, "noise gain", u.NoiseGain[b], math.Sqrt(1+a*a)/(1-a*a), 1e-12)
	}
	// The covariance with equal variances is proportional to
	// [1+a^2 -2a; -2a 1+a^2].
	within(t, "correlation", u.Correlation([]float64{3, 3})[0][1], -2*a/(1+a*a), 1e-12)
	within(t, "own correlation", u.Correlation([]float64{3, 7})[1][1], 1, 1e-12)
	// Noise in the first layer alone moves the bands along (1, -a).
	within(t, "correlation from one noisy layer", u.Correlation([]float64{3, 0})[0][1], -1, 1e-12)
	// Two equal layers of one band are averaged.
	u = newUnmixer(t, [][]float64{{0.5}, {0.5}})
	within(t, "noise gain of two equal layers", u.NoiseGain[0], 2/math.Sqrt2, 1e-12)
	within(t, "weight of one of two equal layers", u.Weights()[0][0], 1, 1e-12)
}

// TestUnmixedNoiseIsAsStated draws the layers' noise and looks at the scatter
// and the correlation of the bands.
func TestUnmixedNoiseIsAsStated(t *testing.T) {
	const n = 40000
	variance := []float64{900, 400, 2500} // e-^2
	truth := []float64{3000, 2000, 4000}  // e-
	for _, matrix := range [][][]float64{stack, {stack[0], stack[2], stack[1]}} {
		u, rng := newUnmixer(t, matrix), newRand(5)
		rows := newMixRows(3, n)
		for i, m := range matrix {
			for x := range n {
				clean := m[0]*truth[0] + m[1]*truth[1] + m[2]*truth[2]
				rows.Value[i][x] = float32(clean + math.Sqrt(variance[i])*rng.NormFloat64())
				rows.Variance[i][x] = float32(variance[i])
			}
		}
		if err := u.Rows(rows, rows, 3); err != nil {
			t.Fatal(err)
		}
		r := u.Correlation(variance)
		for b := range 3 {
			var own moments
			product := 0.0
			c := (b + 1) % 3
			for x := range n {
				pull := (float64(rows.Value[b][x]) - truth[b]) / math.Sqrt(float64(rows.Variance[b][x]))
				other := (float64(rows.Value[c][x]) - truth[c]) / math.Sqrt(float64(rows.Variance[c][x]))
				own.add(pull)
				product += pull * other
			}
			within(t, "mean pull", own.mean(), 0, sigmas/math.Sqrt(n))
			within(t, "mean square pull", own.meanSquare(), 1, sigmas*math.Sqrt(2.0/n))
			// The variance of a product of normal pulls is 1 + r^2.
			within(t, "correlation", product/n, r[b][c], sigmas*math.Sqrt((1+r[b][c]*r[b][c])/n))
		}
	}
}

// TestUnmixingMarksWhatIsUnsure gives one layer a flag.
func TestUnmixingMarksWhatIsUnsure(t *testing.T) {
	nan := float32(math.NaN())
	for _, c := range []struct {
		name     string
		value    float32 // of the second layer
		flag     Flags
		want     Flags
		hasValue bool
	}{
		{"good", 900, 0, 0, true},
		{"hot", 900, Hot, Hot, true},
		{"saturated", 900, Saturated, Saturated | MixUnsure, false},
		{"near saturated", 900, NearSaturated, NearSaturated | MixUnsure, true},
		{"at the floor", 900, AtFloor, AtFloor | MixUnsure, true},
		{"missing", nan, Missing, Missing, false},
		{"no calibration", 900, NoCalibration, NoCalibration, false},
		{"a value that is NaN without a flag", nan, 0, Missing, false},
		{"missing and filled", 900, Missing | Filled, Missing | Filled, true},
		{"dead without calibration and filled", 900, Dead | NoCalibration | Filled, Dead | NoCalibration | Filled, true},
		{"saturated and filled", 900, Saturated | Filled, Saturated | MixUnsure, false},
	} {
		// The path for three layers, and the one for any number.
		for _, matrix := range [][][]float64{stack, append([][]float64{{0.3, 0.3, 0.3}}, stack...)} {
			u := newUnmixer(t, matrix)
			in, out := newMixRows(u.Layers, 3), newMixRows(3, 3)
			for i := range u.Layers {
				for x := range 3 {
					in.Value[i][x], in.Variance[i][x] = 900, 100
				}
			}
			in.Value[1][1], in.Flags[1][1] = c.value, c.flag
			if err := u.Rows(in, out, 0); err != nil {
				t.Fatal(err)
			}
			for b := range 3 {
				if got := out.Flags[b][1]; got != c.want {
					t.Errorf("%s, %d layers, band %d: flags %s, want %s", c.name, u.Layers, b+1, got, c.want)
				}
				if has := !isNaN(out.Value[b][1]) && !isNaN(out.Variance[b][1]); has != c.hasValue {
					t.Errorf("%s, %d layers, band %d: value %g +- %g", c.name, u.Layers, b+1, out.Value[b][1], out.Variance[b][1])
				}
				for _, x := range []int{0, 2} {
					if out.Flags[b][x] != 0 || isNaN(out.Value[b][x]) {
						t.Errorf("%s: the neighbour in column %d is %g, %s", c.name, x, out.Value[b][x], out.Flags[b][x])
					}
				}
			}
		}
	}
}

// TestUnderExposureIsUnsure lets the signal fall through the limit. With the
// unit matrix the sum of the bands is 3 s and its variance 3 v.
func TestUnderExposureIsUnsure(t *testing.T) {
	unit := [][]float64{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}
	u := newUnmixer(t, unit)
	const limit, variance = 5, 300 // sigma; e-^2: the limit is at 3 s = 5 x 30, s = 50
	signals := []float32{-200, 0, 49, 51, 500}
	for _, c := range []struct {
		name  string
		limit float64
		want  []Flags
	}{
		{"with a limit", limit, []Flags{MixUnsure, MixUnsure, MixUnsure, 0, 0}},
		{"without", 0, []Flags{0, 0, 0, 0, 0}},
	} {
		rows := newMixRows(3, len(signals))
		for i := range 3 {
			for x, s := range signals {
				rows.Value[i][x], rows.Variance[i][x] = s, variance
			}
		}
		if err := u.Rows(rows, rows, c.limit); err != nil {
			t.Fatal(err)
		}
		for x, want := range c.want {
			for b := range 3 {
				if got := rows.Flags[b][x]; got != want {
					t.Errorf("%s: signal %g in band %d is %s, want %s", c.name, signals[x], b+1, got, want)
				}
			}
		}
	}
}

func TestMeanCorrelationAveragesGoodPixels(t *testing.T) {
	u := newUnmixer(t, stack)
	var layers []*Raster
	for i := range 3 {
		l := NewRaster(2, 2)
		for p := range l.Value {
			l.Value[p], l.Variance[p] = 1000, float32(100*(i+1)+10*p)
		}
		layers = append(layers, l)
	}
	layers[1].Flags[0], layers[1].Variance[0] = Saturated, float32(math.NaN())
	got, err := u.MeanCorrelation(layers)
	if err != nil {
		t.Fatal(err)
	}
	want := u.Correlation([]float64{120, 220, 320}) // mean over pixels 1 to 3
	for b := range 3 {
		for c := range 3 {
			within(t, "correlation", got[b][c], want[b][c], 1e-12)
		}
	}
	for p := range layers[2].Flags {
		layers[2].Flags[p] = Missing
	}
	if _, err := u.MeanCorrelation(layers); err == nil || !strings.Contains(err.Error(), "no pixel is good") {
		t.Errorf("without a good pixel: %v", err)
	}
	layers[2] = NewRaster(3, 2)
	if _, err := u.MeanCorrelation(layers); err == nil || !strings.Contains(err.Error(), "layer 3 has 3 x 2") {
		t.Errorf("unlike sizes: %v", err)
	}
}

func TestNewUnmixerRefuses(t *testing.T) {
	for _, c := range []struct {
		name   string
		matrix [][]float64
		limit  float64
		says   string
	}{
		{"nothing", nil, 100, "is empty"},
		{"ragged rows", [][]float64{{1, 0}, {1}}, 100, "layer 2 of the mixing matrix has 1 numbers"},
		{"more bands than layers", [][]float64{{1, 0}}, 100, "1 layers cannot tell 2 bands apart"},
		{"a number that is none", [][]float64{{math.NaN()}}, 100, "layer 1, band 1"},
		{"a singular matrix", [][]float64{{1, 2}, {2, 4}}, 1e300, "condition number"},
		{"bands almost alike", [][]float64{{1, 0.99}, {0.99, 1}}, 100, "condition number 199, above the limit 100"},
		{"a limit below 1", stack, 0, "give 1 or more"},
		{"nine layers", nineLayers(), 100, "at most 8"},
	} {
		_, err := NewUnmixer(c.matrix, c.limit)
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want a word of %q", c.name, err, c.says)
		}
	}
	var bad *ConditionError
	if _, err := NewUnmixer([][]float64{{1, 0.99}, {0.99, 1}}, 100); !errors.As(err, &bad) {
		t.Fatal("no figure comes with the error")
	}
	within(t, "condition in the error", bad.Condition, 199, 1e-9)
}

func nineLayers() [][]float64 {
	m := make([][]float64, 9)
	for i := range m {
		m[i] = []float64{1}
	}
	return m
}

func TestUnmixRowsRefusesUnlikeRows(t *testing.T) {
	u := newUnmixer(t, stack)
	short := newMixRows(3, 4)
	short.Flags[1] = short.Flags[1][:3]
	for _, c := range []struct {
		name    string
		in, out MixRows
		says    string
	}{
		{"two layers", newMixRows(2, 4), newMixRows(3, 4), "where there are 3 layers"},
		{"a short row", short, newMixRows(3, 4), "layer 2 has 4 values, 4 variances and 3 flags"},
		{"bands of another length", newMixRows(3, 4), newMixRows(3, 5), "band 1 has 5 values"},
		{"four bands", newMixRows(3, 4), newMixRows(4, 4), "where there are 3 bands"},
	} {
		if err := u.Rows(c.in, c.out, 0); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want a word of %q", c.name, err, c.says)
		}
	}
}

func TestUnmixRowsDoesNotAllocate(t *testing.T) {
	for _, matrix := range [][][]float64{stack, {{0.8, 0.3}, {0.1, 0.6}}} {
		u := newUnmixer(t, matrix)
		rows := newMixRows(u.Layers, 64)
		if n := testing.AllocsPerRun(10, func() { _ = u.Rows(rows, rows, 3) }); n != 0 {
			t.Errorf("%d layers: %g allocations", u.Layers, n)
		}
	}
}

// BenchmarkUnmix unmixes three layers of 2048 x 2048 pixels, row by row, on
// one core.
func BenchmarkUnmix(b *testing.B) {
	const size = 2048
	u, err := NewUnmixer(stack, 100)
	if err != nil {
		b.Fatal(err)
	}
	layers := newMixRows(3, size*size)
	for i := range 3 {
		for p := range layers.Value[i] {
			layers.Value[i][p], layers.Variance[i][p] = 1000, 900
		}
	}
	row, out := newMixRows(3, 0), newMixRows(3, size*size)
	to := newMixRows(3, 0)
	cut := func(to, from MixRows, y int) {
		for i := range 3 {
			to.Value[i] = from.Value[i][y*size : (y+1)*size]
			to.Variance[i] = from.Variance[i][y*size : (y+1)*size]
			to.Flags[i] = from.Flags[i][y*size : (y+1)*size]
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		for y := range size {
			cut(row, layers, y)
			cut(to, out, y)
			if err := u.Rows(row, to, 3); err != nil {
				b.Fatal(err)
			}
		}
	}
}

func ExampleUnmixer() {
	u, err := NewUnmixer([][]float64{{0.8, 0.3}, {0.2, 0.6}}, 10) // two layers, two bands
	if err != nil {
		fmt.Println(err)
		return
	}
	rows := MixRows{ // one pixel, e-: short 1000, long 500
		Value:    [][]float32{{950}, {500}},
		Variance: [][]float32{{950}, {500}},
		Flags:    [][]Flags{{0}, {0}},
	}
	if err := u.Rows(rows, rows, 3); err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("condition %.1f, noise gain %.2f and %.2f\n", u.Condition, u.NoiseGain[0], u.NoiseGain[1])
	for b := range 2 {
		fmt.Printf("%.0f +- %.0f e-\n", rows.Value[b][0], math.Sqrt(float64(rows.Variance[b][0])))
	}
	fmt.Printf("correlation %.2f\n", u.Correlation([]float64{950, 500})[0][1])
	// Output:
	// condition 2.2, noise gain 1.60 and 1.96
	// 1000 +- 47 e-
	// 500 +- 45 e-
	// correlation -0.63
}
