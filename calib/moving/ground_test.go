package moving_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"evenlight/calib"
	"evenlight/calib/moving"
	"evenlight/configs"
	"evenlight/pipeline/simulate"
)

// view is what a camera with a filter wheel sees of the invented ground, with
// the electrons that a white surface gives and the bands of an invented camera.
type view struct {
	wavelengths []float64 // nm
	stepS       float64   // from band to band
}

var (
	quillon = view{[]float64{425, 550, 660, 880}, 35.3}
	oxlip   = view{[]float64{450, 550, 640}, 35.0}
)

// Figures of the views.
const (
	side      = 256
	whiteE    = 40000.0 // electrons of a white surface, so that the ground's noise is 0.8 %
	readE     = 12.0
	hitsPerPx = 1e-4 // hits of cosmic rays, per pixel and band
	alignPx   = 0.03
)

// dust is a cloud before the ground: sigma, opacity, reflectance in all bands
// and way per second are those that the simulated campaigns show.
type dust struct{ x, y, sigma, opacity, reflectance, vx, vy float64 }

var drifting = dust{x: 105, y: 140, sigma: 10.24, opacity: 0.3, reflectance: 0.7, vx: 0.24, vy: -0.11}

// at returns where the cloud is after a time.
func (d *dust) at(s float64) (x, y float64) { return d.x + d.vx*s, d.y + d.vy*s }

// over covers a scene.
func (d *dust) over(scene []float32, s float64) {
	cx, cy := d.at(s)
	for i := range scene {
		dx, dy := float64(i%side)-cx, float64(i/side)-cy
		cover := d.opacity * math.Exp(-(dx*dx+dy*dy)/(2*d.sigma*d.sigma))
		scene[i] = float32((1-cover)*float64(scene[i]) + cover*d.reflectance)
	}
}

// expose returns the bands in reflectance, and their times. They stand where
// their alignment leaves them, up to its uncertainty off.
func (v view) expose(seed uint64, cloud *dust) (bands []*calib.Raster, times []float64) {
	rng := rand.New(rand.NewPCG(seed, 23))
	var about []configs.Band
	var whites []float64
	for _, nm := range v.wavelengths {
		about, whites = append(about, configs.Band{WavelengthNM: nm}), append(whites, 1)
	}
	ground := simulate.NewGround(seed, about, whites)
	for b := range v.wavelengths {
		times = append(times, v.stepS*float64(b))
		off := func() float64 { return alignPx * (2*rng.Float64() - 1) }
		scene := ground.Window(off(), off(), side, side)[b]
		if cloud != nil {
			cloud.over(scene, times[b])
		}
		bands = append(bands, detect(rng, scene))
	}
	return bands, times
}

// detect counts electrons, those of cosmic rays among them, and turns them
// back into reflectance.
func detect(rng *rand.Rand, scene []float32) *calib.Raster {
	electrons := make([]float64, len(scene))
	for i, v := range scene {
		electrons[i] = float64(v) * whiteE
	}
	for range int(hitsPerPx * float64(len(scene))) {
		hit(rng, electrons)
	}
	r := calib.NewRaster(side, side)
	for i, e := range electrons {
		variance := e + readE*readE
		r.Value[i] = float32((e + math.Sqrt(variance)*rng.NormFloat64()) / whiteE)
		r.Variance[i] = float32(variance / (whiteE * whiteE))
	}
	return r
}

// hit leaves the track of a cosmic ray: 1 to 6 pixels that share 100 to 8000
// electrons, evenly over the logarithm.
func hit(rng *rand.Rand, electrons []float64) {
	length := 1 + rng.IntN(6)
	x, y := side*rng.Float64(), side*rng.Float64()
	sin, cos := math.Sincos(2 * math.Pi * rng.Float64())
	share := 100 * math.Pow(80, rng.Float64()) / float64(length)
	for range length {
		if x < 0 || y < 0 || x >= side || y >= side {
			return
		}
		electrons[int(y)*side+int(x)] += share
		x, y = x+cos, y+sin
	}
}

// cameras are the views of the tests.
var cameras = []struct {
	name string
	view view
}{{"quillon", quillon}, {"oxlip", oxlip}}

// seeds is the number of seeds that are drawn: one in a short run.
func seeds() uint64 {
	if testing.Short() {
		return 1
	}
	return 10
}

// mostMissed is how many of n may fail if the true rate is 5 %, so that this
// happens by chance once in a hundred times.
func mostMissed(n uint64) int {
	sum, term := 0.0, math.Pow(0.95, float64(n))
	for k := 0; ; k++ {
		if sum += term; sum >= 0.99 {
			return k
		}
		term *= float64(int(n)-k) / float64(k+1) * 0.05 / 0.95
	}
}

// A cloud of dust drifts before ground of many colours. It is grey and the
// ground is not, so its contrast differs from band to band, by a factor of
// four and more, and with the ground behind it.
func TestCloudBeforeColouredGroundIsFound(t *testing.T) {
	for _, c := range cameras {
		t.Run(c.name, func(t *testing.T) {
			n := seeds()
			missed, found, square, count := 0, 0.0, 0.0, 0.0
			for seed := range n {
				bands, times := c.view.expose(seed, &drifting)
				movers, err := moving.Find(bands, times, moving.Options{AlignSigmaPx: alignPx}, 2)
				if err != nil {
					t.Fatal(err)
				}
				if len(movers) != 1 || !drifting.isAt(movers[0].Positions, times) {
					missed++
					t.Logf("seed %d: %d movers, not the one cloud", seed, len(movers))
					continue
				}
				found++
				for b, p := range movers[0].Positions {
					x, y := drifting.at(times[b])
					square += (p.X-x)*(p.X-x)/(p.SigmaX*p.SigmaX) + (p.Y-y)*(p.Y-y)/(p.SigmaY*p.SigmaY)
					count += 2
				}
				t.Logf("seed %d: %.0f sigma, contrasts %.2f, explained %.3f", seed, movers[0].Significance, movers[0].BandContrast, movers[0].Explained)
			}
			pull := math.Sqrt(square / count)
			t.Logf("missed %d of %d; root mean square pull of the places %.2f", missed, n, pull)
			// The places of one cloud go together, so the number of clouds
			// counts. Uncertainties that the ground's scatter makes too large
			// are allowed.
			if !(pull < 1+4/math.Sqrt(2*found)) {
				t.Errorf("root mean square pull of the places %.2f", pull)
			}
			if missed > mostMissed(n) {
				t.Errorf("missed %d of %d", missed, n)
			}
		})
	}
}

// isAt tells whether a mover stands within half a sigma of the cloud in all
// bands.
func (d *dust) isAt(at []moving.Position, times []float64) bool {
	for b, p := range at {
		if x, y := d.at(times[b]); math.Hypot(p.X-x, p.Y-y) > d.sigma/2 {
			return false
		}
	}
	return true
}

// The same ground without a cloud, with hits of cosmic rays that nobody has
// flagged.
func TestGroundWithHitsHoldsNoMover(t *testing.T) {
	for _, c := range cameras {
		t.Run(c.name, func(t *testing.T) {
			n := seeds()
			alarms := 0
			for seed := range n {
				bands, times := c.view.expose(seed, nil)
				movers, err := moving.Find(bands, times, moving.Options{AlignSigmaPx: alignPx}, 2)
				if err != nil {
					t.Fatal(err)
				}
				if len(movers) > 0 {
					alarms++
					m := movers[0]
					t.Logf("seed %d: %.1f sigma, size %.1f, contrasts %.3f at %.1f", seed, m.Significance, m.SizePx, m.BandContrast, m.Positions)
				}
			}
			if alarms > mostMissed(n) {
				t.Errorf("%d false alarms in %d", alarms, n)
			}
		})
	}
}
