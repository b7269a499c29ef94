package simulate

import (
	"fmt"
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/stat/distuv"
)

// Light returns P = F_b (K_b L + lamp) t over the image region, e-: what the
// tube gathers from the light of an exposure, and of which a fraction stays
// for the frame after. e.Radiance is L in the geometry of the raw frame, as
// the first result of [Tube.View].
func (t *Tube) Light(e Exposure) ([]float64, error) {
	if err := t.checkExposure(&e); err != nil {
		return nil, fmt.Errorf("exposing frame %d on detector %s: %w", e.Index, t.Detector.Name, err)
	}
	light := t.sceneElectrons(&e)
	t.throughFlat(light, e.Band)
	return light, nil
}

// Expose takes a frame. before is the light of the frame before, as
// [Tube.Light] returns it, or nil where there was none or it is too long ago.
// In the truth, Electrons is (K_b L + lamp) t without what is left of the
// frame before, Radiance is L in the geometry of the raw frame, and
// no cosmic rays are simulated, whatever e.CosmicRate says.
//
// The error tells what is impossible: a band that the profile does not have, a
// plane of the wrong size, a negative time or rate.
func (t *Tube) Expose(e Exposure, before []float64) (*Raw, error) {
	raw, _, err := t.expose(e, before)
	return raw, err
}

// expose returns the residual image, e-, besides the frame.
func (t *Tube) expose(e Exposure, before []float64) (*Raw, []float32, error) {
	err := t.checkExposure(&e)
	pixels := t.base.image.pixels()
	if err == nil && before != nil && len(before) != pixels {
		err = fmt.Errorf("the light of the frame before has %d values; the image region has %d pixels", len(before), pixels)
	}
	if err != nil {
		return nil, nil, fmt.Errorf("exposing frame %d on detector %s: %w", e.Index, t.Detector.Name, err)
	}
	f := t.newFrame(&e, before)
	blocks := (t.Detector.Height + tubeBlock - 1) / tubeBlock
	err = inParallel(blocks, e.Workers, func(block int) error {
		t.exposeBlock(f, block*tubeBlock, min((block+1)*tubeBlock, t.Detector.Height))
		return nil
	})
	return f.raw, f.residual, err
}

// tubeBlock is the number of rows that a worker makes at a time.
const tubeBlock = 16

func (t *Tube) checkExposure(e *Exposure) error {
	for _, n := range []struct {
		name  string
		value float64
	}{{"exposure time", e.ExposureS}, {"wait", e.WaitS}, {"temperature", e.TempK}, {"lamp rate", e.LampRate}} {
		if !(n.value >= 0) || math.IsInf(n.value, 1) {
			return fmt.Errorf("the %s is %g; it must be finite and not negative", n.name, n.value)
		}
	}
	if want := t.base.image.pixels(); e.Radiance != nil && len(e.Radiance) != want {
		return fmt.Errorf("the radiance has %d values; the image region has %d pixels", len(e.Radiance), want)
	}
	if e.Radiance != nil || e.LampRate > 0 {
		_, err := t.Flat(e.Band)
		return err
	}
	return nil
}

// sceneElectrons is (K_b L + lamp) t over the image region.
func (t *Tube) sceneElectrons(e *Exposure) []float64 {
	out := make([]float64, t.base.image.pixels())
	k := responsivity(t.Profile, e.Band)
	for i := range out {
		rate := e.LampRate
		if e.Radiance != nil {
			rate += k * float64(e.Radiance[i])
		}
		out[i] = rate * e.ExposureS
	}
	return out
}

// throughFlat multiplies light over the image region by F_b. Without light the
// band does not matter and may be none.
func (t *Tube) throughFlat(light []float64, band string) {
	flat := t.flats[band]
	if flat == nil {
		return
	}
	i := 0
	t.each(func(p int) {
		light[i] *= float64(flat[p])
		i++
	})
}

// tubeFrame is an exposure in the making.
type tubeFrame struct {
	raw      *Raw
	index    uint64
	light    []float64 // P over the image region, e-
	residual []float32 // rho P' over the image region, e-
	darkTime float64   // h(T) (t + wait), s
}

func (t *Tube) newFrame(e *Exposure, before []float64) *tubeFrame {
	pixels := t.base.image.pixels()
	f := &tubeFrame{
		raw: &Raw{
			Samples: make([]uint16, t.Detector.Width*t.Detector.Height),
			Truth: Truth{
				Detector: t.Detector.Name, Width: t.ImageWidth(), Height: t.ImageHeight(),
				Electrons: make([]float32, pixels),
				Radiance:  make([]float32, pixels),
				Cosmic:    make([]float32, pixels),
				Saturated: make([]bool, pixels),
				Defects:   Trim(t.base, t.Defects),
			},
		},
		index:    e.Index,
		light:    t.sceneElectrons(e),
		residual: make([]float32, pixels),
		darkTime: t.base.darkGrowth(e.TempK) * (e.ExposureS + e.WaitS),
	}
	for i, n := range f.light {
		f.raw.Truth.Electrons[i] = float32(n)
	}
	copy(f.raw.Truth.Radiance, e.Radiance)
	t.throughFlat(f.light, e.Band)
	for i, n := range before {
		f.residual[i] = float32(t.Fraction * min(n, t.FullWellE))
	}
	return f
}

// exposeBlock makes rows y0 to y1-1. Each row has a random stream of its own.
func (t *Tube) exposeBlock(f *tubeFrame, y0, y1 int) {
	charge := make([]float64, t.Detector.Width)
	for y := y0; y < y1; y++ {
		stream := newStream(t.Options.Seed, forTubeReadout, f.index, uint64(y))
		t.fillMeanCharge(f, y, charge)
		t.collect(f, y, charge, stream)
		t.digitise(f, y, charge, rand.New(stream))
	}
}

func (t *Tube) fillMeanCharge(f *tubeFrame, y int, charge []float64) {
	for x, d := range t.Dark[y*t.Detector.Width:][:len(charge)] {
		charge[x] = float64(d) * f.darkTime
	}
	im := t.base.image
	if !im.hasRow(y) {
		return
	}
	start := (y - im.y0) * t.ImageWidth()
	lit := charge[im.x0:im.x1]
	for x := range lit {
		lit[x] += f.light[start+x] + float64(f.residual[start+x])
	}
}

// collect draws the charge that is gathered, up to full well.
func (t *Tube) collect(f *tubeFrame, y int, charge []float64, stream *rand.PCG) {
	poisson := distuv.Poisson{Src: stream}
	for x, mean := range charge {
		if mean > 0 && !t.Options.NoShotNoise {
			poisson.Lambda = mean
			charge[x] = poisson.Rand()
		}
		if charge[x] >= t.FullWellE {
			charge[x] = t.FullWellE
			t.markSaturated(f, x, y)
		}
	}
}

func (t *Tube) digitise(f *tubeFrame, y int, charge []float64, r *rand.Rand) {
	for i := range t.Amplifiers {
		a := &t.Amplifiers[i]
		if !a.region.hasRow(y) {
			continue
		}
		for x := a.region.x0; x < a.region.x1; x++ {
			p := y*t.Detector.Width + x
			n := charge[x]
			if a.ReadNoiseE > 0 {
				n += a.ReadNoiseE * r.NormFloat64()
			}
			code := math.Floor(a.OffsetDN + float64(t.Pattern[p]) + t.measured(p, n/a.GainEPerDN) + 0.5)
			if code >= t.base.ceiling {
				code = t.base.ceiling
				t.markSaturated(f, x, y)
			}
			f.raw.Samples[p] = uint16(max(code, 0))
		}
	}
}

// measured returns lin^-1(u) of one pixel.
func (t *Tube) measured(pixel int, u float64) float64 {
	// The curve was found to be invertible when the tube was made.
	c, _ := newCurve(float64(t.C2[pixel]), float64(t.C3[pixel]), t.base.ceiling, 0)
	return c.inverse(u)
}

func (t *Tube) markSaturated(f *tubeFrame, x, y int) {
	if im := t.base.image; im.hasRow(y) && x >= im.x0 && x < im.x1 {
		f.raw.Truth.Saturated[(y-im.y0)*t.ImageWidth()+x-im.x0] = true
	}
}
