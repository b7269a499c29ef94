package pipeline

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/mat"

	"evenlight/calib"
	"evenlight/calib/colour"
	"evenlight/configs"
)

// Kinds of picture.
const (
	modeNatural = "natural"
	modeFalse   = "false colour"
	modeGrey    = "grey" // one band
)

// Kinds of white.
const (
	whiteSun    = "sun"    // a perfect diffuser that faces the Sun
	whiteTarget = "target" // a region of the picture
	whiteNone   = "none"   // values are shown as they are
)

// palette is what a picture is mixed from: rasters, one for each column of the
// matrix, and what is known of their values.
type palette struct {
	mode       string
	names      []string // of the rasters: bands, or expressions of bands
	bands      []string // bands that take part
	leftOut    []string // bands of the cube that do not
	rasters    []*calib.Raster
	rgb        *mat.Dense
	transform  *colour.Transform // nil but for natural colour
	white      colour.White
	whiteKind  string
	whiteNote  string // why there is none
	lagX, lagY []float64
	// correlation of the random errors of the rasters at one pixel.
	correlation covariance
	// own and shared are relative systematic standard uncertainties of values
	// relative to white: of each raster alone, and what all have in common.
	own, shared []float64
}

// palette chooses the bands and how they are mixed, and loads them.
func (m *pictureMaker) palette(in *pictureInput) (*palette, error) {
	var p *palette
	var err error
	if len(m.opt.RGB) > 0 {
		p, err = m.falseColour(in)
	} else {
		p, err = m.natural(in)
	}
	if err != nil {
		return nil, err
	}
	for _, name := range in.names {
		if !slices.Contains(p.bands, name) {
			p.leftOut = append(p.leftOut, name)
		}
	}
	return p, m.setWhite(in, p)
}

// natural makes colour as the eye sees it, or grey of one band.
func (m *pictureMaker) natural(in *pictureInput) (*palette, error) {
	index, responses, err := m.naturalBands(in)
	if err != nil {
		return nil, err
	}
	p := &palette{mode: modeNatural}
	for _, i := range index {
		p.names, p.lagX, p.lagY = append(p.names, in.names[i]), append(p.lagX, in.lagX[i]), append(p.lagY, in.lagY[i])
	}
	p.bands = p.names
	if len(index) == 1 {
		p.mode, p.rgb = modeGrey, mat.NewDense(3, 1, []float64{1, 1, 1})
	} else {
		if p.transform, err = colour.Matrix(responses, m.illuminant); err != nil {
			return nil, err
		}
		p.rgb = p.transform.RGB
	}
	if p.rasters, err = in.load(index, m.opt.Workers); err != nil {
		return nil, err
	}
	p.correlation, err = in.correlation(p.names)
	return p, err
}

// naturalBands chooses the bands of natural colour: those asked for, or all
// that see mostly visible light. A cube of one band is grey, whatever it sees.
func (m *pictureMaker) naturalBands(in *pictureInput) (index []int, responses []colour.Response, err error) {
	if len(in.names) == 1 && len(m.opt.Bands) == 0 {
		return []int{0}, nil, nil
	}
	wanted := m.opt.Bands
	if len(wanted) == 0 {
		wanted = in.names
	}
	var unknown []string
	for _, name := range wanted {
		e, err := colour.ParseExpression(name, in.names)
		if err != nil {
			return nil, nil, err
		}
		if e.Under >= 0 {
			return nil, nil, fmt.Errorf("%q is a ratio: natural colour is made of bands", name)
		}
		r, share, ok := responseOf(in.names[e.Over], in.band(in.names[e.Over]))
		if !ok {
			unknown = append(unknown, name)
			continue
		}
		if len(m.opt.Bands) > 0 || share >= 0.5 {
			index, responses = append(index, e.Over), append(responses, r)
		}
	}
	if len(unknown) > 0 {
		return nil, nil, fmt.Errorf("natural colour needs bands[].response or wavelength_nm of band %s, which the profile lacks: add it and make the cube again, leave the band out with --bands, or choose false colour with --rgb",
			strings.Join(unknown, ", "))
	}
	if len(index) == 0 {
		return nil, nil, fmt.Errorf("none of the bands %s sees mostly visible light (%d to %d nm): choose false colour with --rgb, or name bands with --bands",
			strings.Join(in.names, ", "), visibleFromNM, visibleToNM)
	}
	return index, responses, nil
}

// The range of the observer's tables (ISO/CIE 11664-1, 5 nm), nm.
const (
	visibleFromNM = 380
	visibleToNM   = 780
)

// responseOf is a band's response and the share of it that is visible; not ok
// where the profile knows neither response nor wavelength.
func responseOf(name string, b *configs.Band) (r colour.Response, share float64, ok bool) {
	r.Band = name
	if b == nil || len(b.Response) == 0 && b.WavelengthNM == 0 {
		return r, 0, false
	}
	if len(b.Response) == 0 {
		r.CentreNM = b.WavelengthNM
		if b.WavelengthNM >= visibleFromNM && b.WavelengthNM <= visibleToNM {
			share = 1
		}
		return r, share, true
	}
	var all, seen float64
	for i, p := range b.Response {
		r.Points = append(r.Points, colour.Point{WavelengthNM: p.NM, Relative: p.Relative})
		if i == 0 {
			continue
		}
		q := b.Response[i-1]
		area := (p.NM - q.NM) * (p.Relative + q.Relative) / 2
		all += area
		if middle := (p.NM + q.NM) / 2; middle >= visibleFromNM && middle <= visibleToNM {
			seen += area
		}
	}
	return r, seen / all, true
}

// falseColour shows three bands or ratios as they are.
func (m *pictureMaker) falseColour(in *pictureInput) (*palette, error) {
	p := &palette{mode: modeFalse, names: m.opt.RGB, rgb: colour.Direct(), correlation: identity(3)}
	var index []int
	for _, text := range m.opt.RGB {
		e, err := colour.ParseExpression(text, in.names)
		if err != nil {
			return nil, err
		}
		lagX, lagY := in.lagX[e.Over], in.lagY[e.Over]
		for _, i := range []int{e.Over, e.Under} {
			if i >= 0 && !slices.Contains(index, i) {
				index = append(index, i)
			}
			if i >= 0 {
				lagX, lagY = max(lagX, in.lagX[i]), max(lagY, in.lagY[i])
			}
		}
		p.lagX, p.lagY = append(p.lagX, lagX), append(p.lagY, lagY)
	}
	slices.Sort(index)
	for _, i := range index {
		p.bands = append(p.bands, in.names[i])
	}
	bands, err := in.load(index, m.opt.Workers)
	if err != nil {
		return nil, err
	}
	channels, err := colour.FalseColour([3]string(m.opt.RGB), p.bands, bands, m.opt.Workers)
	p.rasters = channels[:]
	return p, err
}

// correlation is that of the errors of bands at one pixel: bands are
// independent but for layers that were separated, where the cube tells.
func (in *pictureInput) correlation(names []string) (covariance, error) {
	c := identity(len(names))
	for _, s := range in.record.Stages {
		for _, v := range s.Settings {
			pair, found := strings.CutPrefix(v.Name, "correlation.")
			if !found {
				continue
			}
			for i, a := range names {
				for j, b := range names {
					if pair != a+"."+b {
						continue
					}
					rho, err := strconv.ParseFloat(v.Value, 64)
					if err != nil || !(math.Abs(rho) <= 1) {
						return nil, fmt.Errorf("stage %q: %s is %q, not a correlation: the cube is damaged, make it again", s.Name, v.Name, v.Value)
					}
					c[i][j], c[j][i] = rho, rho
				}
			}
		}
	}
	return c, nil
}

// setWhite finds what is white and how well that and the values are known.
func (m *pictureMaker) setWhite(in *pictureInput, p *palette) error {
	if m.opt.White != nil {
		return p.targetWhite(*m.opt.White)
	}
	if p.mode == modeFalse {
		p.noWhite(in, "bands and ratios are shown as they are")
		return nil
	}
	err := p.sunWhite(in)
	if err != nil && p.mode == modeGrey {
		p.noWhite(in, err.Error())
		return nil
	}
	return err
}

// targetWhite takes a region as white. What the calibration has wrong by a
// factor cancels, so only the uncertainty of the target's own mean is left.
func (p *palette) targetWhite(region calib.Region) error {
	w, err := colour.TargetWhite(p.names, p.rasters, region)
	if err != nil {
		return err
	}
	s := p.measure(region, calib.Unusable)
	p.own, p.shared = make([]float64, len(p.names)), make([]float64, len(p.names))
	for i := range w.Uncertainty {
		w.Uncertainty[i] *= s.inflation[i]
		p.own[i] = w.Uncertainty[i] / w.Values[i]
	}
	p.white, p.whiteKind = w, whiteTarget
	return nil
}

// noWhite shows values as they are.
func (p *palette) noWhite(in *pictureInput, why string) {
	n := len(p.names)
	p.white = colour.White{Values: make([]float64, n), Uncertainty: make([]float64, n), Source: "none"}
	for i := range p.white.Values {
		p.white.Values[i] = 1
	}
	p.whiteKind, p.whiteNote = whiteNone, why
	p.own, p.shared = in.systematics(p.names)
}

// sunWhite takes as white what a perfect diffuser that faces the Sun shows:
// I/F of 1, which is exact, or radiance E / (pi r^2).
func (p *palette) sunWhite(in *pictureInput) error {
	p.whiteKind = whiteSun
	switch in.unit {
	case calib.ReflectanceLight(1, 1, 1, 1).Unit:
		p.white = colour.SunWhite(len(p.names))
		p.own, p.shared = in.systematics(p.names)
		return nil
	case calib.RadianceLight(1, 1).Unit:
		w, err := radianceWhite(in, p.names)
		if err != nil {
			return err
		}
		p.white = w
		p.own, p.shared = in.systematics(p.names)
		for i, name := range p.names {
			own, shared := in.sunlight(name)
			p.white.Uncertainty[i] = w.Values[i] * math.Hypot(own, shared)
			p.own[i], p.shared[i] = math.Hypot(p.own[i], own), math.Hypot(p.shared[i], shared)
		}
		return nil
	}
	return fmt.Errorf("the values are in %q, for which the Sun is no white reference: calibrate to radiance or reflectance, or name a neutral target with --white", in.unit)
}

// radianceWhite is the radiance of a perfect diffuser in sunlight.
func radianceWhite(in *pictureInput, names []string) (colour.White, error) {
	if !(in.sunAU > 0) {
		return colour.White{}, errors.New("the header has no distance to the Sun (SUNDIST), which turns radiance into reflectance: give keywords.sun_distance_au in the profile and make the cube again, or name a neutral target with --white")
	}
	w := colour.White{Uncertainty: make([]float64, len(names)), Source: fmt.Sprintf("sunlit perfect diffuser at %g au", in.sunAU)}
	var without []string
	for _, name := range names {
		b := in.band(name)
		if b == nil || !(b.SolarIrradiance > 0) {
			without = append(without, name)
			continue
		}
		w.Values = append(w.Values, b.SolarIrradiance/(math.Pi*in.sunAU*in.sunAU))
	}
	if len(without) > 0 {
		return w, fmt.Errorf("the profile has no bands[].solar_irradiance of band %s, which turns radiance into reflectance: add it and make the cube again, or name a neutral target with --white", strings.Join(without, ", "))
	}
	return w, nil
}

// systematics returns the relative standard uncertainties of the values of
// bands or ratios: what is each one's own, and what all have in common, which
// cancels in a ratio.
func (in *pictureInput) systematics(names []string) (own, shared []float64) {
	own, shared = make([]float64, len(names)), make([]float64, len(names))
	for i, name := range names {
		over, under, ratio := strings.Cut(name, "/")
		own[i], shared[i] = in.systematic(strings.TrimSpace(over))
		if ratio {
			other, _ := in.systematic(strings.TrimSpace(under))
			own[i], shared[i] = math.Hypot(own[i], other), 0
		}
	}
	return own, shared
}

// systematic does so for one band. Terms that are relative to the dark or to
// the residual image are not in it.
func (in *pictureInput) systematic(name string) (own, shared float64) {
	if b := in.band(name); b != nil && in.unit != calib.ElectronLight().Unit {
		own = b.ResponsivityRelUncert
	}
	if in.unit == calib.ReflectanceLight(1, 1, 1, 1).Unit {
		sun, distance := in.sunlight(name)
		own, shared = math.Hypot(own, sun), distance
	}
	for _, t := range in.record.Systematic {
		switch t.Name {
		case "flat normalisation":
			own = math.Hypot(own, t.Relative)
		case "gain", "linearity":
			shared = math.Hypot(shared, t.Relative)
		}
	}
	return own, shared
}

// sunlight returns the relative standard uncertainty of the sunlight in a
// band: of its irradiance at 1 au, and of the square of the distance.
func (in *pictureInput) sunlight(name string) (own, shared float64) {
	if b := in.band(name); b != nil {
		own = b.SolarIrradianceRelUncert
	}
	return own, 2 * in.in.Profile.Output.SunDistanceRelUncert
}
