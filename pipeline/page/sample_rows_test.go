package page

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"evenlight/calib"
)

// drawn fills a sample of a frame with what is given for each pixel.
func drawn(width, height, periodX, periodY int, at func(x, y int) (value, unc float32, f calib.Flags)) *sample {
	s := &sample{}
	s.lay(width, height, periodX, periodY)
	for i, start := range s.starts {
		for j := range s.periodY {
			for x := range width {
				k := (i*s.periodY+j)*width + x
				s.value[k], s.unc[k], s.flags[k] = at(x, start+j)
			}
		}
	}
	return s
}

func TestRowsAreEvenlySpreadAndWholePatternsStayTogether(t *testing.T) {
	for _, c := range []struct{ width, height, periodX, periodY, groups int }{
		{2048, 2048, 1, 1, 128}, {64, 96, 1, 1, 96}, {64, 96, 2, 2, 48}, {2048, 2048, 2, 2, 64}, {100, 2049, 5, 5, 25}, {7, 1, 1, 1, 1}, {7, 1, 2, 2, 1},
	} {
		s := &sample{}
		s.lay(c.width, c.height, c.periodX, c.periodY)
		if len(s.starts) != c.groups {
			t.Errorf("%+v: %d groups", c, len(s.starts))
		}
		// Groups that are evenly spread part the frame into pieces that differ by
		// one group at most.
		step := float64(c.height) / float64(len(s.starts))
		for i, y := range s.starts {
			if y%s.periodY != 0 || y+s.periodY > c.height || math.Abs(float64(y)-(float64(i)+0.5)*step) > 2*float64(s.periodY) { // rounding down by a group, rows that no group has, the middle of a group
				t.Errorf("%+v: group %d begins at row %d", c, i, y)
			}
		}
		if len(s.value) != c.groups*s.periodY*c.width {
			t.Errorf("%+v: %d values", c, len(s.value))
		}
	}
}

// Noise of known spread is measured as such at each level, beside a stated
// uncertainty that is right, or wrong by a known factor. Scatter of the measured
// by the number of triples of a bin.
func TestNoiseIsMeasuredAtEachLevel(t *testing.T) {
	for name, c := range map[string]struct {
		period int
		stated float64 // times the true noise
	}{"honest": {1, 1}, "stated too small": {1, 0.5}, "mosaic": {2, 1}} {
		t.Run(name, func(t *testing.T) {
			random := rand.New(rand.NewPCG(1, 2))
			// Shot noise of 100 to 10000 on a slope; a mosaic's colours differ in
			// level by a factor of 10.
			truth := func(x, y int) (level, sigma float64) {
				level = 100 + 9900*float64(x)/600
				if c.period == 2 && (x+y)%2 == 0 {
					level /= 10
				}
				return level, math.Sqrt(level)
			}
			s := drawn(600, 400, c.period, c.period, func(x, y int) (float32, float32, calib.Flags) {
				level, sigma := truth(x, y)
				f := calib.Flags(0)
				if (x*7+y*13)%101 == 0 {
					return 1e6, 1, calib.Hot // must not count
				}
				return float32(level + sigma*random.NormFloat64()), float32(c.stated * sigma), f
			})
			bins := s.noise()
			if len(bins) != noiseBins {
				t.Fatalf("%d bins", len(bins))
			}
			for _, b := range bins {
				// The stated noise of neighbours differs by less than 0.5 % but
				// for the dark end, where the slope is 16 a pixel of 100.
				if ratio, bound := b.measured/b.stated, 5*b.u/b.stated+0.01/c.stated; math.Abs(ratio-1/c.stated) > bound {
					t.Errorf("at %.0f: measured %.2f, stated %.2f", b.signal, b.measured, b.stated)
				}
				if want := c.stated * math.Sqrt(b.signal); math.Abs(b.stated/want-1) > 0.1 {
					t.Errorf("at %.0f: stated %.2f, the root of the signal is %.2f", b.signal, b.stated, want)
				}
			}
		})
	}
}

// u of a bin is what repeating the measurement shows: 200 repeats know a spread
// to 5 %.
func TestUncertaintyOfMeasuredNoiseIsHonest(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	const repeats = 200
	var all []float64
	u := 0.0
	for range repeats {
		s := drawn(120, 90, 1, 1, func(int, int) (float32, float32, calib.Flags) {
			return float32(1000 + 3*random.NormFloat64()), 3, 0
		})
		b := s.noise()[0]
		all = append(all, b.measured)
		u += b.u / repeats
	}
	mean, square := 0.0, 0.0
	for _, v := range all {
		mean += v / repeats
	}
	for _, v := range all {
		square += (v - mean) * (v - mean) / (repeats - 1)
	}
	if ratio := math.Sqrt(square) / u; math.Abs(ratio-1) > 5/math.Sqrt(2*repeats) {
		t.Errorf("spread of repeats is %.3f of the stated", ratio)
	}
	if math.Abs(mean-3) > 5*u/math.Sqrt(repeats)+0.02 { // the median of a finite number is biased by less than 1 in n
		t.Errorf("mean %.4f, the noise is 3", mean)
	}
}

func TestTooFewGoodPixelsGiveNoPlotAndAreToldSo(t *testing.T) {
	all := func(f calib.Flags) *sample {
		return drawn(64, 64, 1, 1, func(x, y int) (float32, float32, calib.Flags) {
			if x < 3 && y == 0 {
				return 1, 1, 0
			}
			return 1, 1, f
		})
	}
	plots, missing, err := all(calib.Missing).plots("DN")
	if err != nil || len(missing) != 1 {
		t.Fatal(plots, missing, err)
	}
	none := drawn(8, 8, 1, 1, func(int, int) (float32, float32, calib.Flags) {
		return float32(math.NaN()), float32(math.NaN()), calib.Missing
	})
	plots, missing, err = none.plots("DN")
	if err != nil || len(plots) != 0 || len(missing) != 1 {
		t.Error(plots, missing, err)
	}
	images, err := none.images("DN")
	if err != nil || len(images) != 1 || images[0].Kind != "flags" || images[0].Legend[0].Count != 64 {
		t.Error(images, err)
	}
}

// A frame all of whose pixels carry a flag, such as one of a line scanner out of
// pace, is shown by all its values.
func TestAFrameWithoutGoodPixelsIsShownAllTheSame(t *testing.T) {
	s := drawn(64, 1, 1, 1, func(x, y int) (float32, float32, calib.Flags) { return float32(x), 1, calib.LineSmear })
	images, err := s.images("DN")
	if err != nil || len(images) != 2 || images[0].Kind != "value" || images[0].Stretch.High != 63 || !strings.Contains(images[0].Stretch.Rule, "none of which is good") || images[0].Height != leastHigh {
		t.Errorf("%v %+v", err, images)
	}
}

// Every good pixel is in one bin or outside, and means are those of the good
// pixels.
func TestHistogramAndProfilesHoldAllGoodPixels(t *testing.T) {
	s := drawn(512, 64, 1, 1, func(x, y int) (float32, float32, calib.Flags) {
		if x == 5 {
			return 1e9, 1, calib.Hot
		}
		if x == 6 && y == 6 {
			return -1e5, 1, 0 // good, and far outside
		}
		return float32(x + 1000*y), 1, 0
	})
	h, err := s.histogram(s.usual(), "DN")
	if err != nil {
		t.Fatal(err)
	}
	total := 0.0
	for _, n := range h.Series[0].Y {
		total += *n
	}
	if total != 511*64-1 {
		t.Errorf("%v pixels in bins, want %d", total, 511*64-1)
	}
	p, err := s.profiles("DN")
	if err != nil {
		t.Fatal(err)
	}
	columns, rows := p.Series[0], p.Series[1]
	if len(columns.Y) != 256 || len(rows.Y) != 64 {
		t.Fatalf("%d columns, %d rows", len(columns.Y), len(rows.Y))
	}
	// Columns 101 and 102 (x 100, 101), rows 0 to 63: mean 100.5 + 31500.
	if got := *columns.Y[50]; math.Abs(got-31600.5) > 1e-6 {
		t.Errorf("columns 101 and 102: %v", got)
	}
	if got := *columns.Y[2]; math.Abs(got-(4+31500)) > 1e-6 { // x 4, since x 5 is hot
		t.Errorf("columns 5 and 6: %v", got)
	}
	// Row 10: mean of 0 to 511 without 5.
	if got, want := *rows.Y[10], 10000+(511.0*512/2-5)/511; math.Abs(got-want) > 1e-6 {
		t.Errorf("row 11: %v, want %v", got, want)
	}
}

// Infinite values and uncertainties are none: JSON has no number for them.
func TestInfinitiesAreNoValues(t *testing.T) {
	inf := float32(math.Inf(1))
	s := drawn(90, 60, 1, 1, func(x, y int) (float32, float32, calib.Flags) {
		switch {
		case x == 7:
			return inf, 1, 0
		case x == 8:
			return -inf, inf, 0
		case x == 9:
			return 5, inf, 0
		}
		return float32(x), 1, 0
	})
	plots, missing, err := s.plots("DN")
	if err != nil || len(plots) != 3 || len(missing) > 0 {
		t.Fatal(plots, missing, err)
	}
	images, err := s.images("DN")
	if err != nil {
		t.Fatal(err)
	}
	if st := images[0].Stretch; st.High > 89 || st.Low < 0 {
		t.Errorf("stretch %+v", st)
	}
	if _, err := jsonOf(Detail{Images: images, Plots: plots}); err != nil {
		t.Error(err)
	}
	for _, b := range s.noise() {
		if !(b.stated < 2) {
			t.Errorf("bin %+v", b)
		}
	}
}

func TestThingsThatNeedAttentionAreBounded(t *testing.T) {
	b := newBuilder(Options{}, KindRun, &masterIndex{})
	for i := range 1000 {
		b.page.Frames = append(b.page.Frames, Frame{N: i + 1, Warnings: []string{"word" + string(rune('a'+i%26)) + string(rune('a'+i/26))}})
	}
	b.attend()
	if n := len(b.page.Attention); n != mostThings+1 || b.page.Attention[mostThings].Text != "800 more things call for a look: the tables of frames, trends and failures have them all" {
		t.Errorf("%d things, last %+v", n, b.page.Attention[n-1])
	}
}
