package calib

import (
	"fmt"
	"math"
	"slices"
	"testing"
)

// zonesOf is a grid whose curves are f at the middles of the zones.
func zonesOf(width, height, columns, rows int, f func(x, y float64) Polynomial) *ZoneCurves {
	z := &ZoneCurves{Width: width, Height: height, Columns: columns, Rows: rows}
	for j := range rows {
		for i := range columns {
			z.Curves = append(z.Curves, f(middle(i, columns, width), middle(j, rows, height)))
			z.MaxDN = append(z.MaxDN, 0)
		}
	}
	return z
}

// middle is the place of a zone's middle, pixels.
func middle(zone, zones, pixels int) float64 {
	return (float64(zone)+0.5)*float64(pixels)/float64(zones) - 0.5
}

// carried is the place at which a linear variation is met: the pixel's own, or
// the middle where one zone knows of no variation.
func carried(x float64, zones, pixels int) float64 {
	if zones == 1 {
		return middle(0, 1, pixels)
	}
	return x
}

// grids are images and their zones, divided evenly or not.
var grids = []struct{ width, height, columns, rows int }{{12, 8, 3, 2}, {13, 7, 4, 3}, {10, 10, 1, 1}, {9, 5, 1, 5}, {6, 6, 6, 6}, {416, 416, 6, 6}}

// A curve whose coefficients are a + b x + c y + d x y is met exactly between
// the middles and beyond the outer ones.
func TestZonesGiveALinearVariationExactly(t *testing.T) {
	f := func(x, y float64) Polynomial {
		return Polynomial{1e-4 + 2e-6*x - 3e-6*y + 5e-8*x*y, 1e-7 - 4e-9*x + 1e-9*y}
	}
	for _, g := range grids {
		t.Run(fmt.Sprintf("%d x %d in %d x %d", g.width, g.height, g.columns, g.rows), func(t *testing.T) {
			z := zonesOf(g.width, g.height, g.columns, g.rows, f)
			room := make(Polynomial, 4)
			for y := range g.height {
				for x := range g.width {
					got := z.At(x, y, room)
					want := f(carried(float64(x), g.columns, g.width), carried(float64(y), g.rows, g.height))
					for i := range want {
						within(t, fmt.Sprintf("c%d at column %d row %d", i+2, x, y), got[i], want[i], 1e-11*1e-4)
					}
					if len(got) != len(want) {
						t.Fatalf("%d coefficients, want %d", len(got), len(want))
					}
				}
			}
		})
	}
}

// Between neighbouring pixels the curve changes by no more than the steepest
// slope between neighbouring middles, as far as these reach; beyond, it goes on
// by the step before.
func TestZonesAreContinuous(t *testing.T) {
	const width, height, columns, rows = 60, 40, 5, 4
	rng := newRand(700)
	z := zonesOf(width, height, columns, rows, func(float64, float64) Polynomial { return Polynomial{rng.Float64()} })
	acrossX, acrossY := 0.0, 0.0
	for j := range rows {
		for i := range columns {
			if i > 0 {
				acrossX = max(acrossX, math.Abs(z.Curves[j*columns+i][0]-z.Curves[j*columns+i-1][0]))
			}
			if j > 0 {
				acrossY = max(acrossY, math.Abs(z.Curves[j*columns+i][0]-z.Curves[(j-1)*columns+i][0]))
			}
		}
	}
	at := func(x, y int) float64 { return z.At(x, y, make(Polynomial, 4))[0] }
	for y := range height {
		for x := range width {
			insideX := float64(x-1) >= middle(0, columns, width) && float64(x) <= middle(columns-1, columns, width)
			insideY := float64(y-1) >= middle(0, rows, height) && float64(y) <= middle(rows-1, rows, height)
			switch {
			case insideX && insideY:
				within(t, fmt.Sprintf("step to column %d row %d", x, y), at(x, y), at(x-1, y), acrossX*columns/width+1e-12)
				within(t, fmt.Sprintf("step to row %d column %d", y, x), at(x, y), at(x, y-1), acrossY*rows/height+1e-12)
			case x > 1 && float64(x-2) >= middle(columns-1, columns, width):
				within(t, fmt.Sprintf("column %d row %d", x, y), at(x, y), 2*at(x-1, y)-at(x-2, y), 1e-12)
			}
		}
	}
}

// A pixel's zone is the one whose middle is nearest; the half of a pixel on a
// border that is no whole number decides nothing.
func TestZoneOfAPixel(t *testing.T) {
	for _, g := range grids {
		z := &ZoneCurves{Width: g.width, Height: g.height, Columns: g.columns, Rows: g.rows}
		for y := range g.height {
			for x := range g.width {
				zone := z.Zone(x, y)
				dx := math.Abs(float64(x) - middle(zone%g.columns, g.columns, g.width))
				dy := math.Abs(float64(y) - middle(zone/g.columns, g.rows, g.height))
				if dx > float64(g.width)/float64(g.columns)/2+0.5 || dy > float64(g.height)/float64(g.rows)/2+0.5 {
					t.Fatalf("%+v: column %d row %d is in zone %d, whose middle is %g columns and %g rows away", g, x, y, zone, dx, dy)
				}
			}
		}
	}
}

func TestMeanOfZones(t *testing.T) {
	z := &ZoneCurves{Width: 4, Height: 4, Columns: 2, Rows: 1, Curves: []Polynomial{{1, 5}, {2, -1}}}
	if got := z.Mean(); !slices.Equal(got, Polynomial{1.5, 2}) {
		t.Errorf("mean %v, want 1.5 and 2", got)
	}
}

// v becomes v + c2 v^2 + c3 v^3 with the pixel's own coefficients, and its
// variance is multiplied by (1 + 2 c2 v + 3 c3 v^2)^2.
func TestZoneLinearityStraightensEachPixel(t *testing.T) {
	const width, height = 24, 18
	c2 := func(x, y float64) float64 { return 1e-4 + 3e-6*carried(x, 3, width) }
	c3 := func(x, y float64) float64 { return 2e-8 * carried(y, 2, height) }
	z := zonesOf(width, height, 3, 2, func(x, y float64) Polynomial { return Polynomial{c2(x, y), c3(x, y)} })
	s := ZoneLinearityStage{z}
	for y := range height {
		r := wholeRow(make([]float32, width)...)
		r.Y = y
		for x := range r.V {
			r.V[x], r.Var[x] = float32(-20+40*x), 4
		}
		s.Apply(r)
		for x := range r.V {
			v, a, b := float64(-20+40*x), c2(float64(x), float64(y)), c3(float64(x), float64(y))
			value := v + a*v*v + b*v*v*v
			slope := 1 + 2*a*v + 3*b*v*v
			within(t, fmt.Sprintf("value at column %d row %d", x, y), float64(r.V[x]), value, 1e-6*math.Abs(value)+1e-6)
			within(t, fmt.Sprintf("variance at column %d row %d", x, y), float64(r.Var[x]), 4*slope*slope, 1e-6*4*slope*slope)
			if r.Flags[x] != 0 {
				t.Errorf("column %d row %d is %v without a limit", x, y, r.Flags[x])
			}
		}
	}
}

// Each zone's curve holds up to its own level; 0 is no limit, and a level
// that is reached is still measured.
func TestZoneLinearityFlagsBeyondItsOwnRange(t *testing.T) {
	z := zonesOf(8, 4, 2, 2, func(float64, float64) Polynomial { return Polynomial{0} })
	z.MaxDN = []float64{100, 200, 0, 50}
	for y := range 4 {
		for _, v := range []float32{50, 51, 100, 101, 200, 201, 1e5} {
			r := wholeRow(v, v, v, v, v, v, v, v)
			r.Y = y
			ZoneLinearityStage{z}.Apply(r)
			for x, flags := range r.Flags {
				limit := []float32{100, 200, 0, 50}[y/2*2+x/4]
				want := Flags(0)
				if limit > 0 && v > limit {
					want = BeyondRange
				}
				if flags != want {
					t.Errorf("%g DN at column %d row %d is %v, want %v", v, x, y, flags, want)
				}
			}
		}
	}
}

// Where all zones have one curve, they are as one amplifier with it.
func TestAlikeZonesAreOneCurve(t *testing.T) {
	curve := Polynomial{3e-5, -2e-9, 1e-13}
	z := zonesOf(30, 20, 3, 4, func(float64, float64) Polynomial { return curve })
	for i := range z.MaxDN {
		z.MaxDN[i] = 700
	}
	one := LinearityStage{[]Polynomial{curve}, []float64{700}}
	for y := range 20 {
		a, b := wholeRow(make([]float32, 30)...), wholeRow(make([]float32, 30)...)
		a.Y, b.Y = y, y
		for x := range a.V {
			a.V[x], b.V[x], a.Var[x], b.Var[x] = float32(31*x), float32(31*x), 2, 2
		}
		ZoneLinearityStage{z}.Apply(a)
		one.Apply(b)
		for x := range a.V {
			within(t, "value", float64(a.V[x]), float64(b.V[x]), 2e-7*float64(b.V[x]))
			within(t, "variance", float64(a.Var[x]), float64(b.Var[x]), 1e-6*float64(b.Var[x]))
		}
		if !slices.Equal(a.Flags, b.Flags) {
			t.Errorf("row %d: flags %v, want %v", y, a.Flags, b.Flags)
		}
	}
}

func TestZoneLinearityTellsItsCurves(t *testing.T) {
	z := &ZoneCurves{Width: 4, Height: 4, Columns: 2, Rows: 1, Curves: []Polynomial{{1, 5}, {2, -1}}, MaxDN: []float64{700, 600}}
	want := []Setting{{"zones", "2x1"}, {"mean_c2", "1.5"}, {"mean_c3", "2"}, {"least_max_dn", "600"}}
	if got := (ZoneLinearityStage{z}).Settings(); !slices.Equal(got, want) {
		t.Errorf("settings %v, want %v", got, want)
	}
}

// Curves that bend by d from zone to zone at their highest level are off by up
// to d/8 between the middles, and their means by d/24; zones at the edge have
// no second difference and do not count.
func TestZonesOwnUpToWhatTheyInterpolate(t *testing.T) {
	const width, bend, top = 100, 1e-6, 500.0
	for _, c := range []struct {
		columns, rows int
		alongX        bool
		want          float64
	}{
		{5, 1, true, bend * top / 6}, {10, 1, true, bend * top / 6}, {5, 5, true, bend * top / 6},
		{1, 5, false, bend * top / 6}, {2, 1, true, 0}, {1, 1, true, 0},
	} {
		z := zonesOf(width, width, c.columns, c.rows, func(x, y float64) Polynomial {
			u := x * float64(c.columns) / width // in zones
			if !c.alongX {
				u = y * float64(c.rows) / width
			}
			return Polynomial{bend * u * u / 2}
		})
		for i := range z.MaxDN {
			z.MaxDN[i] = top
		}
		within(t, fmt.Sprintf("uncertainty of %d x %d zones", c.columns, c.rows), z.Uncertainty(), c.want, 1e-9*bend*top)
	}
}
