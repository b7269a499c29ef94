package simulate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sync"
	"sync/atomic"

	"gonum.org/v1/gonum/stat/distuv"

	"evenlight/configs"
)

// Exposure says how one frame is taken.
type Exposure struct {
	Band      string  // needed as soon as there is light, but where pixels see bands of their own
	ExposureS float64 // t, s; of the first row, where rows end one after another
	WaitS     float64 // s of dark charge after the exposure
	TempK     float64 // detector temperature; 0 is the profile's reference temperature
	// Radiance is L over the image region, row by row, W m^-2 sr^-1 nm^-1;
	// nil is no scene.
	Radiance []float32
	// Bands is what Radiance is, for a detector whose pixels see bands of
	// their own: one plane for each band of the profile, in its order.
	Bands [][]float32
	// LampRate is even light that falls besides the scene, in e-/s of a
	// pixel whose F is 1. Where pixels see bands of their own, the bands have
	// shares of it: 1, 0.8, 0.55, 0.7, and over again.
	LampRate   float64
	CosmicRate float64 // hits per pixel and second of exposure and wait
	// Index is the frame's number. It names the random streams: the same
	// sensor, exposure and index give the same samples.
	Index uint64
	// Workers is how many rows are made at a time, 1 if it is 0. The frame
	// does not depend on it.
	Workers int
}

// Raw is one raw frame and the truth about it.
type Raw struct {
	Samples []uint16 // the whole raw frame, row by row, DN
	Truth   Truth
}

// Truth is what a frame would have shown without the camera's errors, and
// where it cannot be known. Its planes cover the image region, row by row.
type Truth struct {
	Detector      string
	Width, Height int
	// Electrons is S = (K_b L + lamp) t, the mean electrons that a pixel
	// with F = 1 gathers from light during the exposure of its row, in the
	// band that it sees.
	Electrons []float32
	Radiance  []float32 // L in the band that the pixel sees, W m^-2 sr^-1 nm^-1
	// BandRadiance is L of every band of the profile at all pixels, where
	// pixels see bands of their own and look at a scene; else nil. The
	// planes are those of the exposure.
	BandRadiance [][]float32
	BandNames    []string  // of those planes
	Smear        []float32 // m, mean electrons; nil where there is none
	Cosmic       []float32 // electrons that cosmic rays left; 0 where none passed
	Saturated    []bool    // full well was reached before read noise, or the converter's ceiling, or the last code
	Defects      []Defect
}

// Expose takes a frame. The error tells what in e is impossible: a band that
// the profile does not have, a radiance of the wrong size or for another kind
// of detector, a negative time or rate.
func (s *Sensor) Expose(e Exposure) (*Raw, error) {
	if err := s.checkExposure(&e); err != nil {
		return nil, fmt.Errorf("exposing frame %d on detector %s: %w", e.Index, s.Detector.Name, err)
	}
	f := s.newFrame(&e)
	s.addCosmicRays(f)
	s.exposeRows(f, max(e.Workers, 1))
	return f.raw, nil
}

func (s *Sensor) checkExposure(e *Exposure) error {
	for _, n := range []struct {
		name  string
		value float64
	}{
		{"exposure time", e.ExposureS}, {"wait", e.WaitS}, {"temperature", e.TempK},
		{"lamp rate", e.LampRate}, {"cosmic-ray rate", e.CosmicRate},
	} {
		if !(n.value >= 0) || math.IsInf(n.value, 1) {
			return fmt.Errorf("the %s is %g; it must be finite and not negative", n.name, n.value)
		}
	}
	if want := s.image.pixels(); e.Radiance != nil && len(e.Radiance) != want {
		return fmt.Errorf("the radiance has %d values; the image region has %d pixels", len(e.Radiance), want)
	}
	if err := s.checkBands(e); err != nil {
		return err
	}
	if s.bandAt == nil && (e.Radiance != nil || e.LampRate > 0) {
		_, err := s.Flat(e.Band)
		return err
	}
	return nil
}

// frame is an exposure in the making.
type frame struct {
	raw       *Raw
	index     uint64
	flat      []float32 // nil without light
	light     []float64 // S over the image region; nil without light
	smear     []float64 // m over the image region; nil without smear
	exposureS float64
	waitS     float64
	growth    float64     // h(T)
	hitMean   float64     // mean number of cosmic-ray hits in the image
	offset    [][]float64 // o_a(y) by amplifier and row, DN

	// Of masked rows; nil without.
	maskedSmear  []float64 // by column
	maskedCosmic []float32
}

func (s *Sensor) newFrame(e *Exposure) *frame {
	pixels := s.image.pixels()
	f := &frame{
		raw: &Raw{
			Samples: make([]uint16, s.Detector.Width*s.Detector.Height),
			Truth: Truth{
				Detector: s.Detector.Name, Width: s.ImageWidth(), Height: s.ImageHeight(),
				Electrons: make([]float32, pixels),
				Radiance:  make([]float32, pixels),
				Cosmic:    make([]float32, pixels),
				Saturated: make([]bool, pixels),
				Defects:   Trim(s, s.Defects),
			},
		},
		index:     e.Index,
		exposureS: e.ExposureS,
		waitS:     e.WaitS,
		growth:    s.darkGrowth(e.TempK),
		hitMean:   e.CosmicRate * float64(pixels) * (s.meanExposureS(e.ExposureS) + e.WaitS),
		offset:    s.drift(e.Index),
	}
	if rows := s.masked.pixels(); rows > 0 {
		f.maskedCosmic = make([]float32, rows)
	}
	f.addLight(s, e)
	return f
}

// rowExposureS is the time for which a raw row is exposed.
func (s *Sensor) rowExposureS(exposureS float64, y int) float64 {
	r := s.Detector.Rolling
	if r == nil || r.Kind != configs.RollingReset {
		return exposureS
	}
	later := y
	if r.First == configs.LastRow {
		later = s.Detector.Height - 1 - y
	}
	return exposureS + float64(later)*r.RowS
}

// meanExposureS is the mean over the image's rows, whose times rise or fall
// evenly.
func (s *Sensor) meanExposureS(exposureS float64) float64 {
	return (s.rowExposureS(exposureS, s.image.y0) + s.rowExposureS(exposureS, s.image.y1-1)) / 2
}

// addLight fills in S, m and L.
func (f *frame) addLight(s *Sensor, e *Exposure) {
	if e.Radiance == nil && e.Bands == nil && e.LampRate == 0 {
		return
	}
	f.light = make([]float64, s.image.pixels())
	if s.bandAt != nil {
		f.flat = s.ownFlat
		f.fillOwnRates(s, e)
	} else {
		f.flat = s.flats[e.Band]
		f.fillRates(s, e)
	}
	f.addSmear(s)
	f.gather(s)
}

// fillRates writes the light rate of every pixel in the band of the exposure,
// e-/s at F = 1, and the radiance.
func (f *frame) fillRates(s *Sensor, e *Exposure) {
	k := responsivity(s.Profile, e.Band)
	for i := range f.light {
		rate := e.LampRate
		if e.Radiance != nil {
			rate += k * float64(e.Radiance[i])
		}
		f.light[i] = rate
	}
	copy(f.raw.Truth.Radiance, e.Radiance)
}

// gather turns the light rates into electrons, by the exposure of each row.
func (f *frame) gather(s *Sensor) {
	width := s.ImageWidth()
	for y := range s.ImageHeight() {
		t := s.rowExposureS(f.exposureS, s.image.y0+y)
		light := f.light[y*width:][:width]
		electrons := f.raw.Truth.Electrons[y*width:][:width]
		for x := range light {
			light[x] *= t
			electrons[x] = float32(light[x])
		}
	}
}

// boltzmannEVPerK is k/e, both exact: SI Brochure, 9th edition.
const boltzmannEVPerK = 1.380649e-23 / 1.602176634e-19

// darkGrowth is h(T), with h = 1 at the reference temperature.
func (s *Sensor) darkGrowth(tempK float64) float64 {
	law := &s.Detector.Dark
	if tempK == 0 {
		return 1
	}
	switch law.Law {
	case configs.DarkDoubling:
		return math.Exp2((tempK - law.ReferenceK) / law.IntervalK)
	case configs.DarkActivation:
		return math.Exp(-law.EnergyEV / boltzmannEVPerK * (1/tempK - 1/law.ReferenceK))
	}
	return 1
}

// drift returns o_a(y) of every amplifier: the profile's offset, a level that
// differs from frame to frame (0.8 DN rms), and a walk along the rows that
// starts at 0 and has spread to 1.5 DN rms at the last row. The walk is a
// Wiener process without its fast part: the first 8 terms of its
// Karhunen-Loève series sqrt(2) sum_k Z_k sin((k-1/2) pi u) / ((k-1/2) pi),
// u from 0 to 1 (series from memory). Averaging it over some 15 of 512 rows
// moves it by a few mDN.
func (s *Sensor) drift(index uint64) [][]float64 {
	const levelDN, walkDN, terms = 0.8, 1.5, 8
	offsets := make([][]float64, len(s.Amplifiers))
	for i := range s.Amplifiers {
		o := make([]float64, s.Detector.Height)
		for y := range o {
			o[y] = s.Amplifiers[i].OffsetDN
		}
		offsets[i] = o
		if s.Options.NoDrift || s.Detector.Offset.From != configs.OffsetOverscan {
			continue
		}
		r := rand.New(newStream(s.Options.Seed, forDrift, index, uint64(i)))
		level := levelDN * r.NormFloat64()
		for y := range o {
			o[y] += level
		}
		for k := range terms {
			wave := (float64(k) + 0.5) * math.Pi
			amplitude := walkDN * math.Sqrt2 * r.NormFloat64() / wave
			for y := range o {
				o[y] += amplitude * math.Sin(wave*(float64(y)+0.5)/float64(len(o)))
			}
		}
		s.wander(o, r)
	}
	return offsets
}

// wander adds waves of random phase and strength, 0.7 to 1.4 times WanderRows
// rows long, of WanderDN rms together.
func (s *Sensor) wander(o []float64, r *rand.Rand) {
	const waves = 6
	if s.Options.WanderDN == 0 {
		return
	}
	for k := range waves {
		rows := s.Options.WanderRows * math.Exp2(float64(k)/(waves-1)-0.5)
		a, b := r.NormFloat64(), r.NormFloat64()
		for y := range o {
			phase := 2 * math.Pi * float64(y) / rows
			o[y] += s.Options.WanderDN / math.Sqrt(waves) * (a*math.Cos(phase) + b*math.Sin(phase))
		}
	}
}

// exposeRows makes all rows. Each row has a random stream of its own, so
// which worker makes it does not matter.
func (s *Sensor) exposeRows(f *frame, workers int) {
	var next atomic.Int64
	var done sync.WaitGroup
	for range workers {
		done.Go(func() {
			charge := make([]float64, s.Detector.Width)
			for {
				y := int(next.Add(1)) - 1
				if y >= s.Detector.Height {
					return
				}
				stream := newStream(s.Options.Seed, forReadout, f.index, uint64(y))
				s.fillMeanCharge(f, y, charge, stream)
				s.collect(f, y, charge, stream)
				s.digitise(f, y, charge, stream)
			}
		})
	}
	done.Wait()
}

// fillMeanCharge writes Q of row y, in electrons. An unstable pixel is in its
// upper state in about half of the frames.
func (s *Sensor) fillMeanCharge(f *frame, y int, charge []float64, stream *rand.PCG) {
	row := y * s.Detector.Width
	dark := s.Dark[row:][:len(charge)]
	telegraph := s.Telegraph[row:][:len(charge)]
	darkTimeS := f.growth * (s.rowExposureS(f.exposureS, y) + f.waitS)
	for x := range charge {
		rate := float64(dark[x])
		if telegraph[x] > 0 && stream.Uint64()&1 == 1 {
			rate += float64(telegraph[x])
		}
		charge[x] = rate * darkTimeS
	}
	if s.masked.hasRow(y) && f.maskedSmear != nil {
		for x, electrons := range f.maskedSmear {
			charge[s.image.x0+x] += electrons
		}
	}
	if f.light == nil || !s.image.hasRow(y) {
		return
	}
	light := f.light[(y-s.image.y0)*s.ImageWidth():][:s.ImageWidth()]
	flat := f.flat[row+s.image.x0:][:len(light)]
	lit := charge[s.image.x0:][:len(light)]
	for x := range lit {
		lit[x] += float64(flat[x]) * light[x]
	}
	if f.smear != nil {
		for x, electrons := range f.smear[(y-s.image.y0)*len(lit):][:len(lit)] {
			lit[x] += electrons
		}
	}
}

// collect turns the mean charge into the charge that is gathered, shot noise
// and cosmic rays included, up to full well.
func (s *Sensor) collect(f *frame, y int, charge []float64, stream *rand.PCG) {
	if !s.Options.NoShotNoise {
		poisson := distuv.Poisson{Src: stream}
		for x, mean := range charge {
			if mean > 0 {
				poisson.Lambda = mean
				charge[x] = poisson.Rand()
			}
		}
	}
	if s.masked.hasRow(y) {
		s.collectMasked(f, y, charge)
	}
	if !s.image.hasRow(y) {
		return
	}
	start := (y - s.image.y0) * s.ImageWidth()
	cosmic := f.raw.Truth.Cosmic[start:][:s.ImageWidth()]
	saturated := f.raw.Truth.Saturated[start:][:s.ImageWidth()]
	lit := charge[s.image.x0:][:s.ImageWidth()]
	for x := range lit {
		lit[x] += float64(cosmic[x])
		if lit[x] >= s.FullWellE {
			lit[x] = s.FullWellE
			saturated[x] = true
		}
	}
}

// collectMasked adds what cosmic rays left in a masked row, up to full well.
func (s *Sensor) collectMasked(f *frame, y int, charge []float64) {
	cosmic := f.maskedCosmic[(y-s.masked.y0)*s.ImageWidth():][:s.ImageWidth()]
	row := charge[s.image.x0:][:len(cosmic)]
	for x := range row {
		row[x] = min(row[x]+float64(cosmic[x]), s.FullWellE)
	}
}

// digitise reads a row out: read noise, gain, curvature, offset, pattern,
// rounding, the converter's range and companding.
func (s *Sensor) digitise(f *frame, y int, charge []float64, stream *rand.PCG) {
	r := rand.New(stream)
	row := y * s.Detector.Width
	for i := range s.Amplifiers {
		a := &s.Amplifiers[i]
		if !a.region.hasRow(y) {
			continue
		}
		offset := f.offset[i][y]
		for x := a.region.x0; x < a.region.x1; x++ {
			n := charge[x]
			if a.ReadNoiseE > 0 {
				n += a.ReadNoiseE * r.NormFloat64()
			}
			v := s.measured(a, n/a.GainEPerDN, row+x)
			dn := math.Floor(offset + float64(s.Pattern[row+x]) + v + 0.5)
			if dn >= s.ceiling {
				dn = s.ceiling
				f.markCeiling(s, x, y)
			}
			sample := uint16(max(dn, 0))
			if s.codes != nil {
				var last bool
				if sample, last = s.companded(sample); last {
					f.markCeiling(s, x, y)
				}
			}
			f.raw.Samples[row+x] = sample
		}
	}
}

// measured returns lin^-1(u) of one pixel.
func (s *Sensor) measured(a *Amplifier, u float64, pixel int) float64 {
	bend := float64(s.Bend[pixel])
	if bend == 0 {
		return a.curve.inverse(u)
	}
	// The bent curve was found to be invertible when the sensor was made.
	bent, _ := newCurve(a.C2+bend, a.C3, s.ceiling, 0)
	return bent.inverse(u)
}

func (f *frame) markCeiling(s *Sensor, x, y int) {
	if s.image.hasRow(y) && x >= s.image.x0 && x < s.image.x1 {
		f.raw.Truth.Saturated[(y-s.image.y0)*s.ImageWidth()+x-s.image.x0] = true
	}
}
