package calib

import (
	"math"
	"slices"
	"testing"
)

// Four quarters of a frame with overscan on the left and on the right.
func quadrants() *Sensor {
	return &Sensor{
		Width: 20, Height: 10, Image: Region{4, 16, 1, 9}, CeilingDN: 65535, FillDN: math.NaN(),
		Amps: []Amplifier{
			{Name: "a", Region: Region{0, 9, 0, 6}, GainEPerDN: 1, ReadNoiseE: 1},
			{Name: "b", Region: Region{9, 20, 0, 6}, GainEPerDN: 2, ReadNoiseE: 1},
			{Name: "c", Region: Region{0, 9, 6, 10}, GainEPerDN: 3, ReadNoiseE: 1},
			{Name: "d", Region: Region{9, 20, 6, 10}, GainEPerDN: 4, ReadNoiseE: 1},
		},
	}
}

func TestSegmentsFollowTheAmplifiers(t *testing.T) {
	rows := quadrants().Segments()
	if len(rows) != 8 {
		t.Fatalf("%d rows, want 8", len(rows))
	}
	for y, got := range rows {
		want := []Segment{{0, 5, 0}, {5, 12, 1}}
		if y >= 5 {
			want = []Segment{{0, 5, 2}, {5, 12, 3}}
		}
		if !slices.Equal(got, want) {
			t.Errorf("row %d: %v, want %v", y, got, want)
		}
	}
}

func TestSegmentsOfRegionsThatDoNotTile(t *testing.T) {
	defer func() {
		if recover() == nil {
			t.Error("a gap between the amplifiers goes unnoticed")
		}
	}()
	s := quadrants()
	s.Amps = s.Amps[:3]
	s.Segments()
}

// A white Lambertian surface that faces the Sun at r au has the radiance
// E/(pi r^2) and the reflectance factor I/F = 1, by definition.
func TestLightOfAWhiteSurface(t *testing.T) {
	const responsivity, exposure, irradiance, sun = 2.5e6, 0.04, 1.83, 9.5
	radiance := irradiance / (math.Pi * sun * sun)
	electrons := responsivity * radiance * exposure
	for _, c := range []struct {
		name  string
		light Light
		want  float64
		unit  string
	}{
		{"electrons", ElectronLight(), electrons, "electron"},
		{"radiance", RadianceLight(responsivity, exposure), radiance, "W m-2 sr-1 nm-1"},
		{"reflectance", ReflectanceLight(responsivity, exposure, irradiance, sun), 1, ""},
	} {
		within(t, c.name, electrons*c.light.Scale, c.want, 1e-14*c.want)
		if c.light.Unit != c.unit {
			t.Errorf("%s: unit is %q, want %q", c.name, c.light.Unit, c.unit)
		}
		// The relative uncertainty does not change with the unit.
		r := wholeRow(float32(electrons))
		r.Var[0] = float32(electrons)
		LightStage{Light: c.light}.Apply(r)
		within(t, c.name+" of a row", float64(r.V[0]), c.want, 1e-6*c.want)
		within(t, c.name+" variance", float64(r.Var[0]), c.want*c.want/electrons, 1e-6*c.want*c.want/electrons)
	}
}

func TestSaturationLevelIsTheLowestLimit(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		name                      string
		levelDN, fullWell, offset float64
		curve                     Polynomial
		want                      float64
	}{
		{"converter alone", 0, 0, 300, nil, 4095},
		{"level of the profile", 3900, 0, 300, nil, 3900},
		{"level above the ceiling", 5000, 0, 300, nil, 4095},
		// (10000 - 4 * 20) / 4 = 2480 above offset.
		{"full well", 0, 10000, 300, nil, 2780},
		{"full well, rounded down", 0, 10000, 300.7, nil, 2780},
		{"full well beyond the converter", 0, 40000, 300, nil, 4095},
		// v + 1e-5 v^2 = 2480 has the root (sqrt(1 + 4e-5*2480) - 1) / 2e-5 = 2421.29.
		{"full well on the measured scale", 0, 10000, 300, Polynomial{1e-5}, 2721},
		// v - 1.2e-4 v^2 has no value above 2083. The caller must hear of it,
		// and not get a level at which nothing is ever saturated.
		{"a curve that never reaches full well", 0, 10000, 300, Polynomial{-1.2e-4}, nan},
		{"no offset known", 0, 10000, nan, nil, nan},
	} {
		s := plainSensor(1, 1)
		s.CeilingDN, s.LevelDN, s.FullWellE, s.MarginSigma = 4095, c.levelDN, c.fullWell, 4
		s.Amps[0].GainEPerDN, s.Amps[0].ReadNoiseE = 4, 20
		if got := s.SaturationLevel(0, c.offset, c.curve); got != c.want && !(math.IsNaN(got) && math.IsNaN(c.want)) {
			t.Errorf("%s: %g, want %g", c.name, got, c.want)
		}
	}
}
