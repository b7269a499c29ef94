package colour

import (
	"bytes"
	"math"
	"strings"
	"testing"

	"evenlight/calib"

	"gonum.org/v1/gonum/mat"
)

func mustMixer(t *testing.T, rgb *mat.Dense, white White) *Mixer {
	t.Helper()
	m, err := NewMixer(rgb, white, calib.Unusable)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// greyRamp is the same ramp from 0 to 1 in n bands, each in its own unit.
func greyRamp(units []float64, width, height int) []*calib.Raster {
	var bands []*calib.Raster
	for _, unit := range units {
		b := calib.NewRaster(width, height)
		for i := range b.Value {
			b.Value[i] = float32(unit * float64(i) / float64(width*height-1))
		}
		bands = append(bands, b)
	}
	return bands
}

// A grey target of the colour of white is grey in the picture: white comes to
// all ones, and elsewhere the channels differ by rounding at most.
func TestGreyRampStaysGrey(t *testing.T) {
	for name, bands := range bandSets() {
		tr := mustMatrix(t, bands, D65())
		white := White{Values: make([]float64, len(bands)), Uncertainty: make([]float64, len(bands))}
		for j := range white.Values {
			white.Values[j] = 0.7 + 10*float64(j)
		}
		p := NewPicture(64, 48)
		if err := p.Render(mustMixer(t, tr.RGB, white), mustEncoder(t, FullRange()), greyRamp(white.Values, 64, 48), 2); err != nil {
			t.Fatal(err)
		}
		for i := range 64 * 48 {
			c := p.Deep.NRGBA64At(i%64, i/64)
			want := 65535 * Encode(float64(i)/(64*48-1))
			for _, got := range []uint16{c.R, c.G, c.B} {
				// float32 rounding times the steepest slope, 12.92: below half a code.
				within(t, name+": code of grey", float64(got), want, 1.1)
			}
		}
		if first, last := p.Plain.NRGBAAt(0, 0), p.Plain.NRGBAAt(63, 47); first.R != 0 || first.A != 255 || last.R != 255 || last.G != 255 || last.B != 255 {
			t.Errorf("%s: black is %v, white %v", name, first, last)
		}
		if p.Clipped != (Clipped{}) {
			t.Errorf("%s: clipped %+v", name, p.Clipped)
		}
	}
}

// The mixing of rows agrees with the matrix applied to one pixel at a time in
// double precision, whether there are three bands or another number.
func TestMixingIsTheMatrixProduct(t *testing.T) {
	for name, bands := range bandSets() {
		tr := mustMatrix(t, bands, D65())
		rasters := make([]*calib.Raster, len(bands))
		for j := range rasters {
			rasters[j] = scene(20, 10)[j%3]
		}
		p := NewPicture(20, 10)
		if err := p.Mix(mustMixer(t, tr.RGB, SunWhite(len(bands))), rasters, 1); err != nil {
			t.Fatal(err)
		}
		values := make([]float64, len(bands))
		for i := range 200 {
			var lost bool
			for j, r := range rasters {
				values[j] = float64(r.Value[i])
				lost = lost || !r.Good(i)
			}
			if lost {
				continue
			}
			for c, want := range tr.ToRGB(values) {
				within(t, name, float64(p.Linear[3*i+c]), want, 2e-6)
			}
		}
	}
}

func TestPixelsWithoutAValueAreTransparent(t *testing.T) {
	for _, n := range []int{3, 4} {
		for name, spoil := range map[string]func(b *calib.Raster){
			"missing":   func(b *calib.Raster) { b.Flags[5], b.Value[5] = calib.Missing, nan() },
			"saturated": func(b *calib.Raster) { b.Flags[5] |= calib.Saturated },
			"NaN":       func(b *calib.Raster) { b.Value[5] = nan() },
		} {
			bands := greyRamp([]float64{1, 1, 1, 1}[:n], 4, 4)
			for _, b := range bands {
				b.Flags[6] = calib.Hot                    // no reason to hide
				b.Flags[7] = calib.Missing | calib.Filled // nor this: it has a value
			}
			spoil(bands[n-1])
			tr := mustMatrix(t, manyBands(n), D65())
			p := NewPicture(4, 4)
			if err := p.Render(mustMixer(t, tr.RGB, SunWhite(n)), mustEncoder(t, FullRange()), bands, 1); err != nil {
				t.Fatal(err)
			}
			for i := range 16 {
				opaque := i != 5
				deep, plain := p.Deep.NRGBA64At(i%4, i/4), p.Plain.NRGBAAt(i%4, i/4)
				linear := p.Linear[3*i]
				if (deep.A == 65535) != opaque || (plain.A == 255) != opaque || (linear == linear) != opaque {
					t.Errorf("%d bands, %s: pixel %d has alpha %d and %d, linear red %g", n, name, i, deep.A, plain.A, linear)
				}
			}
			if p.Clipped != (Clipped{}) {
				t.Errorf("%d bands, %s: a pixel without a value counts as clipped: %+v", n, name, p.Clipped)
			}
		}
	}
}

func TestPictureIsTheSameForAnyNumberOfWorkers(t *testing.T) {
	bands := scene(70, 200)
	tr := mustMatrix(t, rgbBands(), D65())
	mixer := mustMixer(t, tr.RGB, SunWhite(3))
	encoder := mustEncoder(t, Stretch{Low: [3]float64{0.1, 0.1, 0.1}, High: [3]float64{0.5, 0.5, 0.5}})
	one := NewPicture(70, 200)
	if err := one.Render(mixer, encoder, bands, 1); err != nil {
		t.Fatal(err)
	}
	if one.Clipped.Below == 0 || one.Clipped.Above == 0 {
		t.Fatalf("clipped %+v: the test wants some of both", one.Clipped)
	}
	for _, workers := range []int{0, 2, 3, 50} {
		inOne, inSteps := NewPicture(70, 200), NewPicture(70, 200)
		if err := inOne.Render(mixer, encoder, bands, workers); err != nil {
			t.Fatal(err)
		}
		if err := inSteps.Mix(mixer, bands, workers); err != nil {
			t.Fatal(err)
		}
		inSteps.Encode(encoder, workers)
		for _, p := range []*Picture{inOne, inSteps} {
			if !bytes.Equal(p.Deep.Pix, one.Deep.Pix) || !bytes.Equal(p.Plain.Pix, one.Plain.Pix) || p.Clipped != one.Clipped {
				t.Errorf("%d workers: another picture than with one", workers)
			}
		}
	}
}

func TestPlanesThatAreNotWantedAreLeftOut(t *testing.T) {
	bands := scene(8, 8)
	whole, plainOnly := NewPicture(8, 8), NewPicture(8, 8)
	plainOnly.Deep = nil
	for _, p := range []*Picture{whole, plainOnly} {
		if err := p.Render(mustMixer(t, Direct(), SunWhite(3)), mustEncoder(t, FullRange()), bands, 1); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(whole.Plain.Pix, plainOnly.Plain.Pix) {
		t.Error("the 8-bit plane differs where the 16-bit one is not wanted")
	}
}

func TestRenderingAllocatesNothingByThePixel(t *testing.T) {
	mixer, encoder := mustMixer(t, Direct(), SunWhite(3)), mustEncoder(t, FullRange())
	count := func(height int) float64 {
		bands, p := scene(64, height), NewPicture(64, height)
		return testing.AllocsPerRun(5, func() {
			if err := p.Render(mixer, encoder, bands, 1); err != nil {
				t.Fatal(err)
			}
		})
	}
	if small, large := count(32), count(1024); large > small+2 {
		t.Errorf("%g allocations for 32 rows, %g for 1024", small, large)
	}
}

func TestRenderErrors(t *testing.T) {
	mixer, encoder := mustMixer(t, Direct(), SunWhite(3)), mustEncoder(t, FullRange())
	for want, bands := range map[string][]*calib.Raster{
		"2 bands for a colour matrix of 3": scene(8, 8)[:2],
		"band 1 is 9 x 8 pixels":           scene(9, 8),
	} {
		p := NewPicture(8, 8)
		if err := p.Render(mixer, encoder, bands, 1); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("Render: error %v, want one with %q", err, want)
		}
		if err := p.Mix(mixer, bands, 1); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("Mix: error %v, want one with %q", err, want)
		}
	}
	if _, err := NewMixer(mat.NewDense(2, 3, nil), SunWhite(3), 0); err == nil || !strings.Contains(err.Error(), "2 rows") {
		t.Errorf("error %v", err)
	}
	if _, err := NewEncoder(Stretch{High: [3]float64{1, 1, math.Inf(1)}}); err == nil || !strings.Contains(err.Error(), "stretch of blue") {
		t.Errorf("error %v", err)
	}
}
