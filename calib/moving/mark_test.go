package moving

import (
	"errors"
	"math"
	"testing"

	"evenlight/calib"
)

func TestMarkCoversTheMoverInAllBandsAndLittleElse(t *testing.T) {
	s := scene{width: 320, height: 320, bands: 3, level: 50, noise: 0.01}
	s.blobs = []blob{{[]point{{90, 100}, {130, 120}, {170, 140}}, 8, 0.2}}
	bands := s.expose(newRNG(6))
	before := make([]float32, len(bands[0].Value))
	copy(before, bands[0].Value)
	bands[1].Flags[7] = calib.Hot
	d, err := Compare(bands, Options{}, 2)
	if err != nil {
		t.Fatal(err)
	}
	count, err := Mark(bands, d, find(t, bands, evenTimes(3, 10), Options{}), Options{})
	if err != nil {
		t.Fatal(err)
	}
	marked := 0
	for i, f := range bands[0].Flags {
		x, y := float64(i%320), float64(i/320)
		far := math.Inf(1)
		for _, p := range s.blobs[0].at {
			far = min(far, math.Hypot(x-p.x, y-p.y))
		}
		isMarked := f&calib.Moved != 0
		if isMarked {
			marked++
		}
		if far < 2*8 && !isMarked {
			t.Fatalf("pixel %g, %g is not marked, %.1f px from a centre", x, y, far)
		}
		for b, r := range bands {
			if (r.Flags[i]&calib.Moved != 0) != isMarked {
				t.Fatalf("pixel %g, %g is marked in some bands, not in band %d", x, y, b)
			}
		}
		if bands[0].Value[i] != before[i] {
			t.Fatalf("pixel %g, %g changed its value", x, y)
		}
	}
	if marked != count {
		t.Errorf("%d pixels marked, %d reported", marked, count)
	}
	// Three discs of 3.2 sigma, and single pixels of noise grown to 5 x 5.
	if most := 3*math.Pi*(3.2*8)*(3.2*8) + 25*2; float64(count) > most {
		t.Errorf("%d pixels marked, %.0f at most belong to the mover", count, most)
	}
	if bands[1].Flags[7]&calib.Hot == 0 {
		t.Error("another flag was cleared")
	}
}

func TestMarkGrowsByTheMargin(t *testing.T) {
	bands := []*calib.Raster{calib.NewRaster(20, 12), calib.NewRaster(20, 12)}
	d := &Disagreement{Map: calib.NewRaster(20, 12), BeyondSigma: 5}
	d.Map.Value[3*20+19] = 5.1 // at the right edge
	d.Map.Value[8*20+5] = 5    // not beyond
	d.Map.Value[8*20+6] = float32(math.NaN())
	count, err := Mark(bands, d, nil, Options{GrowPx: 1})
	if err != nil || count != 6 {
		t.Errorf("%d pixels marked (%v), want 3 rows of 2", count, err)
	}
	for _, i := range []int{2*20 + 18, 4*20 + 19} {
		if bands[1].Flags[i] != calib.Moved {
			t.Errorf("pixel %d has flags %v", i, bands[1].Flags[i])
		}
	}
}

func TestMarkOfNothingMarksNothing(t *testing.T) {
	bands := []*calib.Raster{calib.NewRaster(20, 12), calib.NewRaster(20, 12)}
	if count, err := Mark(bands, nil, nil, Options{}); err != nil || count != 0 {
		t.Errorf("%d pixels marked (%v)", count, err)
	}
}

func TestMarkRefusesAMapOfAnotherSize(t *testing.T) {
	bands := []*calib.Raster{calib.NewRaster(20, 12), calib.NewRaster(20, 12)}
	if _, err := Mark(bands, &Disagreement{Map: calib.NewRaster(12, 20)}, nil, Options{}); !errors.Is(err, ErrBands) {
		t.Errorf("error %v", err)
	}
}
