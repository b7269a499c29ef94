package calib

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// strip is a frame with an overscan to the left of the image.
type strip struct {
	width, image, rows int // overscan columns, image columns, rows
	sigma              float64
	offset             func(y int) float64
}

func (p strip) sensor(smooth int) *Sensor {
	whole := Region{0, p.width + p.image, 0, p.rows}
	return &Sensor{
		Width: whole.X1, Height: p.rows, Image: Region{p.width, whole.X1, 0, p.rows},
		CeilingDN: 65535, FillDN: 0,
		Amps:   []Amplifier{{Name: "only", Region: whole, Overscan: Region{0, p.width, 0, p.rows}, GainEPerDN: 2, ReadNoiseE: 2 * p.sigma}},
		Offset: OffsetRule{FromOverscan: true, SmoothRows: smooth, RejectSigma: 4},
	}
}

// draw makes one frame in whole DN; the image is bright.
func (p strip) draw(rng *rand.Rand) memoryFrame {
	f := newFrame(p.width+p.image, p.rows)
	for y := range p.rows {
		for x := range f.width {
			dn := 20000.0
			if x < p.width {
				dn = math.Round(p.offset(y) + p.sigma*rng.NormFloat64())
			}
			f.set(x, y, dn)
		}
	}
	return f
}

func steady(y int) float64 { return 1000.4 }

func measure(t *testing.T, s *Sensor, raw RawRows) OffsetTrace {
	t.Helper()
	trace, err := MeasureOffset(s, 0, raw)
	if err != nil {
		t.Fatal(err)
	}
	return trace
}

// The stated variance covers the truth: pulls of rows that share no overscan
// row have mean 0 and standard deviation 1, with hits and without.
func TestMeasuredOffsetIsAsGoodAsItSays(t *testing.T) {
	drift := func(y int) float64 { return 1000 + 3*math.Sin(float64(y)/150) }
	for _, c := range []struct {
		smooth  int
		offset  func(y int) float64
		hitRate float64 // share of the overscan's samples
	}{
		{1, steady, 0},
		{1, func(y int) float64 { return 1000 + 20*math.Sin(float64(y)/9) }, 0.02},
		{15, steady, 0},
		// The mean of 15 rows lags behind a sine of period 2 pi 150 rows by
		// 3 (15/150)^2/24 = 0.001 DN.
		{15, drift, 0.02},
		{0, steady, 0.02},
	} {
		t.Run(fmt.Sprintf("%d rows, %g hits", c.smooth, c.hitRate), func(t *testing.T) {
			const draws = 300
			p := strip{width: 16, image: 1, rows: 90, sigma: 3, offset: c.offset}
			s := p.sensor(c.smooth)
			rng := newRand(31)
			// Rows far enough apart, and whose window lies in the frame.
			var rows []int
			for y := c.smooth / 2; y < p.rows-c.smooth/2; y += max(c.smooth, 1) {
				rows = append(rows, y)
			}
			if c.smooth == 0 {
				rows = []int{45}
			}
			var pull moments
			for range draws {
				f := p.draw(rng)
				for range int(c.hitRate * float64(16*p.rows)) {
					f.set(rng.IntN(16), rng.IntN(p.rows), 1500+5000*rng.Float64())
				}
				trace := measure(t, s, f)
				for _, y := range rows {
					pull.add((float64(trace.DN[y]) - c.offset(y)) / math.Sqrt(float64(trace.Variance[y])))
				}
			}
			// The variance of one sample is known to sqrt(2/(16*90)) in each
			// frame, which is shared by its rows.
			n, frame := pull.n, 2.0/(16*90*draws)
			within(t, "mean pull", pull.mean(), 0, sigmas/math.Sqrt(n)+0.003)
			within(t, "squared pull", pull.meanSquare(), 1, sigmas*math.Sqrt(2/n+frame)+0.003)
		})
	}
}

// The noise of one overscan sample is that of the electronics and of the
// rounding to whole DN, sigma^2 + 1/12 (Sheppard), less what the limit of 4
// sigmas takes, 2 k phi(k) = 0.11 %. It does not depend on how many samples a
// row has.
func TestOverscanNoiseIsUnbiased(t *testing.T) {
	phi := math.Exp(-8) / math.Sqrt(2*math.Pi)
	for _, width := range []int{2, 3, 4, 8, 16, 33} {
		t.Run(fmt.Sprintf("%d columns", width), func(t *testing.T) {
			rng := newRand(uint64(320 + width))
			p := strip{width: width, image: 1, rows: 200, sigma: 2, offset: func(y int) float64 { return 1000 + 0.37*float64(y) }}
			s := p.sensor(1)
			draws := 6000 / width
			var variance moments
			for range draws {
				noise := measure(t, s, p.draw(rng)).NoiseDN
				variance.add(noise * noise)
			}
			truth := (2*2 + 1.0/12) * (1 - 2*4*phi)
			freedom := float64(draws * 200 * (width - 1))
			// The limit counts from the median of a row and from a MAD of
			// whole DN, so the loss is known to its own size only.
			within(t, "variance of a sample", variance.mean(), truth, truth*(sigmas*math.Sqrt(2/freedom)+2*4*phi))
		})
	}
}

// A single overscan column says nothing of its own noise; the read noise of
// the amplifier and the rounding do.
func TestSingleOverscanColumnTakesTheKnownNoise(t *testing.T) {
	p := strip{width: 1, image: 2, rows: 50, sigma: 3, offset: steady}
	trace := measure(t, p.sensor(1), p.draw(newRand(33)))
	for y := range trace.DN {
		within(t, "variance", float64(trace.Variance[y]), 9+1.0/12, 1e-5)
	}
}

func TestOffsetOfOneValueForTheFrame(t *testing.T) {
	p := strip{width: 8, image: 3, rows: 40, sigma: 2, offset: steady}
	trace := measure(t, p.sensor(0), p.draw(newRand(34)))
	for y := range trace.DN {
		if trace.DN[y] != trace.DN[0] || trace.Variance[y] != trace.Variance[0] {
			t.Fatalf("row %d has offset %g, row 0 has %g", y, trace.DN[y], trace.DN[0])
		}
	}
	within(t, "drift", trace.Drift, 0, 0)
	within(t, "level", trace.Level, 1000.4, sigmas*math.Sqrt((4+1.0/12)/(8*40)))
}

// An overscan that lies above the image, as rows do that are read before the
// first lit one, gives one value for the frame, from all its samples.
func TestOffsetFromRowsBesideTheImage(t *testing.T) {
	const width, rows, above = 64, 30, 6
	s := plainSensor(width, rows+above)
	s.Image = Region{0, width, above, rows + above}
	s.Amps[0].Overscan = Region{0, width, 0, above}
	s.Offset = OffsetRule{FromOverscan: true, RejectSigma: 5}
	f := newFrame(width, rows+above)
	rng := newRand(35)
	sum := 0.0
	for i := range f.dn {
		f.dn[i] = float32(math.Round(500 + 4*rng.NormFloat64()))
		if i < width*above {
			sum += float64(f.dn[i])
		}
	}
	trace := measure(t, s, f)
	for y := range trace.DN {
		within(t, fmt.Sprintf("offset of row %d", y), float64(trace.DN[y]), sum/(width*above), 1e-3)
		within(t, "variance", float64(trace.Variance[y])*width*above, trace.NoiseDN*trace.NoiseDN, 1e-5*16)
	}
}

// Rows beyond a shorter overscan have the offset of the rows nearest to them,
// as many as are smoothed at the edge.
func TestOffsetBeyondAShorterOverscan(t *testing.T) {
	p := strip{width: 8, image: 4, rows: 60, sigma: 2, offset: func(y int) float64 { return 1000 + 2*float64(y) }}
	s := p.sensor(5)
	s.Amps[0].Overscan.Y0, s.Amps[0].Overscan.Y1 = 20, 40
	trace := measure(t, s, p.draw(newRand(36)))
	for y := range trace.DN {
		nearest := min(max(y, 20), 39)
		if trace.DN[y] != trace.DN[nearest] || trace.Variance[y] != trace.Variance[nearest] {
			t.Errorf("row %d has offset %g and variance %g, want %g and %g of row %d",
				y, trace.DN[y], trace.Variance[y], trace.DN[nearest], trace.Variance[nearest], nearest)
		}
	}
	within(t, "offset of row 30", float64(trace.DN[30]), 1060, sigmas*math.Sqrt((4+1.0/12)/(5*8)))
}

// Samples that never arrived, by NaN or by the fill value, say nothing, and
// the rows that did arrive keep their offset, however many are lost.
func TestOffsetOfPartlyLostFrames(t *testing.T) {
	const rows = 80
	for _, lost := range []int{1, 24, 40, 41, 79} {
		for name, gone := range map[string]float64{"fill": 0, "NaN": math.NaN()} {
			t.Run(fmt.Sprintf("%d rows of %s", lost, name), func(t *testing.T) {
				p := strip{width: 8, image: 4, rows: rows, sigma: 2, offset: steady}
				f := p.draw(newRand(37))
				for y := range lost {
					for x := range f.width {
						f.set(x, y, gone)
					}
				}
				// A hit in the last row must go, whatever is lost.
				f.set(3, rows-1, 1100)
				trace := measure(t, p.sensor(1), f)
				arrived := 0.0
				for y := range rows {
					if y < lost {
						if !isNaN(trace.DN[y]) || !trace.Unsure[y] {
							t.Errorf("lost row %d has offset %g", y, trace.DN[y])
						}
						continue
					}
					if trace.Unsure[y] {
						t.Errorf("row %d is unsure", y)
					}
					within(t, fmt.Sprintf("offset of row %d", y), float64(trace.DN[y]), 1000.4, sigmas*2.1/math.Sqrt(7))
					arrived += float64(trace.DN[y])
				}
				within(t, "level", trace.Level, arrived/float64(rows-lost), 1e-3)
				if freedom := float64((rows-lost)*7 - 1); !(math.Abs(trace.NoiseDN-2.02) < sigmas*2.02/math.Sqrt(2*freedom)) {
					t.Errorf("noise is %g, want 2.02", trace.NoiseDN)
				}
				if !(trace.Drift >= 0 && trace.Drift < 10) {
					t.Errorf("drift is %g", trace.Drift)
				}
			})
		}
	}
}

// Without any sample there is no offset, and no number that looks like one.
func TestOffsetOfALostFrame(t *testing.T) {
	p := strip{width: 8, image: 4, rows: 10, sigma: 2, offset: steady}
	s := p.sensor(3)
	trace := measure(t, s, newFrame(12, 10)) // all samples have the fill value
	for y := range trace.DN {
		if !isNaN(trace.DN[y]) || !trace.Unsure[y] {
			t.Errorf("row %d has offset %g", y, trace.DN[y])
		}
	}
	if !math.IsNaN(trace.Level) || !math.IsNaN(trace.Drift) {
		t.Errorf("level is %g and drift %g, want NaN", trace.Level, trace.Drift)
	}
}

func TestOffsetIsUnsureWhereHalfTheSamplesAreGone(t *testing.T) {
	p := strip{width: 8, image: 4, rows: 20, sigma: 2, offset: steady}
	f := p.draw(newRand(38))
	for x := range 5 {
		f.set(x, 12, math.NaN())
		f.set(x, 7, math.NaN())
	}
	f.set(0, 7, 9000) // lost and hit samples add up
	f.set(1, 7, 4000)
	for x := range 4 {
		f.set(x, 15, math.NaN())
	}
	trace := measure(t, p.sensor(1), f)
	for y, unsure := range trace.Unsure {
		if want := y == 7 || y == 12; unsure != want {
			t.Errorf("row %d: unsure is %t, want %t", y, unsure, want)
		}
	}
}

// Samples that agree to the last code are not outliers of one another.
func TestOffsetOfAQuietConverter(t *testing.T) {
	p := strip{width: 16, image: 1, rows: 100, sigma: 0.25, offset: func(y int) float64 { return 1000.5 }}
	trace := measure(t, p.sensor(0), p.draw(newRand(39)))
	within(t, "offset", float64(trace.DN[0]), 1000.5, sigmas*math.Sqrt((0.0625+1.0/12)*2/1600))
}

func TestMeasureOffsetNeedsAnOverscan(t *testing.T) {
	s := plainSensor(4, 4)
	s.Offset = OffsetRule{FromOverscan: true, SmoothRows: 1, RejectSigma: 4}
	if _, err := MeasureOffset(s, 0, newFrame(4, 4)); err == nil || !strings.Contains(err.Error(), "offset.from") {
		t.Errorf("error is %v, want one that names the remedy", err)
	}
}

func TestMeasureOffsetPassesOnWhatReadingSays(t *testing.T) {
	p := strip{width: 8, image: 4, rows: 10, sigma: 2, offset: steady}
	if _, err := MeasureOffset(p.sensor(1), 0, newFrame(12, 9)); err == nil {
		t.Error("a frame of 9 rows serves for one of 10")
	}
}

// The offset of an amplifier that reads a quarter of the frame counts over
// its own rows.
func TestOffsetLevelOfAQuadrantIsThatOfItsRows(t *testing.T) {
	const half = 40
	p := strip{width: 8, image: 4, rows: 2 * half, sigma: 2, offset: func(y int) float64 { return 1000 + 0.5*float64(y) }}
	s := p.sensor(1)
	lower := s.Amps[0]
	lower.Region.Y1, lower.Overscan.Y1 = half, half
	upper := lower
	upper.Region = Region{0, 12, half, 2 * half}
	upper.Overscan = Region{0, 8, half, 2 * half}
	s.Amps = []Amplifier{lower, upper}
	f := p.draw(newRand(40))
	for a, want := range []float64{1000 + 0.5*19.5, 1000 + 0.5*59.5} {
		trace, err := MeasureOffset(s, a, f)
		if err != nil {
			t.Fatal(err)
		}
		within(t, fmt.Sprintf("level of amplifier %d", a), trace.Level, want, sigmas*2.1/math.Sqrt(8*half))
	}
}

// An offset that wanders faster than its smoothing follows has that in its
// variance, known from the rows themselves: pulls of single rows have mean
// square 1. The overscan's own pattern of rows, which the bias takes off, is
// told from it.
func TestWanderOfTheOffsetCounts(t *testing.T) {
	const rows, smooth, biases, draws = 300, 15, 20, 60
	for _, c := range []struct{ amplitude, period, pattern float64 }{
		{0, 20, 0}, {0, 20, 2}, {2, 12, 0}, {2, 12, 2}, {1, 25, 1},
	} {
		t.Run(fmt.Sprintf("%g DN in %g rows, pattern %g DN", c.amplitude, c.period, c.pattern), func(t *testing.T) {
			rng := newRand(uint64(41 + 10*c.amplitude + c.period + c.pattern))
			fixed := make([]float64, rows)
			for y := range fixed {
				fixed[y] = c.pattern * rng.NormFloat64()
			}
			var phase, amplitude float64
			wave := func(y int) float64 { return 1000 + amplitude*math.Sin(2*math.Pi*float64(y)/c.period+phase) }
			p := strip{width: 16, image: 1, rows: rows, sigma: 3, offset: func(y int) float64 { return wave(y) + fixed[y] }}
			s := p.sensor(smooth)
			var departures [][]float32
			for range biases {
				departures = append(departures, measure(t, s, p.draw(rng)).Departure)
			}
			pattern := NewRowPattern(departures)
			// The smoothed pattern, which the bias takes off.
			smoothed := func(y int) float64 {
				sum := 0.0
				for i := y - smooth/2; i <= y+smooth/2; i++ {
					sum += fixed[i] / smooth
				}
				return sum
			}
			var pull moments
			amplitude = c.amplitude
			for range draws {
				phase = 2 * math.Pi * rng.Float64()
				trace := measure(t, s, p.draw(rng))
				trace.AddWander(s, 0, &pattern)
				for y := smooth / 2; y < rows-smooth/2; y += smooth {
					pull.add((float64(trace.DN[y]) - wave(y) - smoothed(y)) / math.Sqrt(float64(trace.Variance[y])))
				}
			}
			// Without wander a quarter of a standard deviation of w is added,
			// sqrt(2/rows)/4 of a row's variance, smooth times the mean's; and w
			// is known to its own standard deviation in each frame.
			row := 9.1 / 16
			x := math.Pi * smooth / c.period
			lost := 1 - math.Sin(x)/x
			w := c.amplitude * c.amplitude / 2 * lost * lost
			known := math.Sqrt((2*row*row*(1+1.0/biases)+4*row*w)/rows) / (row/smooth + w)
			within(t, "squared pull", pull.meanSquare(), 1, sigmas*math.Sqrt(2/pull.n)+known*(0.3+sigmas/math.Sqrt(draws))+known*known)
			within(t, "mean pull", pull.mean(), 0, sigmas/math.Sqrt(pull.n))
		})
	}
}

// A row of the overscan that one frame of the bias alone had tells no pattern, as
// one that none had; the rest of the rows still tell what the offset wanders.
func TestWanderCountsBesideARowThatBiasFramesLost(t *testing.T) {
	const rows, smooth, biases, lost = 300, 15, 5, 40
	rng := newRand(44)
	steady := strip{width: 16, image: 1, rows: rows, sigma: 3, offset: func(int) float64 { return 1000 }}
	s := steady.sensor(smooth)
	var one, none [][]float32
	for i := range biases {
		d := measure(t, s, steady.draw(rng)).Departure
		none = append(none, slices.Clone(d))
		none[i][lost] = float32(math.NaN())
		if i > 0 {
			d[lost] = float32(math.NaN())
		}
		one = append(one, d)
	}
	wandering := steady
	wandering.offset = func(y int) float64 { return 1000 + 2*math.Sin(2*math.Pi*float64(y)/12) }
	frame := wandering.draw(rng)
	added := func(departures [][]float32) float64 {
		pattern, trace := NewRowPattern(departures), measure(t, s, frame)
		before := trace.Variance[rows/2]
		trace.AddWander(s, 0, &pattern)
		return float64(trace.Variance[rows/2] - before)
	}
	// 2 DN of amplitude are 2 DN^2; of period 12 a window of 15 rows leaves
	// more than half of it.
	if got, want := added(one), added(none); got != want || !(got > 1) {
		t.Errorf("wander of %g DN^2 with a row from one frame, %g DN^2 without it", got, want)
	}
}

// At the frame's edges, where half of the window is missing, the offset does not
// lag behind a drift, and its variance is that of the end of a straight line:
// 1/n + 3 (m-1)^2/(n (m^2-1)) for m rows of n samples together.
func TestOffsetFollowsADriftToTheEdge(t *testing.T) {
	const smooth, draws = 15, 400
	p := strip{width: 16, image: 1, rows: 60, sigma: 3, offset: func(y int) float64 { return 1000 + 0.5*float64(y) }}
	s := p.sensor(smooth)
	rng := newRand(42)
	var pull [2]moments
	for range draws {
		trace := measure(t, s, p.draw(rng))
		for i, y := range []int{0, p.rows - 1} {
			const m = smooth/2 + 1
			variance := (9 + 1.0/12) / (16 * m) * (1 + 3*(m-1.0)*(m-1)/(m*m-1))
			within(t, "variance at the edge", float64(trace.Variance[y]), variance, variance*sigmas*math.Sqrt(2.0/(15*60))*1.05)
			pull[i].add((float64(trace.DN[y]) - p.offset(y)) / math.Sqrt(variance))
		}
	}
	for i := range pull {
		within(t, "mean pull", pull[i].mean(), 0, sigmas/math.Sqrt(draws))
		within(t, "squared pull", pull[i].meanSquare(), 1, sigmas*math.Sqrt(2.0/draws)+0.002)
	}
}

// The rows beside a jump of 8 standard deviations of a row's mean are unsure, and
// none is that lies a window or more away: of 6000 steady rows 0.2 would be by chance.
func TestRowsAboutAJumpAreUnsure(t *testing.T) {
	const at, smooth = 120, 15
	for _, jump := range []float64{0, 6} {
		p := strip{width: 16, image: 1, rows: 300, sigma: 3, offset: func(y int) float64 {
			if y < at {
				return 1000
			}
			return 1000 + jump
		}}
		s := p.sensor(smooth)
		rng := newRand(43)
		for range 20 {
			trace := measure(t, s, p.draw(rng))
			trace.AddWander(s, 0, nil)
			for y, unsure := range trace.Unsure {
				near := jump > 0 && (y == at-1 || y == at)
				if far := y < at-smooth || y >= at+smooth; (near && !unsure) || (unsure && (jump == 0 || far)) {
					t.Errorf("jump of %g DN at row %d: row %d unsure is %t", jump, at, y, unsure)
				}
			}
		}
	}
}
