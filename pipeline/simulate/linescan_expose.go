package simulate

import (
	"fmt"
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/stat/distuv"

	"evenlight/configs"
)

// LineExposure says how one file of lines is taken.
type LineExposure struct {
	LineTimeS float64 // s from output line to output line
	Stages    int     // lines that the charge is stepped through
	Binning   int     // columns and lines alike; 0 is 1
	Lines     int     // output lines of the file
	TempK     float64 // detector temperature; 0 is the profile's reference temperature
	// Radiance is L over the image region of the binned lines, line by line,
	// W m^-2 sr^-1 nm^-1; nil is no scene.
	Radiance []float32
	// LampRate is even light that falls besides the scene, in e-/s of an
	// unbinned pixel whose F is 1.
	LampRate float64
	// The ground moves by GroundSpeedMS x LineTimeS / FootprintM output lines
	// a line; where that is not 1 the scene is smeared. Either 0: in pace.
	GroundSpeedMS float64 // m/s
	FootprintM    float64 // m, of an output pixel
	Index         uint64  // the frame's number; names the random streams
	// Workers is how many blocks of lines are made at a time, 1 if it is 0.
	// The frame does not depend on it.
	Workers int
}

// integrationS is t, line time x stages.
func (e *LineExposure) integrationS() float64 { return e.LineTimeS * float64(e.Stages) }

// SmearLines is the length, in output lines, over which the motion of the
// ground smears the scene: the charge gets |1 - v t_line / p| of a line out of
// step with the ground at each line, over all stages. The stages are lines of
// the chip, b of which make one output line.
func (e *LineExposure) SmearLines() float64 {
	if e.GroundSpeedMS == 0 || e.FootprintM == 0 {
		return 0
	}
	slip := math.Abs(1 - e.GroundSpeedMS*e.LineTimeS/e.FootprintM)
	return slip * float64(e.Stages) / float64(max(e.Binning, 1))
}

// Expose takes a file of lines. The samples are those of Lines x
// [LineScanner.RawWidth], line by line. The truth covers the image region of
// the binned lines: Electrons is b (K_b L + lamp) t, what a binned pixel whose
// columns have F = 1 gathers from the ground in pace; Defects are those of any
// of the binned columns. No cosmic rays are simulated.
//
// The error tells what in e is impossible: a negative time, no lines, a
// radiance of the wrong size, or a binning that does not divide the regions of
// the profile.
func (s *LineScanner) Expose(e LineExposure) (*Raw, error) {
	e.Binning = max(e.Binning, 1)
	if err := s.checkExposure(&e); err != nil {
		return nil, fmt.Errorf("exposing frame %d on detector %s: %w", e.Index, s.Detector.Name, err)
	}
	f := s.newLines(&e)
	blocks := (e.Lines + lineBlock - 1) / lineBlock
	err := inParallel(blocks, e.Workers, func(block int) error {
		s.exposeBlock(f, block*lineBlock, min((block+1)*lineBlock, e.Lines))
		return nil
	})
	return f.raw, err
}

// lineBlock is the number of lines that a worker makes at a time.
const lineBlock = 32

func (s *LineScanner) checkExposure(e *LineExposure) error {
	for _, n := range []struct {
		name  string
		value float64
	}{
		{"line time", e.LineTimeS}, {"temperature", e.TempK}, {"lamp rate", e.LampRate},
		{"ground speed", e.GroundSpeedMS}, {"footprint", e.FootprintM},
	} {
		if !(n.value >= 0) || math.IsInf(n.value, 1) {
			return fmt.Errorf("the %s is %g; it must be finite and not negative", n.name, n.value)
		}
	}
	if e.Lines < 1 || e.Stages < 1 {
		return fmt.Errorf("%d lines over %d stages; both must be 1 or more", e.Lines, e.Stages)
	}
	if err := s.checkBinning(e.Binning); err != nil {
		return err
	}
	if want := e.Lines * s.ImageWidth(e.Binning); e.Radiance != nil && len(e.Radiance) != want {
		return fmt.Errorf("the radiance has %d values; the image region has %d pixels in %d lines", len(e.Radiance), want, e.Lines)
	}
	return nil
}

// checkBinning refuses bins that would mix lit and masked columns or two
// amplifiers.
func (s *LineScanner) checkBinning(b int) error {
	edges := []int{s.Detector.Width, s.base.image.x0, s.base.image.x1}
	for i := range s.Amplifiers {
		a := &s.Amplifiers[i]
		edges = append(edges, a.region.x0, a.region.x1, a.overscan.x0, a.overscan.x1)
	}
	for _, x := range edges {
		if x%b != 0 {
			return fmt.Errorf("binning %d does not divide the profile's regions, one of which has an edge after column %d; use another binning", b, x)
		}
	}
	return nil
}

// lines is a file of lines in the making.
type lines struct {
	raw     *Raw
	e       *LineExposure
	light   []float64   // mean light, e- of an unbinned pixel with F = 1, smeared; nil without light
	flat    []float64   // sum of F by binned column
	dark    []float64   // mean dark charge by binned column, e-
	pattern []float64   // B by binned column, DN
	offset  [][]float64 // o_a(y) by amplifier and line, DN
}

func (s *LineScanner) newLines(e *LineExposure) *lines {
	width := s.RawWidth(e.Binning)
	f := &lines{
		raw:  &Raw{Samples: make([]uint16, e.Lines*width), Truth: s.newTruth(e)},
		e:    e,
		flat: make([]float64, width), dark: make([]float64, width), pattern: make([]float64, width),
		offset: s.drift(e.Index, e.Lines),
	}
	t := e.integrationS() * s.base.darkGrowth(e.TempK)
	for x := range width * e.Binning {
		f.flat[x/e.Binning] += float64(s.Flat[x])
		f.dark[x/e.Binning] += float64(s.Dark[x]) * t
		f.pattern[x/e.Binning] += float64(s.Pattern[x]) / float64(e.Binning)
	}
	f.addLight(s)
	return f
}

func (s *LineScanner) newTruth(e *LineExposure) Truth {
	width := s.ImageWidth(e.Binning)
	pixels := e.Lines * width
	t := Truth{
		Detector: s.Detector.Name, Width: width, Height: e.Lines,
		Electrons: make([]float32, pixels),
		Radiance:  make([]float32, pixels),
		Cosmic:    make([]float32, pixels),
		Saturated: make([]bool, pixels),
		Defects:   make([]Defect, pixels),
	}
	s.eachColumn(func(x int) { t.Defects[(x-s.base.image.x0)/e.Binning] |= s.Defects[x] })
	for y := 1; y < e.Lines; y++ {
		copy(t.Defects[y*width:][:width], t.Defects[:width])
	}
	return t
}

// addLight fills in the light that is gathered and, without smear, its truth.
func (f *lines) addLight(s *LineScanner) {
	if f.e.Radiance == nil && f.e.LampRate == 0 {
		return
	}
	t := &f.raw.Truth
	f.light = make([]float64, len(t.Electrons))
	k, time, b := responsivity(s.Profile, s.Band.Name), f.e.integrationS(), float64(f.e.Binning)
	for i := range f.light {
		f.light[i] = f.e.LampRate * time
	}
	if f.e.Radiance != nil {
		copy(t.Radiance, f.e.Radiance)
		for i, l := range smearLines(f.e.Radiance, t.Width, f.e.SmearLines()) {
			f.light[i] += k * l * time
		}
	}
	for i := range t.Electrons {
		t.Electrons[i] = float32(b * (f.e.LampRate + k*float64(t.Radiance[i])) * time)
	}
}

// smearLines averages a scene along the lines over a box of the given length,
// centred on each line. The ground is taken as even within a pixel, so that
// between two lines the light of a pixel passes from one to the other in
// proportion; before the first line and after the last the ground goes on as
// it is there.
func smearLines(radiance []float32, width int, length float64) []float64 {
	out := make([]float64, len(radiance))
	height := len(radiance) / width
	weights := smearWeights(length)
	reach := len(weights) / 2
	for y := range height {
		row := out[y*width:][:width]
		for j, w := range weights {
			from := min(max(y+j-reach, 0), height-1)
			for x, l := range radiance[from*width:][:width] {
				row[x] += w * float64(l)
			}
		}
	}
	return out
}

// smearWeights gives the share of each line, the own one in the middle, in a
// box of the given length. The share is the integral over the box of the
// triangle max(0, 1-|s-j|), divided by the length.
func smearWeights(length float64) []float64 {
	if length <= 0 {
		return []float64{1}
	}
	below := func(s float64) float64 { // integral of the triangle about 0 from -1 to s
		switch {
		case s <= -1:
			return 0
		case s < 0:
			return (s + 1) * (s + 1) / 2
		case s < 1:
			return 1 - (1-s)*(1-s)/2
		}
		return 1
	}
	reach := int(math.Ceil(length / 2))
	weights := make([]float64, 2*reach+1)
	for j := -reach; j <= reach; j++ {
		weights[j+reach] = (below(float64(j)+length/2) - below(float64(j)-length/2)) / length
	}
	return weights
}

// drift returns o_a(y) of every amplifier: the profile's offset, a level that
// differs from file to file (0.8 DN rms), and a walk along the lines that
// starts at 0 and has spread to 1.5 DN rms after 512 lines: a Wiener process
// without its fast part, the first 8 terms of its Karhunen-Loève series
// sqrt(2) sum_k Z_k sin((k-1/2) pi u) / ((k-1/2) pi) (from memory).
func (s *LineScanner) drift(index uint64, lines int) [][]float64 {
	const levelDN, walkDN, walkLines, terms = 0.8, 1.5, 512.0, 8
	offsets := make([][]float64, len(s.Amplifiers))
	for i := range s.Amplifiers {
		o := make([]float64, lines)
		for y := range o {
			o[y] = s.Amplifiers[i].OffsetDN
		}
		offsets[i] = o
		if s.Options.NoDrift || s.Detector.Offset.From != configs.OffsetOverscan {
			continue
		}
		r := rand.New(newStream(s.Options.Seed, forLineDrift, index, uint64(i)))
		level := levelDN * r.NormFloat64()
		for y := range o {
			o[y] += level
		}
		for k := range terms {
			wave := (float64(k) + 0.5) * math.Pi
			amplitude := walkDN * math.Sqrt2 * r.NormFloat64() / wave
			for y := range o {
				o[y] += amplitude * math.Sin(wave*(float64(y)+0.5)/walkLines)
			}
		}
	}
	return offsets
}

// exposeBlock makes lines y0 to y1-1. Each line has a random stream of its
// own.
func (s *LineScanner) exposeBlock(f *lines, y0, y1 int) {
	charge := make([]float64, len(f.flat))
	for y := y0; y < y1; y++ {
		stream := newStream(s.Options.Seed, forLineReadout, f.e.Index, uint64(y))
		s.fillMeanCharge(f, y, charge)
		s.collect(f, y, charge, stream)
		s.digitise(f, y, charge, rand.New(stream))
	}
}

// lit returns the part of a binned line that is the image region, and the
// place in the truth of its first pixel.
func (s *LineScanner) lit(f *lines, y int, line []float64) ([]float64, int) {
	width := f.raw.Truth.Width
	return line[s.base.image.x0/f.e.Binning:][:width], y * width
}

func (s *LineScanner) fillMeanCharge(f *lines, y int, charge []float64) {
	copy(charge, f.dark)
	if f.light == nil {
		return
	}
	lit, start := s.lit(f, y, charge)
	flat, _ := s.lit(f, y, f.flat)
	for x := range lit {
		lit[x] += flat[x] * f.light[start+x]
	}
}

// collect draws the charge that is gathered, up to full well. Masked columns
// gather dark charge, too.
func (s *LineScanner) collect(f *lines, y int, charge []float64, stream *rand.PCG) {
	if !s.Options.NoShotNoise {
		poisson := distuv.Poisson{Src: stream}
		for x, mean := range charge {
			if mean > 0 {
				poisson.Lambda = mean
				charge[x] = poisson.Rand()
			}
		}
	}
	lit, start := s.lit(f, y, charge)
	for x := range lit {
		if lit[x] >= s.FullWellE {
			f.raw.Truth.Saturated[start+x] = true
		}
	}
	for x := range charge {
		charge[x] = min(charge[x], s.FullWellE)
	}
}

func (s *LineScanner) digitise(f *lines, y int, charge []float64, r *rand.Rand) {
	samples := f.raw.Samples[y*len(charge):][:len(charge)]
	for i := range s.Amplifiers {
		a := &s.Amplifiers[i]
		offset := f.offset[i][y]
		for x := a.region.x0 / f.e.Binning; x < a.region.x1/f.e.Binning; x++ {
			n := charge[x]
			if a.ReadNoiseE > 0 {
				n += a.ReadNoiseE * r.NormFloat64()
			}
			code := math.Floor(offset + f.pattern[x] + a.Measured(n/a.GainEPerDN) + 0.5)
			if code >= s.base.ceiling {
				code = s.base.ceiling
				s.markCeiling(f, x, y)
			}
			samples[x] = uint16(max(code, 0))
		}
	}
}

func (s *LineScanner) markCeiling(f *lines, x, y int) {
	x -= s.base.image.x0 / f.e.Binning
	if t := &f.raw.Truth; x >= 0 && x < t.Width {
		t.Saturated[y*t.Width+x] = true
	}
}
