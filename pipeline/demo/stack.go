package demo

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/mat"

	"evenlight/calib"
	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/simulate"
)

// StackTruth compares the bands that were separated from layers.
type StackTruth struct {
	Bands        []Pulls           `json:"bands"` // over the colour ramp
	Correlations []CorrelationTest `json:"correlations"`
	Unsure       []UnsureTest      `json:"mix_unsure"`
}

// CorrelationTest compares the correlation of two bands' errors.
type CorrelationTest struct {
	Bands  string  `json:"bands"`
	Stated float64 `json:"stated"`
	Found  float64 `json:"found"`
	Pixels int     `json:"pixels"`
}

// UnsureTest tells how many of the pixels that cannot be separated are flagged.
type UnsureTest struct {
	Scene   string  `json:"scene"`
	Unsure  int     `json:"unsure_pixels"` // by the truth
	Flagged float64 `json:"flagged_fraction"`
	Others  float64 `json:"others_flagged_fraction"`
}

// Scenes of a stack in their order.
const (
	stackColours = iota
	stackWedge
	stackMoon
	stackGlint
	stackFaint
)

// stack makes cubes of all scenes.
func (c *campaign) stack(out *Colour) error {
	shots, err := c.at(stackColours, stackWedge, stackMoon, stackGlint, stackFaint)
	if err != nil {
		return err
	}
	if out.Cubes, err = c.cubes(products(shots)); err != nil {
		return err
	}
	out.Stack = &StackTruth{}
	if err := c.stackRamp(out, shots[stackColours]); err != nil {
		return err
	}
	if err := c.stackGrey(out, shots[stackWedge]); err != nil {
		return err
	}
	if err := c.overexposed(out, shots[stackGlint]); err != nil {
		return err
	}
	if err := c.underexposed(out, shots[stackFaint]); err != nil {
		return err
	}
	return c.moonAndWedge(out, shots[stackMoon], shots[stackWedge], upTo(len(c.in.Profile.Stack.Layers)), 0)
}

// spoiled tells which pixels a cosmic ray hit or have a defect in any layer,
// and which are full in any.
func (c *campaign) spoiled(s *shot) (spoiled, full []bool, err error) {
	for i := range c.in.Profile.Stack.Layers {
		t, err := c.layerTruth(s, i)
		if err != nil {
			return nil, nil, err
		}
		if spoiled == nil {
			spoiled, full = make([]bool, len(t.Cosmic)), make([]bool, len(t.Cosmic))
		}
		for k := range spoiled {
			spoiled[k] = spoiled[k] || t.Cosmic[k] != 0 || t.Defects[k] != 0
			full[k] = full[k] || t.Saturated[k]
		}
	}
	return spoiled, full, nil
}

func (c *campaign) layerTruth(s *shot, layer int) (*simulate.Truth, error) {
	return simulate.LoadTruth(simulate.TruthFile(c.truthDir(), s.stem, c.in.Profile.Stack.Layers[layer]))
}

// stackErrors are the errors of all bands of a scene, pixel by pixel, over
// unflagged pixels.
func (c *campaign) stackErrors(out *Colour, s *shot, use func(errs, uncs []float64)) (*pipeline.CubeReport, error) {
	report, cube, err := cubeOf(out.Cubes, s.products[0])
	if err != nil {
		return nil, err
	}
	p := c.in.Profile
	truth, err := simulate.LoadStackBands(simulate.StackBandsFile(c.truthDir(), s.stem), len(p.Bands))
	if err != nil {
		return nil, err
	}
	spoiled, _, err := c.spoiled(s)
	if err != nil {
		return nil, err
	}
	for b := range truth {
		if truth[b], err = cube.expect(p, b, truth[b]); err != nil {
			return nil, err
		}
	}
	errs, uncs := make([]float64, len(truth)), make([]float64, len(truth))
	for i := range spoiled {
		if spoiled[i] || !cube.images[0].good(i, 0) {
			continue
		}
		for b := range errs {
			m := &cube.images[b]
			errs[b], uncs[b] = float64(m.value[i]-truth[b][i]), float64(m.unc[i])
		}
		use(errs, uncs)
	}
	return report, nil
}

// stackRamp compares bands and their correlation on the colour ramp.
func (c *campaign) stackRamp(out *Colour, s *shot) error {
	p := c.in.Profile
	bands, pairs := pullsNamed(bandNames(p)), pairsOf(len(p.Bands))
	products := make([]float64, len(pairs))
	squares := make([]float64, len(p.Bands))
	report, err := c.stackErrors(out, s, func(errs, uncs []float64) {
		for b, e := range errs {
			bands[b].add(e / uncs[b])
			squares[b] += e * e
		}
		for k, pair := range pairs {
			products[k] += errs[pair[0]] * errs[pair[1]]
		}
	})
	if err != nil {
		return err
	}
	finishAll(bands)
	out.Stack.Bands = bands
	for k, pair := range pairs {
		stated, err := statedCorrelation(report.Cube, p, pair)
		if err != nil {
			return err
		}
		out.Stack.Correlations = append(out.Stack.Correlations, CorrelationTest{Bands: pairName(p, pair), Stated: stated,
			Found: products[k] / math.Sqrt(squares[pair[0]]*squares[pair[1]]), Pixels: bands[0].Pixels})
	}
	return nil
}

func bandNames(p *configs.Profile) []string {
	var out []string
	for i := range p.Bands {
		out = append(out, p.Bands[i].Name)
	}
	return out
}

func pairName(p *configs.Profile, pair [2]int) string {
	return p.Bands[pair[0]].Name + " - " + p.Bands[pair[1]].Name
}

// statedCorrelation reads the correlation of two bands from a cube.
func statedCorrelation(cube string, p *configs.Profile, pair [2]int) (float64, error) {
	record, err := pipeline.ReadProvenance(cube)
	if err != nil {
		return 0, err
	}
	name := "correlation." + p.Bands[pair[0]].Name + "." + p.Bands[pair[1]].Name
	for _, s := range record.Stages {
		for _, set := range s.Settings {
			if set.Name == name {
				return strconv.ParseFloat(set.Value, 64)
			}
		}
	}
	return 0, fmt.Errorf("%s does not state %s", cube, name)
}

// stackGrey compares the bands, whose errors are correlated, on the wedge.
func (c *campaign) stackGrey(out *Colour, s *shot) error {
	report, cube, err := cubeOf(out.Cubes, s.products[0])
	if err != nil {
		return err
	}
	spoiled, _, err := c.spoiled(s)
	if err != nil {
		return err
	}
	use := make([]bool, len(spoiled))
	for i := range use {
		use[i] = !spoiled[i]
	}
	g, err := c.greyCube(cube, use, 0)
	if err != nil {
		return err
	}
	g.correlation = func(pair [2]int) (float64, error) { return statedCorrelation(report.Cube, c.in.Profile, pair) }
	out.GreyPairs, err = g.pairs()
	return err
}

// Whether a pixel can be separated, by the truth.
const (
	separable   = iota
	nearlyMixed // too near to a limit for the truth to tell
	inseparable
)

// overexposed counts the pixels where a layer is full. Their neighbours, to
// which the flag grows, are left out.
func (c *campaign) overexposed(out *Colour, s *shot) error {
	_, cube, err := cubeOf(out.Cubes, s.products[0])
	if err != nil {
		return err
	}
	spoiled, full, err := c.spoiled(s)
	if err != nil {
		return err
	}
	m := &cube.images[0]
	class := make([]uint8, len(full))
	for i, yes := range full {
		if !yes {
			continue
		}
		for y := max(0, i/m.width-saturationReach); y <= min(m.height-1, i/m.width+saturationReach); y++ {
			for x := max(0, i%m.width-saturationReach); x <= min(m.width-1, i%m.width+saturationReach); x++ {
				class[y*m.width+x] = max(class[y*m.width+x], nearlyMixed)
			}
		}
		class[i] = inseparable
	}
	out.Stack.Unsure = append(out.Stack.Unsure, unsure("over-exposed glint", m, class, spoiled))
	return nil
}

// saturationReach is how far, in pixels, a full pixel makes others unsure.
const saturationReach = 2

// underexposed counts the pixels whose bands together are below the limit of
// the ratio of signal to noise. Pixels within four of its standard deviations,
// which are 1, of the limit are left out.
func (c *campaign) underexposed(out *Colour, s *shot) error {
	_, cube, err := cubeOf(out.Cubes, s.products[0])
	if err != nil {
		return err
	}
	ratio, err := c.signalToNoise(s)
	if err != nil {
		return err
	}
	limit := c.in.Profile.Stack.MinSNR
	class := make([]uint8, len(ratio))
	for i, r := range ratio {
		switch {
		case r < limit-mixSigma:
			class[i] = inseparable
		case r < limit+mixSigma:
			class[i] = nearlyMixed
		}
	}
	spoiled, _, err := c.spoiled(s)
	if err != nil {
		return err
	}
	out.Stack.Unsure = append(out.Stack.Unsure, unsure("under-exposed moon", &cube.images[0], class, spoiled))
	return nil
}

const mixSigma = 4

// signalToNoise is the true ratio of the sum of the bands' electrons to its
// uncertainty by shot and read noise. The sum is w N of the layers' electrons
// N, where the mixing matrix M tells that M^T w = (1, 1, ...).
func (c *campaign) signalToNoise(s *shot) ([]float64, error) {
	m := c.in.Profile.Stack.Matrix
	n := len(m)
	transposed, ones := mat.NewDense(len(m[0]), n, nil), mat.NewVecDense(len(m[0]), nil)
	for i, row := range m {
		for b, v := range row {
			transposed.Set(b, i, v)
			ones.SetVec(b, 1)
		}
	}
	var w mat.VecDense
	if err := w.SolveVec(transposed, ones); err != nil {
		return nil, err
	}
	var sum, variance []float64
	for i := range n {
		t, err := c.layerTruth(s, i)
		if err != nil {
			return nil, err
		}
		if sum == nil {
			sum, variance = make([]float64, len(t.Electrons)), make([]float64, len(t.Electrons))
		}
		read := detectorOf(c.in.Profile, c.in.Profile.Stack.Layers[i]).Amplifiers[0].ReadNoiseE
		k := w.AtVec(i)
		for p, e := range t.Electrons {
			sum[p] += k * float64(e)
			variance[p] += k * k * (float64(e) + read*read)
		}
	}
	for p := range sum {
		sum[p] /= math.Sqrt(variance[p])
	}
	return sum, nil
}

// unsure counts flags by what the truth says, over pixels that are not spoiled.
func unsure(scene string, m *bandImage, class []uint8, spoiled []bool) UnsureTest {
	t := UnsureTest{Scene: scene}
	var count, flagged [inseparable + 1]float64
	for i, k := range class {
		if spoiled[i] {
			continue
		}
		count[k]++
		if m.flags[i]&calib.MixUnsure != 0 {
			flagged[k]++
		}
	}
	t.Unsure = int(count[inseparable])
	t.Flagged = flagged[inseparable] / max(count[inseparable], 1)
	t.Others = flagged[separable] / max(count[separable], 1)
	return t
}

// Text writes the comparison for people.
func (s *StackTruth) Text() string {
	var b strings.Builder
	b.WriteString("layers separated: pulls of each band on the colour ramp\n")
	for i := range s.Bands {
		fmt.Fprintf(&b, "  %-16s %s\n", s.Bands[i].Name, s.Bands[i].line())
	}
	b.WriteString("correlation of the bands' errors, stated and found\n")
	for _, t := range s.Correlations {
		fmt.Fprintf(&b, "  %-16s %+.4f %+.4f ± %.4f\n", t.Bands, t.Stated, t.Found, (1-t.Stated*t.Stated)/math.Sqrt(float64(t.Pixels)))
	}
	b.WriteString("pixels that cannot be separated, the share of them flagged mix-unsure, and of the others\n")
	for _, t := range s.Unsure {
		fmt.Fprintf(&b, "  %-20s %8d %8.2f %% %8.3f %%\n", t.Scene, t.Unsure, 100*t.Flagged, 100*t.Others)
	}
	return b.String()
}
