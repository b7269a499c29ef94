package calib

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"testing"
)

// squareRoot is a table whose code k stands for the whole DN from
// max(e_(k-1)+1, (top+1) (k/codes)^2 rounded) on, by counting the DN of each.
func squareRoot(codes, top int) (t *CodeTable, codeOf []int) {
	t = &CodeTable{}
	edge := func(k int) int { return int(math.Round(float64(top+1) * math.Pow(float64(k)/float64(codes), 2))) }
	first := 0
	for k := range codes {
		next := max(first+1, edge(k+1))
		sum := 0
		for dn := first; dn < next; dn++ {
			sum += dn
			codeOf = append(codeOf, k)
		}
		t.DN = append(t.DN, float64(sum)/float64(next-first))
		t.Width = append(t.Width, float64(next-first))
		first = next
	}
	return t, codeOf
}

// coded is a sensor whose samples are codes of a table.
func coded(width, height int, t *CodeTable) *Sensor {
	s := plainSensor(width, height)
	s.Codes = t
	s.CeilingDN = t.DN[len(t.DN)-1]
	return s
}

func TestDecompandingLooksEveryCodeUp(t *testing.T) {
	table, codeOf := squareRoot(256, 4095)
	s := NewDecompandStage(table)
	r := wholeRow(make([]float32, 256)...)
	for k := range r.V {
		r.V[k], r.Var[k] = float32(k), 1.0/12
	}
	s.Apply(r)
	var lowest, highest [256]float64
	for dn := len(codeOf) - 1; dn >= 0; dn-- {
		lowest[codeOf[dn]] = float64(dn)
	}
	for dn, k := range codeOf {
		highest[k] = float64(dn)
	}
	for k := range r.V {
		within(t, fmt.Sprintf("DN of code %d", k), float64(r.V[k]), (lowest[k]+highest[k])/2, 0)
		w := highest[k] - lowest[k] + 1
		within(t, fmt.Sprintf("variance of code %d", k), float64(r.Var[k]), w*w/12, 1e-7*w*w)
	}
	if got, want := s.Settings(), []Setting{{"codes", "256"}, {"last_dn", "4079.5"}}; !slices.Equal(got, want) {
		t.Errorf("settings %v, want %v (code 255 is 4064 to 4095 DN)", got, want)
	}
}

// What the frame stage has marked stays as it is, and codes that no converter
// makes are refused by their number.
func TestDecompandingLeavesWhatIsNoCode(t *testing.T) {
	table, _ := squareRoot(16, 255)
	s := coded(6, 1, table)
	s.FillDN = 9
	f := newFrame(6, 1)
	copy(f.dn, []float32{9, float32(math.NaN()), 0, 15, 8, 10})
	c := NewChain(s, []Stage{FrameStage{s.CeilingCode(), s.FillDN}, NewDecompandStage(table)}, nil, nil)
	p := develop(t, c, f, 1)
	for x, want := range []Flags{Missing, Missing, AtFloor, 0, 0, 0} {
		v, _, flags := p.at(x, 0)
		if flags != want || math.IsNaN(v) != (want == Missing) {
			t.Errorf("column %d is %v and has the value %g, want %v", x, flags, v, want)
		}
	}
	f.set(3, 0, 16)
	err := c.Run(f, 0, 1, new(Scratch), func(*Row) error { return nil })
	var bad *SampleError
	if !errors.As(err, &bad) || bad.Column != 4 || bad.Value != 16 || bad.CeilingDN != 15 {
		t.Errorf("error is %v, want the code 16 in column 4, beyond 15", err)
	}
}

func TestTopCodeSaturates(t *testing.T) {
	table, _ := squareRoot(256, 4095)
	s := coded(4, 1, table)
	f := newFrame(4, 1)
	copy(f.dn, []float32{253, 254, 255, 0})
	c := NewChain(s, []Stage{FrameStage{s.CeilingCode(), math.NaN()}, NewDecompandStage(table),
		SaturationStage{LevelDN: []float64{s.SaturationLevel(0, 100, nil)}}}, nil, nil)
	p := develop(t, c, f, 1)
	for x, want := range []Flags{0, 0, Saturated, AtFloor} {
		if _, _, flags := p.at(x, 0); flags != want {
			t.Errorf("code %g is %v, want %v", f.dn[x], flags, want)
		}
	}
}

func TestCeilingCodeIsTheLastOfTheTable(t *testing.T) {
	table, _ := squareRoot(256, 4095)
	if got := coded(1, 1, table).CeilingCode(); got != 255 {
		t.Errorf("the ceiling of 256 codes is %g", got)
	}
	if got := plainSensor(1, 1).CeilingCode(); got != 65535 {
		t.Errorf("the ceiling of a converter of 16 bits is %g", got)
	}
}

func TestQuantisationOfWholeDN(t *testing.T) {
	base, slope := plainSensor(1, 1).Quantisation(300)
	within(t, "variance", base, 1.0/12, 1e-15)
	within(t, "slope", slope, 0, 0)
}

// The base is that of the bin in which the level lies, and the line reaches
// the variance of the last bin at the ceiling.
func TestQuantisationIsThatOfTheLevelsBin(t *testing.T) {
	table, codeOf := squareRoot(256, 4095)
	s := coded(1, 1, table)
	last := table.Width[255] * table.Width[255] / 12
	for dn := 0; dn < 4050; dn += 7 {
		base, slope := s.Quantisation(float64(dn))
		w := table.Width[codeOf[dn]]
		within(t, fmt.Sprintf("variance at %d DN", dn), base, w*w/12, 1e-12*w*w)
		within(t, fmt.Sprintf("variance at the ceiling, from %d DN", dn), base+slope*(s.CeilingDN-float64(dn)), last, 1e-9*last)
	}
	even := coded(1, 1, &CodeTable{DN: []float64{2, 6, 10, 14}, Width: []float64{4, 4, 4, 4}})
	base, slope := even.Quantisation(7)
	within(t, "variance of even steps", base, 16.0/12, 1e-12)
	within(t, "slope of even steps", slope, 0, 0)
}

// In a square-root table the variance of the rounding is a straight line of
// the level: w = 2 sqrt(v (top+1))/codes, so w^2/12 = v (top+1)/(3 codes^2).
func TestQuantisationOfASquareRootTableIsItsStraightLine(t *testing.T) {
	table, _ := squareRoot(256, 4095)
	s := coded(1, 1, table)
	for _, level := range []float64{60, 300, 1500} {
		base, slope := s.Quantisation(level)
		for _, v := range []float64{level, 800, 2000, 3500} {
			if v < level {
				continue
			}
			theory := v * 4096 / (3 * 256 * 256)
			w := math.Sqrt(12 * theory)
			// Widths are whole DN: each of the two that the line joins is off
			// by one at most.
			within(t, fmt.Sprintf("variance at %g DN, from %g DN", v, level), base+slope*(v-level), theory, (2*w+1)/12)
		}
	}
}

func TestDecompandedRowsServeTheOffset(t *testing.T) {
	table := &CodeTable{DN: []float64{0, 1, 2.5, 4.5, 7}, Width: []float64{1, 1, 2, 2, 3}}
	s := coded(7, 2, table)
	s.FillDN = 3
	f := newFrame(7, 2)
	copy(f.dn[7:], []float32{0, 4, 3, 5, -1, float32(math.NaN()), 2})
	got, err := Decompanded{f, s}.RawRow(1, 0, 7, make([]float32, 7))
	if err != nil {
		t.Fatal(err)
	}
	nan := math.NaN()
	for x, want := range []float64{0, 7, nan, nan, nan, nan, 2.5} {
		if v := float64(got[x]); v != want && !(v != v && want != want) {
			t.Errorf("column %d is %g DN, want %g", x, v, want)
		}
	}
	if part, err := (Decompanded{f, s}).RawRow(1, 1, 3, make([]float32, 7)); err != nil || len(part) != 2 || part[0] != 7 {
		t.Errorf("columns 1 to 2 are %v, %v", part, err)
	}
	if _, err := (Decompanded{f, s}).RawRow(2, 0, 7, make([]float32, 7)); err == nil {
		t.Error("a row outside the frame is read")
	}
}

// The offset comes from samples in DN. A code that marks what never arrived
// is not a level in DN: overscan samples of that many DN count.
func TestOffsetOfCodesIsInDN(t *testing.T) {
	const columns, rows = 16, 200
	table := &CodeTable{}
	for k := range 100 {
		table.DN, table.Width = append(table.DN, 2*float64(k)), append(table.Width, 2)
	}
	for _, fill := range []float64{math.NaN(), 99, 60} {
		t.Run(fmt.Sprintf("fill %g", fill), func(t *testing.T) {
			s := coded(columns, rows, table)
			s.Amps[0].Overscan = Region{0, columns, 0, rows}
			s.Offset, s.FillDN = OffsetRule{true, 0, 5}, fill
			f := newFrame(columns, rows)
			rng := newRand(600)
			const offset, noise = 61.0, 3.0 // DN: the codes about 30
			for i := range f.dn {
				f.dn[i] = float32(math.Round((offset + noise*rng.NormFloat64()) / 2))
			}
			trace, err := MeasureOffset(s, 0, Decompanded{f, s})
			if err != nil {
				t.Fatal(err)
			}
			n := float64(columns * rows)
			sd := math.Sqrt(noise*noise + 4.0/12)
			within(t, "offset", trace.Level, offset, sigmas*sd/math.Sqrt(n))
			within(t, "noise of a sample", trace.NoiseDN, sd, sigmas*sd/math.Sqrt(2*n))
			within(t, "variance of the offset", float64(trace.Variance[0]), sd*sd/n, 0.1*sd*sd/n)
		})
	}
}

// Samples of light that went through companding scatter by what is stated:
// shot and read noise, and w^2/12 of the bins they fall into. Middles of bins
// that grow shift the mean by -(w^2)'/12 = -(top+1)/(12 codes^2) w^2/v DN with
// w^2 = 4 v (top+1)/codes^2, which is -1/48 DN here: integrating C - v over
// bins whose density changes by f' gives f' w^2/12. Widths are whole DN, so
// single bins depart from that line; the light covers twenty of them.
func TestCompandedNoiseHasTheStatedVariance(t *testing.T) {
	const n, offset, gain, readE = 100000, 60, 5.5, 14.0
	table, codeOf := squareRoot(256, 4095)
	s := coded(n, 1, table)
	rng := newRand(610)
	for _, lowest := range []float64{0, 1000, 3000, 15000} {
		t.Run(fmt.Sprintf("from %g e-", lowest), func(t *testing.T) {
			f := newFrame(n, 1)
			light := make([]float64, n)
			span := 20 * gain * table.Width[codeOf[offset+int(lowest/gain)]]
			noise := 0.0
			for x := range f.dn {
				light[x] = lowest + span*rng.Float64()
				dn := math.Round(offset + (poisson(rng, light[x])+readE*rng.NormFloat64())/gain)
				f.dn[x] = float32(codeOf[int(dn)])
				noise += (light[x] + readE*readE) / (gain * gain) / n
			}
			c := NewChain(s, []Stage{FrameStage{s.CeilingCode(), math.NaN()}, NewDecompandStage(table)}, nil, nil)
			p := develop(t, c, f, 1)
			var sum, square, stated float64
			for x := range p.value {
				d := float64(p.value[x]) - offset - light[x]/gain
				sum += d
				square += d * d
				stated += float64(p.variance[x]) / n
			}
			mean, want := sum/n, noise+stated
			within(t, "variance", square/n-mean*mean, want, sigmas*want*math.Sqrt(2.0/n))
			within(t, "mean", mean, -1.0/48, sigmas*math.Sqrt(want/n))
		})
	}
}

// The offset of companded samples whose codes are as wide as their noise: no
// code next to the median's may be thrown away. With noise of 2.5 DN in codes
// of 4 DN the mean of the codes' middles is
// that of the samples to some 0.05 DN (sum over the codes).
func TestOffsetOfCoarseCodesKeepsTheCodesBesideTheMedian(t *testing.T) {
	table, codeOf := squareRoot(256, 4095)
	const rows, over, noise = 520, 16, 14 / 5.5
	for _, offset := range []float64{56, 57, 58, 59, 60, 61, 62, 63} {
		s := coded(over+8, rows, table)
		s.Image = Region{X0: over, X1: over + 8, Y1: rows}
		s.Amps = []Amplifier{{Name: "a", Region: Region{X1: over + 8, Y1: rows}, Overscan: Region{X1: over, Y1: rows}, GainEPerDN: 5.5, ReadNoiseE: 14}}
		s.Offset = OffsetRule{FromOverscan: true, SmoothRows: 31, RejectSigma: 4}
		s.FillDN = math.NaN()
		rng := newRand(uint64(800 + offset))
		f := newFrame(over+8, rows)
		for i := range f.dn {
			f.dn[i] = float32(codeOf[int(math.Round(offset+noise*rng.NormFloat64()))])
		}
		trace, err := MeasureOffset(s, 0, Decompanded{f, s})
		if err != nil {
			t.Fatal(err)
		}
		expected := math.Sqrt((noise*noise + 16.0/12) / (over * rows))
		within(t, fmt.Sprintf("offset of %g DN", offset), trace.Level, offset, 0.06+4*expected)
		within(t, fmt.Sprintf("noise at %g DN", offset), trace.NoiseDN, math.Sqrt(noise*noise+16.0/12), 0.3)
	}
}
