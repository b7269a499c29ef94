package fill

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"testing"

	"evenlight/calib"
)

// linear is the variogram a h.
func linear(g *geometry, a float64) variogram { return variogram{a, g.powers[1]} }

// near16 are offsets around a pixel for the tests of the weights.
func near16(g *geometry) []offset { return g.cells[0].near[:mostNeighbours] }

func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %.12g, want %.12g within %g", what, got, want, tolerance)
	}
}

// Of one neighbour the weight is 1, so the variance is that of the difference,
// 2 g(h) + D. Halfway between two, which are alike, it is
// 2 g(h) - g(2h)/2 + D/2, of a linear variogram a h + D/2.
func TestWeightsOfOneAndTwoNeighbours(t *testing.T) {
	g := newGeometry(nil, 3)
	v := linear(g, 3)
	var k kriging
	if !k.solve([]offset{g.offset(2, 0)}, []float64{7}, &v) {
		t.Fatal("no solution")
	}
	within(t, "weight", k.weights[0], 1, 1e-12)
	within(t, "variance by structure", k.structure, 2*3*2, 1e-9)
	within(t, "variance by noise", k.noise, 7, 1e-9)
	if !k.solve([]offset{g.offset(2, 0), g.offset(-2, 0)}, []float64{7, 7}, &v) {
		t.Fatal("no solution")
	}
	within(t, "weight", k.weights[0], 0.5, 1e-12)
	within(t, "variance by structure", k.structure, 3*2, 1e-9)
	within(t, "variance by noise", k.noise, 3.5, 1e-9)
}

// Without structure the best estimate is the mean weighted by 1/D, of variance
// 1/sum(1/D) (Aitken 1935: generalised least squares of a constant).
func TestWithoutStructureItIsTheWeightedMean(t *testing.T) {
	g := newGeometry(nil, 3)
	v := linear(g, 0)
	d := make([]float64, mostNeighbours)
	sum := 0.0
	for i := range d {
		d[i] = 1 + float64(i*i)
		sum += 1 / d[i]
	}
	var k kriging
	if !k.solve(near16(g), d, &v) {
		t.Fatal("no solution")
	}
	for i, w := range k.weights {
		within(t, "weight", w, 1/d[i]/sum, 1e-12)
	}
	within(t, "variance by structure", k.structure, 0, 0)
	within(t, "variance by noise", k.noise, 1/sum, 1e-12)
}

// krigingByNumpy solves the same problem in the other of its two forms, with
// the variogram itself and a Lagrange multiplier (Cressie 1993, equations
// 3.2.12 to 3.2.16, from memory), by numpy's general solver.
const krigingByNumpy = `
import json, sys
import numpy as np
out = []
for case in json.load(sys.stdin):
    xy, d, a, p = np.array(case["XY"], float), np.array(case["D"], float), case["A"], case["P"]
    n = len(d)
    gamma = lambda h: a * h ** p
    between = gamma(np.hypot(xy[:, None, 0] - xy[None, :, 0], xy[:, None, 1] - xy[None, :, 1]))
    to = gamma(np.hypot(xy[:, 0], xy[:, 1]))
    m = np.ones((n + 1, n + 1))
    m[:n, :n] = between - np.diag(d)
    m[n, n] = 0
    w = np.linalg.solve(m, np.append(to, 1))
    out.append({"Weights": w[:n].tolist(), "Variance": float(w[:n] @ to + w[n])})
json.dump(out, sys.stdout)
`

// numpyPython returns a python3 that has numpy. Without one the test is
// skipped, or fails where EVENLIGHT_REQUIRE_TOOLS is set.
func numpyPython(t *testing.T) string {
	t.Helper()
	for _, python := range []string{"python3", "/usr/bin/python3"} {
		if exec.Command(python, "-c", "import numpy").Run() == nil {
			return python
		}
	}
	if os.Getenv("EVENLIGHT_REQUIRE_TOOLS") != "" {
		t.Fatal("no python3 with numpy: install python3-numpy, or unset EVENLIGHT_REQUIRE_TOOLS")
	}
	t.Skip("no python3 with numpy: install python3-numpy to compare with its solver")
	return ""
}

func TestWeightsAgreeWithNumpy(t *testing.T) {
	python := numpyPython(t)
	type problem struct {
		XY   [][2]int
		D    []float64
		A, P float64
	}
	g := newGeometry(nil, 3)
	r := rand.New(rand.NewPCG(5, 5))
	var problems []problem
	var ours []kriging
	for range 40 {
		var near []offset
		p := problem{A: math.Exp(4 * r.NormFloat64())}
		for _, i := range r.Perm(60)[:leastNeighbours+r.IntN(mostNeighbours-leastNeighbours+1)] {
			o := g.cells[0].near[i]
			near, p.XY, p.D = append(near, o), append(p.XY, [2]int{o.dx, o.dy}), append(p.D, math.Exp(r.NormFloat64()))
		}
		e := r.IntN(len(g.powers))
		p.P = exponents()[e]
		var k kriging
		v := variogram{p.A, g.powers[e]}
		if !k.solve(near, p.D, &v) {
			t.Fatal("no solution")
		}
		problems, ours = append(problems, p), append(ours, k)
	}
	in, err := json.Marshal(problems)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(python, "-c", krigingByNumpy)
	cmd.Stdin = bytes.NewReader(in)
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var theirs []struct {
		Weights  []float64
		Variance float64
	}
	if err := json.Unmarshal(out, &theirs); err != nil {
		t.Fatal(err)
	}
	for i, k := range ours {
		for j, w := range theirs[i].Weights {
			within(t, fmt.Sprintf("problem %d: weight %d", i, j), k.weights[j], w, 1e-7)
		}
		within(t, fmt.Sprintf("problem %d: variance", i), k.structure+k.noise, theirs[i].Variance, 1e-7*(1+theirs[i].Variance))
	}
}

// filled runs a pass over a block whole.
func filled(f *Filler, b *calib.Block) Counts {
	w := f.newWorker()
	w.Apply(b, 0, b.Height)
	return w.Counts()
}

// evenBlock is a block of one value and variance.
func evenBlock(width, height int, value, variance float32) *calib.Block {
	b := &calib.Block{Raster: *calib.NewRaster(width, height), ImageRows: height}
	for i := range b.Value {
		b.Value[i], b.Variance[i] = value, variance
	}
	return b
}

// Squared differences of an even slope are known: half of (s dx)^2.
func TestVariogramOfASlope(t *testing.T) {
	const slope = 0.25
	b := evenBlock(41, 41, 0, 0)
	for i := range b.Value {
		b.Value[i] = float32(slope * float64(i%41))
	}
	w := NewFiller(calib.Dead, 3, nil).newWorker()
	c := &w.g.cells[0]
	w.window.load(w.g, b, 20, 20)
	w.sums.measure(&w.window, w.g, c)
	top, bottom := make([]float64, len(w.sums.half)), make([]float64, len(w.sums.half))
	for _, l := range c.lags {
		for _, weight := range l.weight {
			top[l.level] += weight * slope * slope * float64(l.dx*l.dx) / 2
			bottom[l.level] += weight
		}
	}
	for i, half := range w.sums.half {
		within(t, fmt.Sprintf("level %d", i), half, top[i]/bottom[i], 1e-9)
	}
}

// The mean over many windows of pure noise is 0 at each level, since the noise
// is taken off.
func TestNoiseIsNoStructure(t *testing.T) {
	const windows = 400
	r := rand.New(rand.NewPCG(3, 3))
	w := NewFiller(calib.Dead, 3, nil).newWorker()
	c := &w.g.cells[0]
	var sum, squares []float64
	for range windows {
		b := evenBlock(41, 41, 0, 9)
		for i := range b.Value {
			b.Value[i] = float32(3 * r.NormFloat64())
		}
		w.window.load(w.g, b, 20, 20)
		w.sums.measure(&w.window, w.g, c)
		if sum == nil {
			sum, squares = make([]float64, len(w.sums.half)), make([]float64, len(w.sums.half))
		}
		for i, half := range w.sums.half {
			sum[i] += half
			squares[i] += half * half
		}
	}
	for i := range sum {
		within(t, fmt.Sprintf("mean of level %d", i), sum[i]/windows, 0, 4*math.Sqrt(squares[i])/windows)
	}
}

// patterns are colour patterns by name, as rows of band numbers.
func patterns() map[string][][]uint8 {
	return map[string][][]uint8{
		"2 x 2": {{0, 1}, {1, 2}},
		"6 x 6": {{1, 2, 1, 1, 0, 1}, {0, 1, 0, 2, 1, 2}, {1, 2, 1, 1, 0, 1}, {1, 0, 1, 1, 2, 1}, {2, 1, 2, 0, 1, 0}, {1, 0, 1, 1, 2, 1}},
		"4 x 2": {{0, 1, 2, 1}, {1, 3, 1, 3}},
	}
}

// Each colour has a level and a slope of its own; a filled pixel is within its
// uncertainty of its own colour's, and does not change with the others.
func TestOnlyTheSameColourCounts(t *testing.T) {
	const side, noise = 96, 2.0
	for name, pattern := range patterns() {
		t.Run(name, func(t *testing.T) {
			bands := calib.NewMosaicMap(side, side, pattern, 4)
			exposed := func(stir float32) (*calib.Block, []float64) {
				r := rand.New(rand.NewPCG(8, 8))
				b := evenBlock(side, side, 0, noise*noise)
				truth := make([]float64, side*side)
				for i := range b.Value {
					x, y := i%side, i/side
					band := bands.Row(y)[x]
					truth[i] = 1000*float64(band+1) + 0.1*float64(band)*float64(x+y)
					b.Value[i] = float32(truth[i] + noise*r.NormFloat64())
					if band != 1 {
						b.Value[i] += stir
					}
					if r.Float64() < 0.02 {
						b.Flags[i], b.Value[i] = calib.Hot, 1e5
					}
				}
				return b, truth
			}
			b, truth := exposed(0)
			n := filled(NewFiller(calib.Hot, 2, bands), b)
			if n.Filled < 150 || n.Deep+n.Few+n.Saturated > 0 {
				t.Fatalf("counts %+v", n)
			}
			squares := 0.0
			for i, f := range b.Flags {
				if f&calib.Filled == 0 {
					continue
				}
				pull := (float64(b.Value[i]) - truth[i]) / math.Sqrt(float64(b.Variance[i]))
				squares += pull * pull
			}
			// chi-square: its mean is 1, its standard deviation sqrt(2/n).
			if mean := squares / float64(n.Filled); math.Abs(mean-1) > 0.2+4*math.Sqrt(2/float64(n.Filled)) {
				t.Errorf("mean square of %d pulls is %.3f", n.Filled, mean)
			}
			other, _ := exposed(777)
			filled(NewFiller(calib.Hot, 2, bands), other)
			for i := range b.Value {
				if band := bands.Row(i / side)[i%side]; band == 1 && (b.Value[i] != other.Value[i] || b.Variance[i] != other.Variance[i]) {
					t.Fatalf("pixel %d of colour 1 changes with the other colours", i)
				}
			}
		})
	}
}

// The first row of a strip is filled from its own rows; a strip's pixels do not
// change with the next one's, and rows without a band are left.
func TestStripsDoNotMix(t *testing.T) {
	const width, height = 40, 36
	rows := make([]uint8, height)
	for y := range rows {
		switch {
		case y >= 20:
			rows[y] = 1
		case y >= 17:
			rows[y] = calib.NoBand
		}
	}
	bands := calib.NewStripMap(width, rows, 2)
	b := evenBlock(width, height, 10, 1)
	for i := range b.Value {
		if i/width >= 17 {
			b.Value[i] = 5000
		}
	}
	for _, y := range []int{16, 18, 20} {
		b.Flags[y*width+15] = calib.Dead
	}
	n := filled(NewFiller(calib.Dead, 3, bands), b)
	if n != (Counts{Filled: 2, Deep: 1}) {
		t.Errorf("counts %+v, want 2 filled and 1 too deep", n)
	}
	if a, c := b.Value[16*width+15], b.Value[20*width+15]; a != 10 || c != 5000 {
		t.Errorf("filled with %g and %g, want 10 and 5000", a, c)
	}
}

// Whatever the blocks, the result is the same to the bit.
func TestBlocksDoNotMatter(t *testing.T) {
	const side = 80
	for name, bands := range map[string]*calib.BandMap{"one colour": nil, "mosaic": calib.NewMosaicMap(side, side, patterns()["2 x 2"], 3)} {
		t.Run(name, func(t *testing.T) {
			scene := make([]float32, side*side)
			for i := range scene {
				scene[i] = float32(1+math.Sin(float64(i%side)/5)*math.Cos(float64(i/side)/7)) / 2
			}
			fresh := func() *calib.Block {
				r := rand.New(rand.NewPCG(4, 4))
				e := expose(scene, side, 5000, r)
				hole{"", 1, 1, 200}.make(e, r)
				hole{"", 3, 3, 10}.make(e, r)
				hole{"", 1, side, 2}.make(e, r)
				return e.block
			}
			f := NewFiller(calib.Dead, 3, bands)
			want := fresh()
			filled(f, want)
			for _, rows := range []int{1, 7, 64} {
				for y0 := 0; y0 < side; y0 += rows {
					y1 := min(y0+rows, side)
					whole := fresh()
					top, bottom := max(0, y0-f.Halo()), min(side, y1+f.Halo())
					part := &calib.Block{Top: top, ImageRows: side, Raster: calib.Raster{Width: side, Height: bottom - top,
						Value: whole.Value[top*side : bottom*side], Variance: whole.Variance[top*side : bottom*side], Flags: whole.Flags[top*side : bottom*side]}}
					f.Worker().Apply(part, y0, y1)
					from, to := y0*side, y1*side
					at := part.At(y0)
					if !slices.Equal(part.Value[at:at+to-from], want.Value[from:to]) || !slices.Equal(part.Variance[at:at+to-from], want.Variance[from:to]) ||
						!slices.Equal(part.Flags[at:at+to-from], want.Flags[from:to]) {
						t.Fatalf("rows %d to %d differ in blocks of %d", y0, y1, rows)
					}
				}
			}
		})
	}
}

func TestWhatIsLeftAsItWas(t *testing.T) {
	const side = 40
	nan := float32(math.NaN())
	b := evenBlock(side, side, 10, 1)
	set := func(x, y int, f calib.Flags) { b.Flags[y*side+x], b.Value[y*side+x] = f, nan }
	for y := 10; y < 19; y++ { // 9 x 9: its inner 3 x 3 are more than 3 steps from the edge
		for x := 10; x < 19; x++ {
			set(x, y, calib.Dead)
		}
	}
	set(30, 5, calib.Hot|calib.Saturated)
	set(30, 8, calib.Hot|calib.NearSaturated)
	set(30, 30, calib.Low)            // no cause
	set(33, 33, calib.Dead|calib.Low) // another flag beside a cause
	n := filled(NewFiller(calib.Dead|calib.Hot, 3, nil), b)
	if want := (Counts{Filled: 81 - 9 + 1, Saturated: 2, Deep: 9}); n != want {
		t.Errorf("counts %+v, want %+v", n, want)
	}
	for _, p := range [][2]int{{14, 14}, {13, 15}, {30, 5}, {30, 8}, {30, 30}} {
		if i := p[1]*side + p[0]; b.Value[i] == b.Value[i] || b.Flags[i]&calib.Filled != 0 {
			t.Errorf("pixel %v was filled", p)
		}
	}
	if i := 33*side + 33; b.Flags[i] != calib.Dead|calib.Low|calib.Filled {
		t.Errorf("the filled pixel has the flags %v", b.Flags[i])
	}
	lonely := evenBlock(side, side, 10, 1)
	for i := range lonely.Flags {
		lonely.Flags[i] = calib.Dead
	}
	for i := range 5 {
		lonely.Flags[20*side+20+i] = 0
	}
	n = filled(NewFiller(calib.Dead, 1, nil), lonely)
	if n.Filled != 0 || n.Few == 0 || n.Few+n.Deep != side*side-5 {
		t.Errorf("counts %+v, want all left, some for too few neighbours", n)
	}
}

// Pixels that say nothing certain about the scene do not serve; flags that
// leave a value its meaning go over to the filled pixel.
func TestWhoServesAsNeighbour(t *testing.T) {
	const side = 40
	for _, f := range calib.FlagTable() {
		flag := calib.Flags(1) << f.Bit
		b := evenBlock(side, side, 10, 1)
		b.Flags[20*side+20] = calib.Dead
		b.Flags[20*side+21] |= flag
		b.Value[20*side+21] = 1e6
		filled(NewFiller(calib.Dead, 3, nil), b)
		v, got := b.Value[20*side+20], b.Flags[20*side+20]
		if serves := flag&fitting != 0; serves != (v > 11) || serves != (got&^(calib.Dead|calib.Filled) == flag) {
			t.Errorf("%s: the value is %g and the flags are %v", f.Name, v, got)
		}
	}
}

// A scene without any noise is met to the rounding, and units do not matter.
func TestUnitsDoNotMatter(t *testing.T) {
	const side = 48
	scene := make([]float32, side*side)
	for i := range scene {
		scene[i] = float32(i%side) / side
	}
	var got [2]*calib.Block
	for k := range got {
		r := rand.New(rand.NewPCG(6, 6))
		e := expose(scene, side, 3000, r)
		hole{"", 1, 1, 40}.make(e, r)
		if k == 1 {
			for i := range e.block.Value {
				e.block.Value[i] *= 0x1p-30
				e.block.Variance[i] *= 0x1p-60
			}
		}
		filled(NewFiller(calib.Dead, 3, nil), e.block)
		got[k] = e.block
	}
	for i, v := range got[0].Value {
		if got[1].Value[i] != v*0x1p-30 || got[1].Variance[i] != got[0].Variance[i]*0x1p-60 {
			t.Fatalf("pixel %d is %g ± %g in one unit and %g ± %g in the other", i, v, got[0].Variance[i], got[1].Value[i], got[1].Variance[i])
		}
	}
	still := evenBlock(side, side, 1234.5, 0)
	still.Flags[20*side+20], still.Value[20*side+20] = calib.Dead, 0
	filled(NewFiller(calib.Dead, 3, nil), still)
	// The value is known to half a unit in its last place and no better.
	if v, q := still.Value[20*side+20], still.Variance[20*side+20]; v != 1234.5 || !(q >= 0) || q > 1e-6 {
		t.Errorf("%g with variance %g, want 1234.5 and hardly any", v, q)
	}
}

// Without noise nothing but the scene's structure is left in the matrix, which
// holds all the same: a solution is found, and a plane is met as well as its
// variogram lets one be.
func TestAPlaneWithoutNoise(t *testing.T) {
	const side = 64
	r := rand.New(rand.NewPCG(9, 9))
	for _, p := range []struct{ x, y float64 }{{1, 0}, {0, -2}, {0.3, 0.7}, {1e-4, 1e3}} {
		b := evenBlock(side, side, 0, 0)
		truth := make([]float64, side*side)
		for i := range b.Value {
			truth[i] = p.x*float64(i%side) + p.y*float64(i/side)
			b.Value[i] = float32(truth[i])
			if r.Float64() < 0.1 {
				b.Flags[i] = calib.Dead
			}
		}
		n := filled(NewFiller(calib.Dead, 3, nil), b)
		if n.Few+n.Deep+n.Saturated > 0 || n.Filled < 300 {
			t.Fatalf("plane %+v: counts %+v", p, n)
		}
		steep := math.Hypot(p.x, p.y)
		for i, f := range b.Flags {
			if x, y := i%side, i/side; f&calib.Filled != 0 && min(x, y) > 3 && max(x, y) < side-4 {
				// Neighbours lie on all sides, 1 px away: an error of a step is none.
				within(t, fmt.Sprintf("plane %+v, pixel %d", p, i), float64(b.Value[i]), truth[i], steep/2)
			}
		}
	}
}

func TestFillingTakesNoMemory(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 2))
	e := expose(make([]float32, 64*64), 64, 1, r)
	hole{"", 1, 1, 60}.make(e, r)
	w := NewFiller(calib.Dead, 3, nil).Worker()
	if n := testing.AllocsPerRun(3, func() { w.Apply(e.block, 0, 64) }); n > 0 {
		t.Errorf("%g allocations for a block", n)
	}
}
