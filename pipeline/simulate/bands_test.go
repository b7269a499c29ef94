package simulate

import (
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"

	"evenlight/configs"
)

// threeBands gives a camera the bands red, green and blue.
func threeBands(p *configs.Profile) *configs.Profile {
	p.Bands = []configs.Band{
		{Name: "red", WavelengthNM: 610, Responsivity: 3e6, SolarIrradiance: 1.7},
		{Name: "green", WavelengthNM: 540, Responsivity: 2e6, SolarIrradiance: 1.9},
		{Name: "blue", WavelengthNM: 460, Responsivity: 1e6, SolarIrradiance: 2},
	}
	return p
}

// mosaicCamera is smallCamera with a mosaic of 2 rows of 3 cells, so that a
// mistaken direction or phase shows. The image begins at raw column 9.
func mosaicCamera() *configs.Profile {
	p := threeBands(smallCamera())
	p.Detectors[0].Mosaic = &configs.Mosaic{Pattern: [][]string{{"green", "red", "blue"}, {"blue", "green", "red"}}}
	return p
}

// stripCamera is smallCamera with strips of 20 rows, and rows without a
// filter between them and at the edges.
func stripCamera() *configs.Profile {
	p := threeBands(smallCamera())
	p.Detectors[0].Reference.Rows = [2]int{1, 96}
	p.Detectors[0].Strips = []configs.Strip{
		{Band: "blue", Rows: [2]int{6, 25}}, {Band: "green", Rows: [2]int{31, 50}}, {Band: "red", Rows: [2]int{61, 80}},
	}
	return p
}

// bandOfMosaic and bandOfStrip name the band, 0 red, 1 green, 2 blue, that a
// raw pixel of those cameras sees, both counted from 0; -1 none.
func bandOfMosaic(x, y int) int { return [2][3]int{{1, 0, 2}, {2, 1, 0}}[y%2][x%3] }

func bandOfStrip(_, y int) int {
	switch {
	case y >= 5 && y <= 24:
		return 2
	case y >= 30 && y <= 49:
		return 1
	case y >= 60 && y <= 79:
		return 0
	}
	return -1
}

// noiseless switches every effect and all noise off.
func noiseless(seed uint64) Options {
	opt := plain(seed)
	opt.NoShotNoise, opt.NoReadNoise = true, true
	return opt
}

// gradients is a radiance for each of three bands: rising along the columns,
// along the rows, and even.
func gradients(width, height int) [][]float32 {
	bands := [][]float32{make([]float32, width*height), make([]float32, width*height), make([]float32, width*height)}
	for i := range width * height {
		bands[0][i] = float32(1e-3 + 4e-5*float64(i%width))
		bands[1][i] = float32(2e-3 + 5e-5*float64(i/width))
		bands[2][i] = 8e-3
	}
	return bands
}

// Without noise a sample is the offset and the light of the pixel's own band:
// the scene's, K L t, and the lamp's share of that band, 1, 0.8 or 0.55.
func TestEveryPixelSeesItsOwnBand(t *testing.T) {
	for _, c := range []struct {
		name   string
		p      *configs.Profile
		bandOf func(x, y int) int
	}{{"mosaic", mosaicCamera(), bandOfMosaic}, {"strips", stripCamera(), bandOfStrip}} {
		for _, light := range []struct {
			name string
			e    Exposure
		}{
			{"scene", Exposure{ExposureS: 0.5, Bands: gradients(128, 96)}},
			{"lamp", Exposure{ExposureS: 0.5, LampRate: 9000}},
			{"both", Exposure{ExposureS: 0.5, LampRate: 9000, Bands: gradients(128, 96)}},
		} {
			t.Run(c.name+", "+light.name, func(t *testing.T) {
				s := mustNew(t, c.p, noiseless(3))
				raw := mustExpose(t, s, light.e)
				for i := range raw.Truth.Electrons {
					x, y := i%128+8, i/128
					var rate, radiance float64
					if b := c.bandOf(x, y); b >= 0 {
						rate = light.e.LampRate * [3]float64{1, 0.8, 0.55}[b]
						if light.e.Bands != nil {
							radiance = float64(light.e.Bands[b][i])
							rate += [3]float64{3e6, 2e6, 1e6}[b] * radiance
						}
					}
					a := &c.p.Detectors[0].Amplifiers[x/72]
					want := math.Round(a.OffsetDN + 0.5*rate/a.GainEPerDN)
					// The flat is 1 to the precision of float32: 6e-8 of 1e4 DN.
					if got := float64(raw.Samples[y*144+x]); math.Abs(got-want) > 1 || math.Abs(got-(a.OffsetDN+0.5*rate/a.GainEPerDN)) > 0.502 {
						t.Fatalf("column %d, row %d reads %g DN, want %g", x+1, y+1, got, want)
					}
					if got := float64(raw.Truth.Electrons[i]); math.Abs(got-0.5*rate) > 1e-7*0.5*rate {
						t.Fatalf("column %d, row %d: truth is %g electrons, want %g", x+1, y+1, got, 0.5*rate)
					}
					if got := float64(raw.Truth.Radiance[i]); got != radiance {
						t.Fatalf("column %d, row %d: truth is radiance %g, want %g", x+1, y+1, got, radiance)
					}
				}
				if !reflect.DeepEqual(raw.Truth.BandRadiance, light.e.Bands) {
					t.Error("the truth does not keep the radiance of all bands")
				}
			})
		}
	}
}

// The mean of a colour's pixels: offset + Q/g, within 5 standard errors
// sqrt(((Q + r^2)/g^2 + 1/12) / n).
func TestColoursOfAnEvenSceneHaveTheMeansOfTheory(t *testing.T) {
	p := mosaicCamera()
	s := mustNew(t, p, plain(12))
	even := [][]float32{make([]float32, 128*96), make([]float32, 128*96), make([]float32, 128*96)}
	for b, l := range []float32{1e-3, 4e-3, 7e-3} {
		for i := range even[b] {
			even[b][i] = l
		}
	}
	raw := mustExpose(t, s, Exposure{ExposureS: 1, Bands: even})
	for half, a := range p.Detectors[0].Amplifiers {
		var sums [3]float64
		var counts [3]int
		for i := range 128 * 96 {
			if x, y := i%128+8, i/128; x/72 == half {
				sums[bandOfMosaic(x, y)] += float64(raw.Samples[y*144+x])
				counts[bandOfMosaic(x, y)]++
			}
		}
		for b, charge := range []float64{3000, 8000, 7000} {
			want := a.OffsetDN + charge/a.GainEPerDN
			limit := 5 * math.Sqrt(((charge+a.ReadNoiseE*a.ReadNoiseE)/(a.GainEPerDN*a.GainEPerDN)+1.0/12)/float64(counts[b]))
			if got := sums[b] / float64(counts[b]); math.Abs(got-want) > limit {
				t.Errorf("amplifier %s, band %s: mean %.3f DN, want %.3f within %.3f", a.Name, p.Bands[b].Name, got, want, limit)
			}
		}
	}
}

func TestFlatOfEachColourHasMeanOneOverItsOwnPixels(t *testing.T) {
	for name, c := range map[string]struct {
		p      *configs.Profile
		bandOf func(x, y int) int
	}{"mosaic": {mosaicCamera(), bandOfMosaic}, "strips": {stripCamera(), bandOfStrip}} {
		s := mustNew(t, c.p, Options{Seed: 24})
		reference := boxOf(c.p.Detectors[0].Reference)
		for b := range c.p.Bands {
			flat, err := s.Flat(c.p.Bands[b].Name)
			if err != nil {
				t.Fatal(err)
			}
			var sum float64
			n := 0
			for i, response := range flat {
				x, y := i%144, i/144
				lit := c.bandOf(x, y) == b && x >= 8 && x < 136
				if !lit && response != 0 {
					t.Fatalf("%s: column %d, row %d responds to %s", name, x+1, y+1, c.p.Bands[b].Name)
				}
				if lit && s.Defects[i] == 0 && reference.hasRow(y) && x >= reference.x0 && x < reference.x1 {
					sum += float64(response)
					n++
				}
			}
			// Values are kept as float32, 6e-8 relative.
			if mean := sum / float64(n); math.Abs(mean-1) > 1e-7 {
				t.Errorf("%s: the mean over the good reference pixels of %s is %.9f", name, c.p.Bands[b].Name, mean)
			}
		}
	}
}

func TestDetectorOfOneBandTakesItsOwn(t *testing.T) {
	p := threeBands(smallCamera())
	p.Detectors[0].Band = "green"
	s := mustNew(t, p, noiseless(3))
	bands := gradients(128, 96)
	raw := mustExpose(t, s, Exposure{ExposureS: 1, Bands: bands})
	for i, got := range raw.Truth.Electrons {
		want := 2e6 * float64(bands[1][i])
		if math.Abs(float64(got)-want) > 1e-7*want {
			t.Fatalf("pixel %d: %g electrons, want %g", i, got, want)
		}
	}
	if _, err := s.Flat("red"); err == nil {
		t.Error("the detector has a flat of a band that it does not see")
	}
}

func TestImpossibleFiltersAreRefused(t *testing.T) {
	for name, c := range map[string]struct {
		spoil func(*configs.Detector)
		names string
	}{
		"unknown colour": {func(d *configs.Detector) { d.Mosaic = &configs.Mosaic{Pattern: [][]string{{"red", "grey"}}} }, `"grey"`},
		"no pattern":     {func(d *configs.Detector) { d.Mosaic = &configs.Mosaic{} }, "pattern"},
		"empty row":      {func(d *configs.Detector) { d.Mosaic = &configs.Mosaic{Pattern: [][]string{{"red"}, {}}} }, "row 2"},
		"unknown strip":  {func(d *configs.Detector) { d.Strips = []configs.Strip{{Band: "grey", Rows: [2]int{1, 96}}} }, `"grey"`},
		"strip outside":  {func(d *configs.Detector) { d.Strips = []configs.Strip{{Band: "red", Rows: [2]int{60, 97}}} }, "97"},
		"strip outside the reference": {func(d *configs.Detector) {
			d.Strips = []configs.Strip{{Band: "red", Rows: [2]int{25, 72}}, {Band: "blue", Rows: [2]int{73, 96}}}
		}, "blue"},
		"unknown band": {func(d *configs.Detector) { d.Band = "grey" }, `"grey"`},
	} {
		p := threeBands(smallCamera())
		c.spoil(&p.Detectors[0])
		if _, err := New(p, "main", Options{}); err == nil || !strings.Contains(err.Error(), c.names) {
			t.Errorf("%s: error %v does not name %s", name, err, c.names)
		}
	}
}

func TestLightThatTheDetectorCannotTakeIsRefused(t *testing.T) {
	mosaic, single := mustNew(t, mosaicCamera(), noiseless(1)), mustNew(t, smallCamera(), noiseless(1))
	for _, c := range []struct {
		name string
		s    *Sensor
		e    Exposure
	}{
		{"one band for a mosaic", mosaic, Exposure{Radiance: make([]float32, 128*96), Band: "red"}},
		{"two bands of three", mosaic, Exposure{Bands: gradients(128, 96)[:2]}},
		{"small bands", mosaic, Exposure{Bands: gradients(128, 95)}},
		{"all bands for a filter wheel", single, Exposure{Bands: gradients(128, 96), Band: "green"}},
	} {
		if _, err := c.s.Expose(c.e); err == nil {
			t.Errorf("%s: no error", c.name)
		}
	}
}

func TestFramesOfEveryKindOfSensorDoNotDependOnWorkers(t *testing.T) {
	reset := mosaicCamera()
	reset.Detectors[0].Rolling = &configs.Rolling{Kind: configs.RollingReset, RowS: 1e-3, First: configs.LastRow}
	for name, c := range map[string]struct {
		p *configs.Profile
		e Exposure
	}{
		"mosaic, rolling": {reset, Exposure{Bands: gradients(128, 96)}},
		"strips":          {stripCamera(), Exposure{Bands: gradients(128, 96)}},
		"smear, codes":    {smearCamera(configs.Smear{Toward: configs.FirstRow, When: configs.ShiftBoth, MaskedRows: &[2]int{91, 96}}), Exposure{Band: "green", Radiance: Ramp(0.01)(128, 88)}},
	} {
		s := mustNew(t, c.p, Options{Seed: 9})
		c.e.ExposureS, c.e.CosmicRate, c.e.Index = 1, 1e-3, 4
		one := mustExpose(t, s, c.e)
		for _, workers := range []int{2, 3} {
			c.e.Workers = workers
			if again := mustExpose(t, s, c.e); !reflect.DeepEqual(one, again) {
				t.Errorf("%s: the frame made by %d workers differs", name, workers)
			}
		}
	}
}

// Row i, counted from the row that comes first, is exposed for t + i row_s:
// light and dark charge grow with it. The shutter kind exposes all rows alike.
func TestRowsThatEndLaterGatherMore(t *testing.T) {
	const exposureS, waitS, rowS, lampRate = 0.2, 0.1, 2e-3, 20000.0
	for _, c := range []struct {
		kind, first string
		later       func(y int) float64
	}{
		{configs.RollingReset, configs.FirstRow, func(y int) float64 { return float64(y) }},
		{configs.RollingReset, configs.LastRow, func(y int) float64 { return float64(95 - y) }},
		{configs.RollingShutter, configs.FirstRow, func(int) float64 { return 0 }},
	} {
		t.Run(fmt.Sprintf("%s from %s", c.kind, c.first), func(t *testing.T) {
			p := smallCamera()
			p.Detectors[0].Rolling = &configs.Rolling{Kind: c.kind, RowS: rowS, First: c.first}
			opt := noiseless(7)
			opt.NoDark, opt.NoHot = false, false
			s := mustNew(t, p, opt)
			raw := mustExpose(t, s, Exposure{Band: "green", ExposureS: exposureS, WaitS: waitS, LampRate: lampRate})
			for i, electrons := range raw.Truth.Electrons {
				x, y := i%128+8, i/128
				rowTimeS := exposureS + rowS*c.later(y)
				if want := lampRate * rowTimeS; math.Abs(float64(electrons)-want) > 1e-7*want {
					t.Fatalf("row %d: truth is %g electrons, want %g", y+1, electrons, want)
				}
				a := &p.Detectors[0].Amplifiers[x/72]
				dark := float64(s.Dark[y*144+x]) * (rowTimeS + waitS)
				want := a.OffsetDN + (lampRate*rowTimeS+dark)/a.GainEPerDN
				if got := float64(raw.Samples[y*144+x]); math.Abs(got-want) > 0.502 {
					t.Fatalf("column %d, row %d reads %g DN, want %.3f", x+1, y+1, got, want)
				}
			}
		})
	}
}

// With noise, the least-squares slope of the row means is rate row_s / g; its
// standard error is sigma / sqrt(n sum (y - mean)^2) with n pixels a row.
func TestSlopeOfARollingExposureIsThatOfTheory(t *testing.T) {
	p := smallCamera()
	p.Detectors[0].Rolling = &configs.Rolling{Kind: configs.RollingReset, RowS: 1e-4, First: configs.FirstRow}
	s := mustNew(t, p, plain(8))
	const lampRate, exposureS = 20000.0, 0.3
	raw := mustExpose(t, s, Exposure{Band: "green", ExposureS: exposureS, LampRate: lampRate})
	a := &p.Detectors[0].Amplifiers[0]
	var xy, xx float64
	for y := range 96 {
		for x := 8; x < 72; x++ {
			xy += (float64(y) - 47.5) * float64(raw.Samples[y*144+x])
		}
		xx += 64 * (float64(y) - 47.5) * (float64(y) - 47.5)
	}
	want := lampRate * 1e-4 / a.GainEPerDN
	most := lampRate * (exposureS + 95e-4) // electrons in the last row
	limit := 5 * math.Sqrt(((most+a.ReadNoiseE*a.ReadNoiseE)/(a.GainEPerDN*a.GainEPerDN)+1.0/12)/xx)
	if got := xy / xx; math.Abs(got-want) > limit {
		t.Errorf("the slope is %.4f DN a row, want %.4f within %.4f", got, want, limit)
	}
	if want < 2*limit {
		t.Errorf("a slope of %.4f DN a row cannot be told from none with a limit of %.4f", want, limit)
	}
}
