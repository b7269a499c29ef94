package align

import (
	"fmt"
	"math"
	"testing"

	"evenlight/calib"
	"evenlight/configs"
	"evenlight/pipeline/simulate"
)

// colouredScene returns the radiance of bands over a square whose corner is
// at x, y; a white surface has 1.
type colouredScene func(x, y float64, size int) []*calib.Raster

// simulatedGround is land whose colour differs from place to place, with pits
// that have none: colour adds to the shading.
func simulatedGround(seed uint64, nm []float64) colouredScene {
	bands, whites := make([]configs.Band, len(nm)), make([]float64, len(nm))
	for i := range nm {
		bands[i].WavelengthNM, whites[i] = nm[i], 1
	}
	ground := simulate.NewGround(seed, bands, whites)
	return func(x, y float64, size int) []*calib.Raster {
		var out []*calib.Raster
		for _, radiance := range ground.Window(x, y, size, size) {
			r := calib.NewRaster(size, size)
			copy(r.Value, radiance)
			out = append(out, r)
		}
		return out
	}
}

// simulatedMoon is a half-lit disc before dark sky, which takes up most of a
// frame and is displaced by whole pixels only: its limb and the rims of its
// craters are sharp.
func simulatedMoon(seed uint64, nm []float64) colouredScene {
	return func(x, y float64, size int) []*calib.Raster {
		const margin = 4 // px
		var out []*calib.Raster
		for _, wavelength := range nm {
			wide := size + 2*margin
			radiance := simulate.Tessaly(seed, configs.Band{WavelengthNM: wavelength}, 1)(wide, wide)
			r := calib.NewRaster(size, size)
			for v := range size {
				from := (v+margin+int(y))*wide + margin + int(x)
				copy(r.Value[v*size:(v+1)*size], radiance[from:])
			}
			out = append(out, r)
		}
		return out
	}
}

// shadedLand is land whose albedo and colour vary in patches of 12 to 50 px,
// times the shading of blobs of the given widths: colour multiplies it.
func shadedLand(seed uint64, nm []float64, narrowest, widest float64) colouredScene {
	const most, margin = 512, 150.0 // px
	rng := newRand(seed)
	shade := ground(seed, most, most)
	for i := range shade {
		shade[i].sigma = narrowest + (widest-narrowest)*rng.Float64()
		shade[i].height /= 600
	}
	between := func(low, high float64) float64 { return low + (high-low)*rng.Float64() }
	var albedo, tint []blob
	for range 80 { // one on a square of 90 px
		b := blob{between(-margin, most+margin), between(-margin, most+margin), between(12, 50), between(-0.22, 0.22)}
		albedo = append(albedo, b)
		b.height = between(-0.4, 0.4)
		tint = append(tint, b)
	}
	return func(x, y float64, size int) []*calib.Raster {
		a, t, s := render(albedo, size, size, 1, -x, -y), render(tint, size, size, 0, -x, -y), render(shade, size, size, 1, -x, -y)
		var out []*calib.Raster
		for _, wavelength := range nm {
			colour := float32((wavelength - 600) / 600)
			r := calib.NewRaster(size, size)
			for i := range r.Value {
				r.Value[i] = 0.4 * max(0.05, (a.Value[i]+colour*t.Value[i])*s.Value[i])
			}
			out = append(out, r)
		}
		return out
	}
}

// exposed returns a frame of a radiance: electrons with shot and read noise.
func exposed(radiance *calib.Raster, whiteE float64, seed uint64) *calib.Raster {
	const readE = 9
	rng := newRand(seed)
	out := calib.NewRaster(radiance.Width, radiance.Height)
	for i, v := range radiance.Value {
		mean := whiteE * float64(v)
		variance := mean + readE*readE
		out.Value[i] = float32(mean + math.Sqrt(variance)*rng.NormFloat64())
		out.Variance[i] = float32(variance)
	}
	return out
}

// Colour has a price: less of the texture can be used. Where contrast and
// offset are free for whole tiles only, the pulls of the first case scatter by
// 1.7 and the price is twelve.
func TestColouredGroundIsAlignedHonestly(t *testing.T) {
	fourBands, threeBands := []float64{880, 425, 550, 660}, []float64{640, 450, 550}
	part, whole := vector{1.37, -2.61}, vector{2, -3}
	fine := func(seed uint64, nm []float64) colouredScene { return shadedLand(seed, nm, 1.2, 4) }
	broad := func(seed uint64, nm []float64) colouredScene { return shadedLand(seed, nm, 4, 6) }
	for _, c := range []struct {
		name   string
		scene  func(seed uint64, nm []float64) colouredScene
		nm     []float64 // the first is the reference
		size   int
		shift  vector
		whiteE float64
		price  float64 // the most that colour may cost: ratio of uncertainties
	}{
		{"simulated ground, 425 to 880 nm", simulatedGround, fourBands, 512, part, 33000, 3},
		{"simulated ground, 450 to 640 nm", simulatedGround, threeBands, 512, part, 33000, 3},
		{"small frame", simulatedGround, fourBands, 128, part, 33000, 3},
		{"little light", simulatedGround, fourBands, 256, part, 1000, 3},
		{"shaded land", fine, fourBands, 256, part, 33000, 3},
		{"simulated moon", simulatedMoon, fourBands, 512, whole, 26000, 3},
		{"simulated small moon", simulatedMoon, fourBands, 256, whole, 26000, 3},
		// Broad shading can less be told from patches of colour. For whole
		// tiles the price is 13.
		{"broadly shaded land", broad, fourBands, 256, part, 33000, 8},
	} {
		t.Run(c.name, func(t *testing.T) {
			if testing.Short() && c.size > 256 {
				t.Skip("takes seconds")
			}
			t.Parallel()
			seeds := uint64(repeats(16))
			d := c.shift
			bands := make([]pulls, len(c.nm))
			paid := make([]float64, len(c.nm)) // sum of squared ratios of uncertainties
			for seed := range seeds {
				scene := c.scene(seed+1, c.nm)
				still, moved := scene(0, 0, c.size), scene(-d.x, -d.y, c.size)
				var frames []*calib.Raster
				for i, r := range moved {
					frames = append(frames, exposed(r, c.whiteE, 100*seed+uint64(i)+1))
				}
				shifts, errs := FindAll(exposed(still[0], c.whiteE, 100*seed), frames, Options{})
				for i, s := range shifts {
					if errs[i] != nil {
						t.Fatalf("seed %d, %g nm: %v", seed, c.nm[i], errs[i])
					}
					bands[i].add((s.DX - d.x) / s.SigmaX)
					bands[i].add((s.DY - d.y) / s.SigmaY)
					paid[i] += (s.SigmaX*s.SigmaX + s.SigmaY*s.SigmaY) / (shifts[0].SigmaX*shifts[0].SigmaX + shifts[0].SigmaY*shifts[0].SigmaY)
				}
			}
			for i, p := range bands {
				// Four standard errors, beyond one above and, as the smallest
				// squares come with too much uncertainty, beyond 1/1.4 below.
				tolerance := 4 / math.Sqrt(2*float64(p.n))
				if sd := p.sd(); sd > 1+tolerance || sd < (1-tolerance)/1.4 {
					t.Errorf("%g nm: pulls scatter by %.2f, want %.2f to %.2f", c.nm[i], sd, (1-tolerance)/1.4, 1+tolerance)
				}
				price := math.Sqrt(paid[i] / float64(seeds))
				if price > c.price {
					t.Errorf("%g nm: uncertain %.1f times as much as %g nm, want at most %g", c.nm[i], price, c.nm[0], c.price)
				}
				t.Logf("%g nm to %g nm: pulls scatter by %.2f, price of colour %.2f", c.nm[i], c.nm[0], p.sd(), price)
			}
		})
	}
}

func TestWithoutColourContrastIsFreeByTileOnly(t *testing.T) {
	for _, c := range []struct{ size, cell int }{{64, 16}, {128, 16}, {256, 32}, {512, 64}} {
		t.Run(fmt.Sprint(c.size), func(t *testing.T) {
			scene, rng := ground(6, c.size, c.size), newRand(4)
			for i := range scene {
				scene[i].sigma = 3 // px
			}
			a, b := render(scene, c.size, c.size, 1000, 0, 0), render(scene, c.size, c.size, 1000, 1.3, 0.4)
			s, err := Find(noisy(a, 5, rng), noisy(recast(b, 0.6, 50), 5, rng), Options{})
			if err != nil {
				t.Fatal(err)
			}
			if s.Cell != c.cell {
				t.Errorf("contrast is free in squares of %d px, want the tiles of %d px", s.Cell, c.cell)
			}
		})
	}
}

func TestCellsOfATileAddUp(t *testing.T) {
	c := newCells(grid{scale: 1, width: 70, height: 33}, 32) // 3 x 2 tiles
	for i := range c.sums {
		c.sums[i].n = float64(i)
	}
	levels := c.levels()
	if len(levels) != 4 {
		t.Fatalf("%d levels, want sides of 32, 16, 8 and 4", len(levels))
	}
	for l, side := range []int{32, 16, 8, 4} {
		level := levels[l]
		if level.side != side || level.perTile != 32/side || level.across != 3*32/side || level.down != 2*32/side {
			t.Errorf("level %d: %d x %d cells of %d points, %d along a tile", l, level.across, level.down, level.side, level.perTile)
		}
		// The tile in the second column of the second row: cells 8 to 15 of
		// the rows 8 to 15 of 24.
		sum, want := 0.0, 0.0
		for _, s := range level.within(nil, 1, 1) {
			sum += s.n
		}
		for y := 8; y < 16; y++ {
			for x := 8; x < 16; x++ {
				want += float64(24*y + x)
			}
		}
		if sum != want {
			t.Errorf("cells of %d: the tile has %g points, want %g", side, sum, want)
		}
	}
}
