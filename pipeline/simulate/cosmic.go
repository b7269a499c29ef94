package simulate

import (
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/stat/distuv"
)

// addCosmicRays leaves the charge of cosmic rays in the frame: straight
// tracks of 1 to 6 pixels that share 100 to 8000 electrons, evenly over the
// logarithm.
func (s *Sensor) addCosmicRays(f *frame) {
	if f.hitMean == 0 {
		return
	}
	stream := newStream(s.Options.Seed, forCosmic, f.index, 0)
	r := rand.New(stream)
	hits := int(distuv.Poisson{Lambda: f.hitMean, Src: stream}.Rand())
	for range hits {
		f.raw.Truth.addTrack(r)
	}
}

func (t *Truth) addTrack(r *rand.Rand) {
	length := 1 + r.IntN(6)
	x, y := between(r, 0, float64(t.Width)), between(r, 0, float64(t.Height))
	sin, cos := math.Sincos(between(r, 0, 2*math.Pi))
	electrons := math.Exp(between(r, math.Log(100), math.Log(8000)))
	share := float32(math.Floor(electrons / float64(length)))
	for range length {
		if x < 0 || y < 0 || x >= float64(t.Width) || y >= float64(t.Height) {
			return
		}
		t.Cosmic[int(y)*t.Width+int(x)] += share
		x += cos
		y += sin
	}
}
