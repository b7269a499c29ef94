package calib

import (
	"math"
	"testing"
)

var limits = BadPixelLimits{HotEPerS: 10, UnstableSigma: 5, DeadBelow: 0.3, LowBelow: 0.8, NonlinearFraction: 0.02}

func TestMarkDark(t *testing.T) {
	nan := float32(math.NaN())
	// sqrt(2/(n-1)) is 0.5 for 9 samples: unstable above 3.5.
	for _, c := range []struct {
		name            string
		value, scatter  float32
		samples, frames int
		want            Flags
	}{
		{"quiet", 1, 1, 9, 9, 0},
		{"at the limit", 10, 1, 9, 9, 0},
		{"hot", 10.01, 1, 9, 9, Hot},
		{"saturated in every dark", nan, nan, 0, 9, Hot},
		{"unsteady within chance", 1, 3.4, 9, 9, 0},
		{"unstable", 1, 3.6, 9, 9, Unstable},
		{"hot and unstable", 50, 9, 9, 9, Hot | Unstable},
		{"a single sample of one", 1, 9, 1, 1, 0},
		{"outliers now and then", 1, 1, 36, 40, 0},
		{"outliers often", 1, 1, 33, 40, Unstable},
		// A single hit happens to a steady pixel in any number of darks.
		{"one hit in three darks", 1, 1, 2, 3, 0},
		{"one hit in five darks", 1, 1, 4, 5, 0},
		{"one hit in ten darks", 1, 1, 9, 10, 0},
	} {
		mask := []Flags{0}
		MarkDark(mask, []float32{c.value}, []float32{c.scatter}, []int32{int32(c.samples)}, c.frames, limits)
		if mask[0] != c.want {
			t.Errorf("%s: %v, want %v", c.name, mask[0], c.want)
		}
	}
}

// The response of a camera with vignetting, F = 1 - 0.7 (distance/edge)^2.
func vignetted(size int) *Plane {
	f := constant(size, size, 0, 0)
	for y := range size {
		for x := range size {
			dx, dy := float64(2*x-size+1)/float64(size), float64(2*y-size+1)/float64(size)
			f.Value[y*size+x] = float32(1 - 0.35*(dx*dx+dy*dy))
		}
	}
	return f
}

func TestMarkFlatFindsPixelsUnlikeTheirSurroundings(t *testing.T) {
	const size = 64
	f := vignetted(size)
	want := make([]Flags, size*size)
	spoil := func(x, y int, factor float32, flag Flags) {
		f.Value[y*size+x] *= factor
		want[y*size+x] |= flag
	}
	spoil(10, 10, 0.1, Dead)
	spoil(0, 0, 0.1, Dead) // the corner has 16 pixels around it
	spoil(63, 63, 0.5, Low)
	spoil(20, 40, 0.75, Low)
	spoil(50, 9, 0.9, 0) // within the limits
	spoil(30, 12, -0.01, Dead)
	spoil(12, 30, 0, Dead)
	spoil(45, 20, float32(math.NaN()), Dead)
	for y := range size {
		spoil(40, y, 0.05, Dead) // a dead column
	}
	mask := make([]Flags, size*size)
	MarkFlat(mask, f, limits)
	for i := range mask {
		if mask[i] != want[i] {
			t.Errorf("column %d row %d: %v, want %v", i%size, i/size, mask[i], want[i])
		}
	}
}

// A detector smaller than the window still has a median to compare with.
func TestMarkFlatOfTinyImages(t *testing.T) {
	for _, size := range [][2]int{{1, 1}, {1, 4}, {4, 1}, {2, 2}, {3, 3}} {
		f := constant(size[0], size[1], 0.9, 0)
		mask := make([]Flags, len(f.Value))
		MarkFlat(mask, f, limits)
		for i, m := range mask {
			if m != 0 {
				t.Errorf("%d x %d: pixel %d is %v", size[0], size[1], i, m)
			}
		}
	}
}

// A patch without response that is wider than the window has nobody beside
// it to be compared with, and is dead all the same.
func TestMarkFlatFindsDeadPatches(t *testing.T) {
	const size, patch = 40, 12
	rng := newRand(51)
	f := constant(size, size, 1, 0)
	for y := range patch {
		for x := range patch {
			f.Value[(y+10)*size+x+10] = float32(0.001 * rng.NormFloat64())
		}
	}
	mask := make([]Flags, size*size)
	MarkFlat(mask, f, limits)
	missed, wrong := 0, 0
	for y := range size {
		for x := range size {
			inside := x >= 10 && x < 10+patch && y >= 10 && y < 10+patch
			switch dead := mask[y*size+x]&Dead != 0; {
			case inside && !dead:
				missed++
			case dead && !inside:
				wrong++
			}
		}
	}
	if missed > 0 || wrong > 0 {
		t.Errorf("%d of %d dead pixels are missed and %d good ones called dead", missed, patch*patch, wrong)
	}
}

func TestMarkDeparture(t *testing.T) {
	for _, c := range []struct {
		name                   string
		departure, uncertainty float32
		want                   Flags
	}{
		{"on the curve", 0.001, 0.0001, 0},
		{"above", 0.03, 0.005, Nonlinear},
		{"below", -0.03, 0.005, Nonlinear},
		{"small though certain", 0.019, 0.0001, 0},
		{"large though uncertain", 0.03, 0.0061, 0},
	} {
		mask := []Flags{Hot}
		MarkDeparture(mask, []float32{c.departure}, []float32{c.uncertainty}, limits)
		if mask[0] != c.want|Hot {
			t.Errorf("%s: %v, want %v", c.name, mask[0], c.want|Hot)
		}
	}
}
