package simulate

import (
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/stat/distuv"
)

// addCosmicRays leaves the charge of cosmic rays in the frame: straight
// tracks of 1 to 6 pixels that share 100 to 8000 electrons, evenly over the
// logarithm. Masked rows are hit as the image is.
func (s *Sensor) addCosmicRays(f *frame) {
	if f.hitMean == 0 {
		return
	}
	f.raw.Truth.addTracks(newStream(s.Options.Seed, forCosmic, f.index, 0), f.hitMean)
	if f.maskedCosmic == nil {
		return
	}
	rows := Truth{Width: s.ImageWidth(), Height: s.masked.y1 - s.masked.y0, Cosmic: f.maskedCosmic}
	share := float64(s.masked.pixels()) / float64(s.image.pixels())
	rows.addTracks(newStream(s.Options.Seed, forMaskedCosmic, f.index, 0), f.hitMean*share)
}

// addTracks leaves a Poisson number of tracks.
func (t *Truth) addTracks(stream *rand.PCG, mean float64) {
	r := rand.New(stream)
	for range int(distuv.Poisson{Lambda: mean, Src: stream}.Rand()) {
		t.addTrack(r)
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
