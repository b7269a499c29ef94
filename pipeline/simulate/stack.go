package simulate

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"evenlight/configs"
)

// Stack is the truth about a camera whose pixels are stacked photodiodes. Each
// layer is a sensor of its own with one response F_i for all light; it gathers
//
//	Q_i = F_i t sum_b M_ib K_b L_b + d_i h(T) (t + wait)   mean electrons
//
// It is not changed by use and may expose several frames at once.
type Stack struct {
	Profile *configs.Profile
	Layers  []*Sensor // in the order of the profile's stack
	Matrix  [][]float64

	lampShare []float64 // of the layer that gets most lamp light, by layer
}

// layerLight is the one band of a layer: light that has been turned into
// electrons a second.
const layerLight = "light"

// NewStack makes the layers of a stack, each with a seed of its own derived
// from opt.Seed (the first has opt.Seed). The error tells what in the profile
// cannot be simulated: what [New] names, a profile without a stack, a matrix
// of another shape than layers x bands, or layers of unlike size.
func NewStack(p *configs.Profile, opt Options) (*Stack, error) {
	if err := checkStack(p); err != nil {
		return nil, fmt.Errorf("simulating %s: %w", p.Instrument, err)
	}
	s := &Stack{Profile: p, Matrix: p.Stack.Matrix}
	// A layer is made as the sensor of a camera without colour.
	plain := *p
	plain.Stack = nil
	plain.Bands = []configs.Band{{Name: layerLight, Responsivity: 1}}
	for i, name := range p.Stack.Layers {
		own := opt
		own.Seed = seedOf(opt.Seed, i)
		layer, err := New(&plain, name, own)
		if err != nil {
			return nil, err
		}
		s.Layers = append(s.Layers, layer)
	}
	if err := s.checkSizes(); err != nil {
		return nil, fmt.Errorf("simulating %s: %w", p.Instrument, err)
	}
	s.lampShare = lampShares(p.Stack.Matrix)
	return s, nil
}

func checkStack(p *configs.Profile) error {
	if p.Stack == nil || len(p.Stack.Layers) == 0 {
		return errors.New("the profile has no stack; a camera of another kind is made with New or NewAll")
	}
	if len(p.Stack.Matrix) != len(p.Stack.Layers) {
		return fmt.Errorf("the stack's matrix has %d rows and there are %d layers; give each layer a row", len(p.Stack.Matrix), len(p.Stack.Layers))
	}
	for i, row := range p.Stack.Matrix {
		if len(row) != len(p.Bands) {
			return fmt.Errorf("row %d of the stack's matrix has %d values and there are %d bands; give each band a value", i+1, len(row), len(p.Bands))
		}
		for _, m := range row {
			if !(m >= 0) || math.IsInf(m, 1) {
				return fmt.Errorf("row %d of the stack's matrix holds %g; a layer gathers no negative charge", i+1, m)
			}
		}
	}
	return nil
}

func (s *Stack) checkSizes() error {
	first := s.Layers[0]
	for _, l := range s.Layers[1:] {
		if l.Detector.Width != first.Detector.Width || l.Detector.Height != first.Detector.Height || l.image != first.image {
			return fmt.Errorf("layers %s and %s are unlike in size or image region; all layers lie under the same pixels", first.Detector.Name, l.Detector.Name)
		}
	}
	return nil
}

// stackLampLight is the light of the lamp in a band, K_b L_b, relative to the
// first: a lamp behind a filter that nearly balances it, 5 percent less from
// band to band (invented).
func stackLampLight(band int) float64 { return math.Pow(0.95, float64(band)) }

// lampShares is the lamp light of each layer relative to the layer that gets
// most.
func lampShares(matrix [][]float64) []float64 {
	shares := make([]float64, len(matrix))
	for i, row := range matrix {
		for b, m := range row {
			shares[i] += m * stackLampLight(b)
		}
	}
	most := slices.Max(shares)
	for i := range shares {
		if most > 0 {
			shares[i] /= most
		}
	}
	return shares
}

// Flat returns F_i of a layer over the raw frame, mean 1 over the good pixels
// of the reference region. The slice is the layer's own.
func (s *Stack) Flat(layer int) []float32 { return s.Layers[layer].flats[layerLight] }

// StackExposure says how one frame of a stack is taken.
type StackExposure struct {
	ExposureS float64 // t, s
	WaitS     float64 // s of dark charge after the exposure
	TempK     float64 // 0 is the profile's reference temperature
	// Radiance is L_b by band over the image region, row by row,
	// W m^-2 sr^-1 nm^-1; nil is no scene.
	Radiance [][]float32
	// LampRate is even light that falls besides the scene, in e-/s of a pixel
	// with F = 1 of the layer that gets most of it; the others get their
	// share by the lamp's spectrum and the matrix.
	LampRate   float64
	CosmicRate float64 // hits per pixel and second of exposure and wait, in each layer
	Index      uint64  // the frame's number; names the random streams
	Workers    int     // rows at a time, 1 if it is 0; the frame does not depend on it
}

// Expose takes a frame with every layer. In the truth of a layer, Electrons is
// t (sum_b M_ib K_b L_b + lamp); Radiance is 0, as a layer sees no band alone.
func (s *Stack) Expose(e StackExposure) ([]*Raw, error) {
	if err := s.checkExposure(&e); err != nil {
		return nil, fmt.Errorf("exposing frame %d of %s: %w", e.Index, s.Profile.Instrument, err)
	}
	raws := make([]*Raw, len(s.Layers))
	for i, layer := range s.Layers {
		raw, err := layer.Expose(Exposure{
			Band: layerLight, ExposureS: e.ExposureS, WaitS: e.WaitS, TempK: e.TempK,
			Radiance: s.layerRate(i, e.Radiance), LampRate: e.LampRate * s.lampShare[i],
			CosmicRate: e.CosmicRate, Index: e.Index, Workers: e.Workers,
		})
		if err != nil {
			return nil, err
		}
		clear(raw.Truth.Radiance)
		raws[i] = raw
	}
	return raws, nil
}

func (s *Stack) checkExposure(e *StackExposure) error {
	if e.Radiance == nil {
		return nil
	}
	if len(e.Radiance) != len(s.Profile.Bands) {
		return fmt.Errorf("the radiance has %d bands; the profile has %d", len(e.Radiance), len(s.Profile.Bands))
	}
	pixels := s.Layers[0].image.pixels()
	for b := range e.Radiance {
		if len(e.Radiance[b]) != pixels {
			return fmt.Errorf("the radiance of band %s has %d values; the image region has %d pixels", s.Profile.Bands[b].Name, len(e.Radiance[b]), pixels)
		}
	}
	return nil
}

// layerRate is the light of a layer, sum_b M_ib K_b L_b, e-/s at F = 1.
func (s *Stack) layerRate(layer int, radiance [][]float32) []float32 {
	if radiance == nil {
		return nil
	}
	rate := make([]float64, len(radiance[0]))
	for b, l := range radiance {
		share := s.Matrix[layer][b] * responsivity(s.Profile, s.Profile.Bands[b].Name)
		for i := range rate {
			rate[i] += share * float64(l[i])
		}
	}
	out := make([]float32, len(rate))
	for i, r := range rate {
		out[i] = float32(r)
	}
	return out
}
