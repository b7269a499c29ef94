package simulate

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"evenlight/configs"
)

// smearCamera is smallCamera with an image of raw rows 3 to 90 and a smear
// whose rows take 1 ms each.
func smearCamera(m configs.Smear) *configs.Profile {
	p := smallCamera()
	d := &p.Detectors[0]
	d.Image.Rows = [2]int{3, 90}
	m.RowS = 1e-3
	d.Smear = &m
	d.Decompanding = &configs.Decompanding{SquareRoot: &configs.SquareRoot{Codes: 512, MaxDN: 16383}}
	return p
}

// uncompanded sends the DN themselves.
func uncompanded(p *configs.Profile) *configs.Profile {
	p.Detectors[0].Decompanding = nil
	return p
}

// The rows that a pixel passes are listed here one by one, from what the
// profile means by its words: charge that leaves after the exposure passes the
// rows between its place and the end that it moves to; what arrived before
// the exposure has passed the rows on the other side.
func TestSmearIsTheLightOfTheRowsPassed(t *testing.T) {
	for _, toward := range []string{configs.FirstRow, configs.LastRow} {
		for _, when := range []string{configs.ShiftBefore, configs.ShiftAfter, configs.ShiftBoth} {
			for _, own := range []bool{false, true} {
				t.Run(fmt.Sprintf("toward %s, %s, own row %t", toward, when, own), func(t *testing.T) {
					s := mustNew(t, uncompanded(smearCamera(configs.Smear{Toward: toward, When: when, OwnRow: own})), Options{Seed: 14})
					radiance := Ramp(0.01)(128, 88)
					raw := mustExpose(t, s, Exposure{Band: "green", ExposureS: 0.5, LampRate: 300, Radiance: radiance})
					flat := Trim(s, s.flats["green"])
					rate := func(x, y int) float64 {
						return float64(flat[y*128+x]) * (2e6*float64(radiance[y*128+x]) + 300)
					}
					for i, got := range raw.Truth.Smear {
						x, y := i%128, i/128
						var passed float64
						for other := range 88 {
							out := other < y == (toward == configs.FirstRow)
							switch {
							case other == y && own && when == configs.ShiftBoth:
								passed += 2 * rate(x, other)
							case other == y && own:
								passed += rate(x, other)
							case other == y:
							case out && when != configs.ShiftBefore, !out && when != configs.ShiftAfter:
								passed += rate(x, other)
							}
						}
						if want := 1e-3 * passed; math.Abs(float64(got)-want) > 1e-6*want {
							t.Fatalf("column %d, row %d: smear is %g electrons, want %g", x+1, y+1, got, want)
						}
					}
				})
			}
		}
	}
}

// Masked rows, at either end, collect row_s times the light of all image rows,
// and dark current. Means over all of them: limits are 5 standard errors.
func TestMaskedRowsHoldTheLightOfTheWholeColumn(t *testing.T) {
	for _, rows := range [][2]int{{91, 96}, {1, 2}} {
		for _, toward := range []string{configs.FirstRow, configs.LastRow} {
			t.Run(fmt.Sprintf("rows %v, toward %s", rows, toward), func(t *testing.T) {
				p := uncompanded(smearCamera(configs.Smear{Toward: toward, When: configs.ShiftBoth, MaskedRows: &rows}))
				opt := plain(15)
				opt.NoUnevenness, opt.NoDark = false, false
				s := mustNew(t, p, opt)
				radiance := Ramp(0.012)(128, 88)
				raw := mustExpose(t, s, Exposure{Band: "green", ExposureS: 1, WaitS: 2, Radiance: radiance})
				flat := Trim(s, s.flats["green"])
				for half, a := range p.Detectors[0].Amplifiers {
					var got, want, variance float64
					n := 0
					for x := range 128 {
						if (x+8)/72 != half {
							continue
						}
						var column float64
						for y := range 88 {
							column += 1e-3 * float64(flat[y*128+x]) * 2e6 * float64(radiance[y*128+x])
						}
						for y := rows[0] - 1; y < rows[1]; y++ {
							charge := column + 3*float64(s.Dark[y*144+x+8])
							got += float64(raw.Samples[y*144+x+8]) - a.OffsetDN
							want += charge / a.GainEPerDN
							variance += (charge+a.ReadNoiseE*a.ReadNoiseE)/(a.GainEPerDN*a.GainEPerDN) + 1.0/12
							n++
						}
					}
					if limit := 5 * math.Sqrt(variance); math.Abs(got-want) > limit {
						t.Errorf("amplifier %s: %d masked samples hold %.1f DN, want %.1f within %.1f", a.Name, n, got, want, limit)
					}
				}
			})
		}
	}
}

func TestMaskedRowsHaveDarkCurrentAndOthersHaveNone(t *testing.T) {
	p := smearCamera(configs.Smear{Toward: configs.FirstRow, When: configs.ShiftBoth, MaskedRows: &[2]int{91, 94}})
	s := mustNew(t, p, Options{Seed: 16})
	for i, dark := range s.Dark {
		x, y := i%144, i/144
		lit := x >= 8 && x < 136 && y >= 2 && y < 94
		if lit != (dark > 0) {
			t.Fatalf("column %d, row %d has dark current %g e-/s", x+1, y+1, dark)
		}
	}
}

// Masked rows are hit by cosmic rays as the image is. Of 5e-4 hits per pixel
// and second, 400 s and 768 pixels, each hit leaves 1 to 6 pixels with at
// least 16 electrons; the limits of the number of hits are 5 sqrt(n).
func TestMaskedRowsAreHitByCosmicRays(t *testing.T) {
	p := uncompanded(smearCamera(configs.Smear{Toward: configs.FirstRow, When: configs.ShiftBoth, MaskedRows: &[2]int{91, 96}}))
	s := mustNew(t, p, noiseless(17))
	touched := 0
	const frames, rate, exposureS = 40, 5e-4, 10
	for index := range uint64(frames) {
		raw := mustExpose(t, s, Exposure{ExposureS: exposureS, CosmicRate: rate, Index: index})
		for y := 90; y < 96; y++ {
			for x := 8; x < 136; x++ {
				if float64(raw.Samples[y*144+x]) > s.Amplifiers[x/72].OffsetDN+3 {
					touched++
				}
			}
		}
	}
	hits := rate * 768 * exposureS * frames
	if low, high := hits-5*math.Sqrt(hits), 3.5*(hits+5*math.Sqrt(hits)); float64(touched) < low || float64(touched) > high {
		t.Errorf("%d masked samples were hit, want %.0f to %.0f", touched, low, high)
	}
}

func TestSmearCanBeSwitchedOff(t *testing.T) {
	m := configs.Smear{Toward: configs.FirstRow, When: configs.ShiftAfter}
	opt := Options{Seed: 18, NoSmear: true}
	e := Exposure{Band: "green", ExposureS: 0.5, LampRate: 20000}
	without := mustExpose(t, mustNew(t, smearCamera(m), opt), e)
	plainCamera := smearCamera(m)
	plainCamera.Detectors[0].Smear = nil
	never := mustExpose(t, mustNew(t, plainCamera, opt), e)
	if !slices.Equal(without.Samples, never.Samples) || without.Truth.Smear != nil {
		t.Error("a camera whose smear is switched off is not like one without smear")
	}
	opt.NoSmear = false
	if with := mustExpose(t, mustNew(t, smearCamera(m), opt), e); slices.Equal(with.Samples, without.Samples) {
		t.Error("smear makes no difference")
	}
}

func TestImpossibleSmearIsRefused(t *testing.T) {
	for name, m := range map[string]configs.Smear{
		"toward nowhere":             {When: configs.ShiftAfter},
		"at no time":                 {Toward: configs.FirstRow},
		"masked rows in the image":   {Toward: configs.FirstRow, When: configs.ShiftBoth, MaskedRows: &[2]int{90, 92}},
		"masked rows outside":        {Toward: configs.FirstRow, When: configs.ShiftBoth, MaskedRows: &[2]int{95, 97}},
		"masked rows that pass half": {Toward: configs.FirstRow, When: configs.ShiftAfter, MaskedRows: &[2]int{91, 92}},
	} {
		if _, err := New(smearCamera(m), "main", Options{}); err == nil || !strings.Contains(err.Error(), "smear") {
			t.Errorf("%s: error %v", name, err)
		}
	}
}
