package simulate

import (
	"testing"

	"evenlight/configs"
)

// smallCamera is a camera of 2 x 72 columns and 96 rows with two outputs,
// overscan at both sides and one band.
func smallCamera() *configs.Profile {
	region := func(x0, x1, y0, y1 int) configs.Region {
		return configs.Region{Columns: [2]int{x0, x1}, Rows: [2]int{y0, y1}}
	}
	left, right := region(1, 8, 1, 96), region(137, 144, 1, 96)
	return &configs.Profile{
		Format: 1, Instrument: "quillon",
		Keywords: configs.Keywords{
			ExposureS:    configs.Quantity{Key: "EXPDUR", Unit: "ms"},
			TemperatureK: &configs.Quantity{Key: "FPATEMP", Unit: "degC"},
			Time:         configs.TimeKey{Key: "OBSTIME", Form: "iso8601"},
		},
		FrameKinds: []configs.KindRule{
			{Kind: configs.KindBias, When: []configs.KeyTest{{Key: "OBSTYPE", Equals: "ZERO"}}},
			{Kind: configs.KindScene, When: []configs.KeyTest{{Key: "OBSTYPE", OneOf: []string{"IMAGE", "PICTURE"}}}},
		},
		Detectors: []configs.Detector{{
			Name: "main", Width: 144, Height: 96, ADCBits: 14,
			Image:     region(9, 136, 1, 96),
			Reference: region(41, 104, 25, 72),
			Amplifiers: []configs.Amplifier{
				{Name: "left", Region: region(1, 72, 1, 96), Overscan: &left, GainEPerDN: 2.1, ReadNoiseE: 7.5, OffsetDN: 310},
				{Name: "right", Region: region(73, 144, 1, 96), Overscan: &right, GainEPerDN: 2.2, ReadNoiseE: 8.2, OffsetDN: 325},
			},
			Offset:     configs.Offset{From: configs.OffsetOverscan, SmoothRows: 15, RejectSigma: 4},
			Saturation: configs.Saturation{FullWellE: 30000, MarginSigma: 5},
			Linearity:  configs.Linearity{From: configs.LinearityLadder, Order: 3},
			Dark:       configs.Dark{ReferenceK: 263.15, Law: configs.DarkDoubling, IntervalK: 7.1},
		}},
		Bands:   []configs.Band{{Name: "green", WavelengthNM: 550, Responsivity: 2e6, SolarIrradiance: 1.9}},
		Masters: configs.Masters{MinFrames: 5},
	}
}

// plain switches every effect off but the noise.
func plain(seed uint64) Options {
	return Options{
		Seed: seed, NoPattern: true, NoDrift: true, NoDark: true, NoHot: true, NoUnstable: true, NoDead: true,
		NoLow: true, NoUnevenness: true, NoCurvature: true, NoBadLinearity: true,
	}
}

func mustNew(t testing.TB, p *configs.Profile, opt Options) *Sensor {
	t.Helper()
	s, err := New(p, p.Detectors[0].Name, opt)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func mustExpose(t testing.TB, s *Sensor, e Exposure) *Raw {
	t.Helper()
	raw, err := s.Expose(e)
	if err != nil {
		t.Fatal(err)
	}
	return raw
}
