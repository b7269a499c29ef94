package simulate

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"

	"evenlight/configs"
)

// Purposes of the random streams of a line scanner.
const (
	forLineResponse purpose = iota + 1000
	forLineStreaks
	forLineDefects
	forLineDark
	forLineHot
	forLinePattern
	forLineDrift
	forLineReadout
	forLineGround
)

// LineScanner is the truth about one detector that exposes a line at a time
// and steps its charge along with the ground. Its planes hold one value for
// each column of the unbinned line, masked columns included. It is not changed
// by use and may expose several frames at once.
//
// A sample of column x, line y and charge-stepped over n stages holds
//
//	Q = F(x) K_b L t + d(x) h(T) t   mean electrons, t = line time x n
//
// With binning b the charge of b columns and b lines is summed on the chip and
// converted once. The line time is that of the output line and so covers the b
// lines already; the sum over the b columns remains: the light of an even
// scene is b times that of the unbinned formula. The pattern B of a binned
// column is the mean of its columns', and full well counts for the sum.
type LineScanner struct {
	Profile    *configs.Profile
	Detector   configs.Detector
	Options    Options
	Band       configs.Band // that the detector sees
	Amplifiers []Amplifier
	FullWellE  float64 // e-; +Inf where the converter saturates first

	Pattern []float32 // B(x), DN; masked columns have a level of their own
	Flat    []float32 // F(x), mean 1 over the good columns of the reference region; 0 where masked
	Dark    []float32 // d(x) at T0, e-/s, masked columns too
	Defects []Defect  // Dead, Low and Hot columns

	base *Sensor // image region, converter, temperature law
}

// NewLineScanner makes one detector of a line scanner. Response, dark current,
// pattern and bad columns are drawn from the seed; the rest is the profile's,
// as [New] says. Of the options those about unstable pixels and pixels with a
// linearity of their own have no effect.
//
// The error tells what in the profile cannot be simulated: what [New] names, a
// detector without line_scan, or more than one row.
func NewLineScanner(p *configs.Profile, detector string, opt Options) (*LineScanner, error) {
	d, err := findDetector(p, detector)
	if err != nil {
		return nil, fmt.Errorf("simulating %s: %w", p.Instrument, err)
	}
	s, err := newLineScanner(p, d, opt)
	if err != nil {
		return nil, fmt.Errorf("simulating detector %s of %s: %w", detector, p.Instrument, err)
	}
	return s, nil
}

// NewLineScanners makes all detectors of a line scanner, in the profile's
// order, each with a seed of its own derived from opt.Seed (the first has
// opt.Seed).
func NewLineScanners(p *configs.Profile, opt Options) ([]*LineScanner, error) {
	scanners := make([]*LineScanner, len(p.Detectors))
	for i := range p.Detectors {
		own := opt
		own.Seed = seedOf(opt.Seed, i)
		var err error
		if scanners[i], err = NewLineScanner(p, p.Detectors[i].Name, own); err != nil {
			return nil, err
		}
	}
	return scanners, nil
}

// seedOf is the seed of detector number i of a camera.
func seedOf(seed uint64, i int) uint64 {
	if i == 0 {
		return seed
	}
	return scramble(seed + uint64(i))
}

func newLineScanner(p *configs.Profile, d *configs.Detector, opt Options) (*LineScanner, error) {
	if d.LineScan == nil || d.Height != 1 {
		return nil, fmt.Errorf("the detector has height %d; a line scanner has line_scan and height 1 in its profile", d.Height)
	}
	base, err := newBase(p, d, opt)
	if err != nil {
		return nil, err
	}
	s := &LineScanner{
		Profile: p, Detector: *d, Options: opt, Band: bandSeenBy(p, d),
		Amplifiers: base.Amplifiers, FullWellE: base.FullWellE,
		Pattern: make([]float32, d.Width),
		Flat:    make([]float32, d.Width),
		Dark:    make([]float32, d.Width),
		Defects: make([]Defect, d.Width),
		base:    base,
	}
	s.makeDefects()
	s.makePattern()
	s.makeDark()
	return s, s.makeFlat()
}

// newBase makes what any sensor has of a detector: the amplifiers, the limits
// and the places of its regions. It holds no planes.
func newBase(p *configs.Profile, d *configs.Detector, opt Options) (*Sensor, error) {
	if err := checkDetector(d); err != nil {
		return nil, err
	}
	base := &Sensor{
		Profile: p, Detector: *d, Options: opt,
		FullWellE: fullWell(d), image: boxOf(d.Image), ceiling: ceilingOf(d),
	}
	return base, base.makeAmplifiers()
}

// bandSeenBy is the band that a detector always sees.
func bandSeenBy(p *configs.Profile, d *configs.Detector) configs.Band {
	for i := range p.Bands {
		if p.Bands[i].Name == d.Band {
			return p.Bands[i]
		}
	}
	return p.Bands[0]
}

// eachColumn calls do with every column of the image region.
func (s *LineScanner) eachColumn(do func(x int)) {
	for x := s.base.image.x0; x < s.base.image.x1; x++ {
		do(x)
	}
}

// makeDefects chooses a dead column, two of low response and two hot ones.
func (s *LineScanner) makeDefects() {
	kinds := [...]struct {
		defect Defect
		off    bool
	}{
		{Dead, s.Options.NoDead},
		{Low, s.Options.NoLow}, {Low, s.Options.NoLow},
		{Hot, s.Options.NoHot || s.Options.NoDark}, {Hot, s.Options.NoHot || s.Options.NoDark},
	}
	r := rand.New(newStream(s.Options.Seed, forLineDefects, 0, 0))
	order := r.Perm(s.base.ImageWidth())
	for i, k := range kinds {
		if i < len(order) && !k.off {
			s.Defects[s.base.image.x0+order[i]] = k.defect
		}
	}
}

// makePattern draws B: 1.2 DN rms from column to column.
func (s *LineScanner) makePattern() {
	if s.Options.NoPattern {
		return
	}
	const columnDN = 1.2
	r := rand.New(newStream(s.Options.Seed, forLinePattern, 0, 0))
	for x := range s.Pattern {
		s.Pattern[x] = float32(columnDN * r.NormFloat64())
	}
	for i := range s.Amplifiers {
		a := &s.Amplifiers[i]
		for x := a.overscan.x0; x < a.overscan.x1; x++ {
			s.Pattern[x] += float32(a.OverscanLevelDN)
		}
	}
}

// hotColumnEPerS bounds the dark current of a column that is not hot where the
// profile does not.
const hotColumnEPerS = 60000.0

// makeDark draws the dark current: lognormal with a mean of a tenth of the
// limit above which the profile calls a column hot, and hot columns of 2 to 10
// times that limit. What a line gathers in a few milliseconds is little, so
// the rates are far above a framing camera's (invented).
func (s *LineScanner) makeDark() {
	if s.Options.NoDark {
		return
	}
	const spread = 0.35 // standard deviation of the logarithm
	limit := orElse(s.Detector.BadPixels.HotEPerS, hotColumnEPerS)
	logMedian := math.Log(limit/10) - spread*spread/2
	r := rand.New(newStream(s.Options.Seed, forLineDark, 0, 0))
	hot := rand.New(newStream(s.Options.Seed, forLineHot, 0, 0))
	for x := range s.Dark {
		s.Dark[x] = float32(math.Exp(logMedian + spread*r.NormFloat64()))
		hotLog := between(hot, math.Log(2*limit), math.Log(10*limit))
		if s.Defects[x] == Hot {
			s.Dark[x] = float32(math.Exp(hotLog))
		}
	}
}

// makeFlat draws F: the response of the single columns (1 percent), the fall
// of the light to both ends of the line (to 0.8 of the middle), shadows of
// dust near the line, a dead column and columns of low response.
func (s *LineScanner) makeFlat() error {
	r := rand.New(newStream(s.Options.Seed, forLineResponse, 0, 0))
	streaks := s.streaks()
	half := float64(s.base.ImageWidth()) / 2
	s.eachColumn(func(x int) {
		own, u := r.NormFloat64(), r.Float64()
		response := 1.0
		if !s.Options.NoUnevenness {
			off := (float64(x-s.base.image.x0) + 0.5 - half) / half
			response = (1 + 0.01*own) * (1 - 0.2*off*off) * shadeOf(streaks, x)
		}
		switch s.Defects[x] {
		case Dead:
			response *= 0.05 * u
		case Low:
			response *= 0.25 + 0.30*u
		}
		s.Flat[x] = float32(response)
	})
	return s.normalise()
}

// streak is the shadow that a grain of dust leaves in the same columns of
// every line.
type streak struct{ x, width, depth float64 }

func (s *LineScanner) streaks() []streak {
	r := rand.New(newStream(s.Options.Seed, forLineStreaks, 0, 0))
	out := make([]streak, 4)
	for i := range out {
		out[i] = streak{
			x:     float64(s.base.image.x0) + between(r, 0, float64(s.base.ImageWidth())),
			width: between(r, 2, 8),
			depth: between(r, 0.01, 0.04),
		}
	}
	return out
}

func shadeOf(streaks []streak, x int) float64 {
	light := 1.0
	for _, k := range streaks {
		off := (float64(x) - k.x) / k.width
		light *= 1 - k.depth*math.Exp(-off*off)
	}
	return light
}

// normalise scales F to mean 1 over the good columns of the reference region.
func (s *LineScanner) normalise() error {
	var sum float64
	var count int
	reference := boxOf(s.Detector.Reference)
	for x := reference.x0; x < reference.x1; x++ {
		if s.Defects[x] == 0 {
			sum += float64(s.Flat[x])
			count++
		}
	}
	if count == 0 || sum <= 0 {
		return errors.New("the reference region holds no good column that sees light; choose a reference region inside the image region")
	}
	for x := range s.Flat {
		s.Flat[x] = float32(float64(s.Flat[x]) * float64(count) / sum)
	}
	return nil
}

// RawWidth returns the number of columns of a file with the given binning,
// masked ones included.
func (s *LineScanner) RawWidth(binning int) int { return s.Detector.Width / binning }

// ImageWidth returns the number of columns of the image region in a file with
// the given binning.
func (s *LineScanner) ImageWidth(binning int) int { return s.base.ImageWidth() / binning }

// Scalars returns the scalar truth about a detector.
func (s *LineScanner) Scalars() Scalars {
	base := *s.base
	base.Defects = s.Defects
	return base.Scalars()
}
