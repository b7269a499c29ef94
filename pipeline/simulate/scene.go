package simulate

import (
	"math"
	"math/rand/v2"

	"evenlight/configs"
)

// A Scene paints the radiance L, W m^-2 sr^-1 nm^-1, of an image of the given
// size, row by row.
type Scene func(width, height int) []float32

// A BandScene paints the radiance of every band of a profile, in its order.
type BandScene func(width, height int) [][]float32

// EachBand is the scene that shows a scene of its own in every band.
func EachBand(scenes []Scene) BandScene {
	return func(width, height int) [][]float32 {
		out := make([][]float32, len(scenes))
		for b := range scenes {
			out[b] = scenes[b](width, height)
		}
		return out
	}
}

// rampSteps is the number of blocks along each side of a ramp scene.
const rampSteps = 16

// Ramp is a test scene of 256 even blocks from no light at all to peak. The
// levels rise with the square of the block's number, so that shot noise grows
// by even steps, and wind to and fro, so that neighbouring blocks are alike.
func Ramp(peak float64) Scene {
	return func(width, height int) []float32 {
		out := make([]float32, width*height)
		for y := range height {
			blockY := y * rampSteps / height
			for x := range width {
				out[y*width+x] = float32(peak * rampLevel(x*rampSteps/width, blockY))
			}
		}
		return out
	}
}

// rampLevel is the relative level of a block.
func rampLevel(blockX, blockY int) float64 {
	if blockY%2 == 1 {
		blockX = rampSteps - 1 - blockX
	}
	level := float64(blockY*rampSteps+blockX) / (rampSteps*rampSteps - 1)
	return level * level
}

// ColourRamp is a test scene of 256 even blocks of many colours. In each of n
// bands the square root of the level rises evenly from 0 to that of the band's
// peak across the image, in directions that lie 1/n of a turn apart.
func ColourRamp(peaks []float64) BandScene {
	scenes := make([]Scene, len(peaks))
	for b, peak := range peaks {
		sin, cos := math.Sincos(2 * math.Pi * float64(b) / float64(len(peaks)))
		scenes[b] = func(width, height int) []float32 {
			out := make([]float32, width*height)
			for i := range out {
				level := slantLevel(i%width*rampSteps/width, i/width*rampSteps/height, cos, sin)
				out[i] = float32(peak * level * level)
			}
			return out
		}
	}
	return EachBand(scenes)
}

// slantLevel rises from 0 to 1 between two corners of the blocks, evenly
// along the direction (cos, sin).
func slantLevel(blockX, blockY int, cos, sin float64) float64 {
	const middle = float64(rampSteps-1) / 2
	along := ((float64(blockX)-middle)*cos + (float64(blockY)-middle)*sin) / middle
	return 0.5 + 0.5*along/(math.Abs(cos)+math.Abs(sin))
}

// wedgeSteps is the number of steps of a grey wedge, wedgeTop the reflectance
// of its last.
const (
	wedgeSteps = 16
	wedgeTop   = 0.9
)

// GreyWedge is a target in 16 steps side by side, each as wide as the others
// and of one reflectance in all bands: 0.9/16 of white at the first column to
// 0.9 at the last. White surfaces have the given radiances.
func GreyWedge(whites []float64) BandScene {
	scenes := make([]Scene, len(whites))
	for b, white := range whites {
		scenes[b] = func(width, height int) []float32 {
			out := make([]float32, width*height)
			for i := range out {
				out[i] = float32(white * wedgeReflectance(i%width*wedgeSteps/width))
			}
			return out
		}
	}
	return EachBand(scenes)
}

func wedgeReflectance(step int) float64 { return wedgeTop * float64(step+1) / wedgeSteps }

// Glint is an even background with one bright disc, of an eighth of the
// image's shorter side across, right of and above the centre.
func Glint(background, bright float64) Scene {
	return func(width, height int) []float32 {
		out := make([]float32, width*height)
		centreX, centreY := 0.65*float64(width), 0.35*float64(height)
		radius := float64(min(width, height)) / 16
		for y := range height {
			for x := range width {
				level := background
				if math.Hypot(float64(x)-centreX, float64(y)-centreY) < radius {
					level = bright
				}
				out[y*width+x] = float32(level)
			}
		}
		return out
	}
}

// Tessaly is an invented moon before dark sky: a half-lit disc with shading by
// Lambert's law, craters, and dark and bright land whose albedo depends on the
// wavelength. The seed draws the landscape, which is the same in all bands. A
// white surface that faces the Sun has radiance white; no pixel exceeds it.
func Tessaly(seed uint64, band configs.Band, white float64) Scene {
	moon := newMoon(seed, band.WavelengthNM)
	return func(width, height int) []float32 {
		out := make([]float32, width*height)
		radius := 0.42 * float64(min(width, height))
		centreX, centreY := 0.52*float64(width), 0.48*float64(height)
		for y := range height {
			for x := range width {
				dx, dy := (float64(x)+0.5-centreX)/radius, (float64(y)+0.5-centreY)/radius
				out[y*width+x] = float32(white * moon.reflectance(dx, dy, radius))
			}
		}
		return out
	}
}

// vector is a direction seen by the camera: x to the right, y along the rows
// upward in number, z towards the camera.
type vector struct{ x, y, z float64 }

func (a vector) dot(b vector) float64 { return a.x*b.x + a.y*b.y + a.z*b.z }

func (a vector) plus(scale float64, b vector) vector {
	return vector{a.x + scale*b.x, a.y + scale*b.y, a.z + scale*b.z}
}

func (a vector) unit() vector {
	return vector{}.plus(1/math.Sqrt(a.dot(a)), a)
}

type crater struct {
	centre vector
	radius float64 // rad
	slope  float64 // of the wall at the rim
	near   float64 // cosine of the distance beyond which the land is untouched
}

type patch struct {
	centre vector
	width  float64 // rad
	change float64 // of the albedo, relative, at the wavelength of the scene
}

type moon struct {
	sun     vector
	albedo  float64
	craters []crater
	patches []patch
}

// The invented moon's albedo is middleAlbedo at middleNM and rises slowly to
// longer wavelengths.
const (
	middleAlbedo = 0.5
	middleNM     = 600.0
)

func newMoon(seed uint64, wavelengthNM float64) *moon {
	if wavelengthNM == 0 {
		wavelengthNM = middleNM
	}
	colour := (wavelengthNM - middleNM) / middleNM
	m := &moon{
		sun:    vector{-0.75, -0.2, 0.63}.unit(),
		albedo: middleAlbedo * (1 + 0.3*colour),
	}
	r := rand.New(newStream(seed, forLandscape, 0, 0))
	for range 70 {
		c := crater{centre: facing(r), radius: 0.02 * math.Pow(between(r, 0.03, 1), -0.7), slope: between(r, 0.3, 0.8)}
		c.near = math.Cos(craterReach * c.radius)
		m.craters = append(m.craters, c)
	}
	for range 24 {
		m.patches = append(m.patches, patch{
			centre: facing(r),
			width:  between(r, 0.08, 0.35),
			change: between(r, -0.35, 0.35) + colour*between(r, -0.5, 0.5),
		})
	}
	return m
}

// facing draws a point of the hemisphere that faces the camera, evenly over
// its area (Archimedes: the area of a zone goes as its height).
func facing(r *rand.Rand) vector {
	z := r.Float64()
	sin, cos := math.Sincos(between(r, 0, 2*math.Pi))
	flat := math.Sqrt(1 - z*z)
	return vector{flat * cos, flat * sin, z}
}

// reflectance is radiance relative to a white surface that faces the Sun, at
// (dx, dy) radii from the centre of the disc. The pixels of the limb are lit
// over part of their area.
func (m *moon) reflectance(dx, dy, radiusPixels float64) float64 {
	fromCentre := math.Hypot(dx, dy)
	cover := min((1-fromCentre)*radiusPixels+0.5, 1)
	if cover <= 0 {
		return 0
	}
	n := vector{dx, dy, math.Sqrt(max(0, 1-fromCentre*fromCentre))}.unit()
	if n.dot(m.sun) <= 0 {
		return 0 // a slope in the night faces the Sun in vain
	}
	return cover * m.albedoAt(n) * max(0, m.land(n).dot(m.sun))
}

func (m *moon) albedoAt(n vector) float64 {
	albedo := m.albedo
	for i := range m.patches {
		p := &m.patches[i]
		// 2(1-cos) is the square of the chord, near enough to the angle.
		albedo *= 1 + p.change*math.Exp(-2*(1-n.dot(p.centre))/(p.width*p.width))
	}
	return min(max(albedo, 0.04), 1)
}

// craterReach is how far the wall of a crater falls off outside, in radii.
const craterReach = 1.6

// land returns the direction that the ground at n faces: n itself, tilted by
// the walls of the craters.
func (m *moon) land(n vector) vector {
	facing := n
	for i := range m.craters {
		c := &m.craters[i]
		cos := n.dot(c.centre)
		if cos < c.near {
			continue
		}
		outward := n.plus(-cos, c.centre)
		length := math.Sqrt(outward.dot(outward))
		if length == 0 {
			continue
		}
		distance := math.Acos(min(cos, 1)) / c.radius
		facing = facing.plus(-c.rise(distance)/length, outward)
	}
	return facing.unit()
}

// rise is the slope of the ground away from the centre of a crater: a bowl,
// then an outer wall that flattens out.
func (c *crater) rise(distance float64) float64 {
	if distance < 1 {
		return c.slope * distance
	}
	return -0.5 * c.slope * (craterReach - distance) / (craterReach - 1)
}
