package demo

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"evenlight/calib"
	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/simulate"
)

// Comparison holds products against the truth.
type Comparison struct {
	Bins    []Bin    `json:"bins"`    // by signal
	Groups  []Pulls  `json:"groups"`  // by detector and band, at all signals
	Defects []Defect `json:"defects"` // how many were flagged
	Cosmic  int      `json:"cosmic"`  // pixels hit by cosmic rays, left out of the bins
	// Bent pixels have a response curve of their own, which without an
	// exposure ladder nothing can find; left out of the bins.
	Bent int   `json:"bent"`
	Hits *Hits `json:"hits,omitempty"` // nil: no detector searches for them
	// Filled is nil where no detector has pixels filled in.
	Filled *Filled `json:"filled,omitempty"`
}

// Bin holds the pulls (value - truth)/uncertainty of the unflagged pixels
// whose true signal lies between two levels.
type Bin struct {
	FromE float64 `json:"from_electrons"`
	ToE   float64 `json:"to_electrons"`
	Pulls
	// MeanUncert is the mean standard uncertainty, in electrons.
	MeanUncert float64 `json:"mean_uncertainty_electrons"`

	unc float64
}

// Defect tells how many of the pixels with one defect carry any flag.
type Defect struct {
	Name    string `json:"name"`
	Pixels  int    `json:"pixels"`
	Flagged int    `json:"flagged"`
}

// edgesE are the limits of the bins, in electrons, for a camera that goes up
// to 30000 e-; the last is 90 % of that.
var edgesE = [...]float64{-1, 3, 30, 100, 300, 1000, 3000, 6000, 10000, 15000, 20000, 24000, 27000}

const edgesRangeE = 30000

// binsFor returns empty bins that fit the camera's range.
func binsFor(p *configs.Profile) []Bin {
	scale := rangeE(p) / edgesRangeE
	out := make([]Bin, len(edgesE)-1)
	for i := range out {
		out[i].FromE, out[i].ToE = roundTo2(edgesE[i]*scale), roundTo2(edgesE[i+1]*scale)
	}
	out[0].FromE = edgesE[0]
	return out
}

// roundTo2 rounds to two significant digits.
func roundTo2(x float64) float64 {
	unit := math.Pow(10, math.Floor(math.Log10(math.Abs(x)))-1)
	return math.Round(x/unit) * unit
}

// rangeE is the charge, e-, up to which all amplifiers tell the light.
func rangeE(p *configs.Profile) float64 {
	least := math.Inf(1)
	for i := range p.Detectors {
		d := &p.Detectors[i]
		topDN := math.Pow(2, float64(d.ADCBits)) - 1
		if d.Decompanding != nil {
			dn, _ := d.Decompanding.Table()
			topDN = min(topDN, dn[len(dn)-1])
		}
		if d.Saturation.LevelDN > 0 {
			topDN = min(topDN, d.Saturation.LevelDN)
		}
		for j := range d.Amplifiers {
			a := &d.Amplifiers[j]
			least = min(least, a.GainEPerDN*(topDN-a.OffsetDN))
		}
		if d.Saturation.FullWellE > 0 {
			least = min(least, d.Saturation.FullWellE)
		}
	}
	return least
}

// Compare reads the products of a run and their truth.
func Compare(run *pipeline.RunSummary, truthDir string, p *configs.Profile) (*Comparison, error) {
	c := &Comparison{Bins: binsFor(p), Defects: []Defect{{Name: "hot"}, {Name: "dead"}, {Name: "saturated"}, {Name: "low"}, {Name: "unstable"}, {Name: "nonlinear"}}}
	for _, f := range run.Frames {
		truth, err := simulate.LoadTruth(simulate.TruthFile(truthDir, stemOf(f.Raw), f.Detector))
		if err != nil {
			return nil, err
		}
		if err := c.add(&f, truth, p); err != nil {
			return nil, fmt.Errorf("comparing %s with its truth: %w", f.Product, err)
		}
	}
	for i := range c.Bins {
		c.Bins[i].finish()
	}
	finishAll(c.Groups)
	if c.Filled != nil {
		finishAll(c.Filled.Causes)
	}
	return c, nil
}

func (c *Comparison) add(f *pipeline.FrameReport, t *simulate.Truth, p *configs.Profile) error {
	product, err := readPlanes(f.Product)
	if err != nil {
		return err
	}
	m := &product.images[0]
	if len(m.value) != len(t.Electrons) {
		return fmt.Errorf("it has %d pixels and the truth %d", len(m.value), len(t.Electrons))
	}
	d := detectorOf(p, f.Detector)
	bands := bandsOfPixels(p, d, f.Band, t.Width, t.Height)
	want, err := expected(product, t, p, bands)
	if err != nil {
		return err
	}
	perE := scales(want, t.Electrons, bands, len(p.Bands))
	groups := c.groupsOf(p, d)
	if d.Hits != nil {
		if c.Hits == nil {
			c.Hits = newHits()
		}
		c.Hits.add(m.flags, t, d)
	}
	if d.Fill != nil && c.Filled == nil {
		c.Filled = newFilled()
	}
	bent := d.Linearity.From != configs.LinearityLadder
	for i, s := range t.Electrons {
		c.defect(t, i, m.flags[i] != 0)
		if m.flags[i]&calib.Filled != 0 {
			c.Filled.add(m.flags[i], t.Cosmic[i] != 0, float64((m.value[i]-want[i])/m.unc[i]))
		}
		if t.Cosmic[i] != 0 {
			c.Cosmic++
			continue
		}
		if bent && t.Defects[i]&simulate.Nonlinear != 0 {
			c.Bent++
			continue
		}
		if m.flags[i] == 0 && bands[i] >= 0 {
			pull := float64((m.value[i] - want[i]) / m.unc[i])
			c.pull(float64(s), pull, float64(m.unc[i])/perE[bands[i]])
			c.Groups[groups[bands[i]]].add(pull)
		}
	}
	return nil
}

func detectorOf(p *configs.Profile, name string) *configs.Detector {
	for i := range p.Detectors {
		if p.Detectors[i].Name == name {
			return &p.Detectors[i]
		}
	}
	return &p.Detectors[0]
}

// bandsOfPixels returns the number of the band that each pixel of the image
// sees, -1 where none; in a layer of a stack, which sees all, it is 0.
func bandsOfPixels(p *configs.Profile, d *configs.Detector, frameBand string, width, height int) []int8 {
	number := map[string]int8{}
	for i := range p.Bands {
		number[p.Bands[i].Name] = int8(i)
	}
	out := make([]int8, width*height)
	for y := range height {
		row := d.Image.Rows[0] + y // from 1
		for x := range width {
			column := d.Image.Columns[0] + x
			b := number[frameBand]
			switch {
			case d.Mosaic != nil:
				pattern := d.Mosaic.Pattern
				line := pattern[(row-1)%len(pattern)]
				b = number[line[(column-1)%len(line)]]
			case len(d.Strips) > 0:
				b = -1
				for _, s := range d.Strips {
					if row >= s.Rows[0] && row <= s.Rows[1] {
						b = number[s.Band]
					}
				}
			case d.Band != "":
				b = number[d.Band]
			}
			out[y*width+x] = b
		}
	}
	return out
}

// groupsOf returns for each band of the profile the number of the group that
// a detector's pixels of that band belong to, and makes groups that are new.
func (c *Comparison) groupsOf(p *configs.Profile, d *configs.Detector) []int {
	out := make([]int, len(p.Bands))
	for b := range p.Bands {
		name := p.Bands[b].Name
		switch {
		case p.Stack != nil:
			name = "layer " + d.Name
		case len(p.Detectors) > 1 && d.Band == "":
			name = d.Name + " " + name
		}
		out[b] = c.group(name)
	}
	return out
}

func (c *Comparison) group(name string) int {
	for i := range c.Groups {
		if c.Groups[i].Name == name {
			return i
		}
	}
	c.Groups = append(c.Groups, Pulls{Name: name})
	return len(c.Groups) - 1
}

// expected returns the truth in the product's quantity.
func expected(product *planeSet, t *simulate.Truth, p *configs.Profile, bands []int8) ([]float32, error) {
	if p.Output.Quantity == configs.Electrons || p.Stack != nil {
		return t.Electrons, nil
	}
	scale := make([]float64, len(p.Bands))
	for b := range scale {
		var err error
		if scale[b], err = product.perRadiance(p, b); err != nil {
			return nil, err
		}
	}
	out := make([]float32, len(t.Radiance))
	for i, l := range t.Radiance {
		if b := bands[i]; b >= 0 {
			out[i] = float32(scale[b] * float64(l))
		}
	}
	return out, nil
}

// whiteFactor is pi r^2/E of a band: reflectance for one radiance.
func (s *planeSet) whiteFactor(p *configs.Profile, band int) (float64, error) {
	r, ok, err := s.header.Float("SUNDIST")
	if err != nil {
		return 0, err
	}
	if !ok {
		return 0, errors.New("there is no distance to the Sun (SUNDIST) in its header")
	}
	return math.Pi * r * r / p.Bands[band].SolarIrradiance, nil
}

// perRadiance is the product's quantity for one radiance of a band.
func (s *planeSet) perRadiance(p *configs.Profile, band int) (float64, error) {
	if p.Output.Quantity == configs.Radiance {
		return 1, nil
	}
	return s.whiteFactor(p, band)
}

// reflectances returns what turns the values of each band into reflectances.
func (s *planeSet) reflectances(p *configs.Profile) ([]float64, error) {
	out := make([]float64, len(p.Bands))
	for b := range out {
		white, err := s.whiteFactor(p, b)
		if err != nil {
			return nil, err
		}
		per, err := s.perRadiance(p, b)
		if err != nil {
			return nil, err
		}
		out[b] = white / per
	}
	return out, nil
}

// expect turns the true radiance of a band into the quantity of a cube.
func (s *planeSet) expect(p *configs.Profile, band int, radiance []float32) ([]float32, error) {
	k, err := s.perRadiance(p, band)
	if err != nil {
		return nil, err
	}
	out := make([]float32, len(radiance))
	for i, l := range radiance {
		out[i] = float32(k * float64(l))
	}
	return out, nil
}

// scales returns the product's unit for one electron, by band.
func scales(want, electrons []float32, bands []int8, n int) []float64 {
	a, b := make([]float64, n), make([]float64, n)
	for i, e := range electrons {
		if k := bands[i]; k >= 0 {
			a[k] += float64(want[i])
			b[k] += float64(e)
		}
	}
	for k := range a {
		a[k] /= b[k]
	}
	return a
}

func (c *Comparison) pull(signalE, pull, uncE float64) {
	for i := range c.Bins {
		if b := &c.Bins[i]; signalE >= b.FromE && signalE < b.ToE {
			b.add(pull)
			b.unc += uncE
			return
		}
	}
}

func (b *Bin) finish() {
	b.Pulls.finish()
	b.MeanUncert = 0
	if b.Pixels > 1 {
		b.MeanUncert = b.unc / float64(b.Pixels)
	}
}

func (c *Comparison) defect(t *simulate.Truth, i int, flagged bool) {
	is := [...]bool{t.Defects[i]&simulate.Hot != 0, t.Defects[i]&simulate.Dead != 0, t.Saturated[i],
		t.Defects[i]&simulate.Low != 0, t.Defects[i]&simulate.Unstable != 0, t.Defects[i]&simulate.Nonlinear != 0}
	for k, yes := range is {
		if yes {
			c.Defects[k].Pixels++
			if flagged {
				c.Defects[k].Flagged++
			}
		}
	}
}

// Text writes the comparison for people.
func (c *Comparison) Text() string {
	var b strings.Builder
	b.WriteString("pulls (value - truth)/uncertainty of unflagged pixels; mean 0 and sd 1 are honest\n")
	fmt.Fprintf(&b, "%20s %9s %18s %18s %14s\n", "signal, e-", "pixels", "mean pull", "sd of pulls", "uncertainty e-")
	for _, x := range c.Bins {
		fmt.Fprintf(&b, "%9.0f to %7.0f %s %14.1f\n", max(x.FromE, 0), x.ToE, x.columns(), x.MeanUncert)
	}
	if len(c.Groups) > 1 {
		b.WriteString("the same by band, at all signals\n")
		for i := range c.Groups {
			fmt.Fprintf(&b, "%20s %s\n", c.Groups[i].Name, c.Groups[i].columns())
		}
	}
	b.WriteString("(± is the spread expected from the number of pixels alone)\n\npixels that the simulator spoiled, and how many carry a flag\n")
	for _, d := range c.Defects {
		if d.Pixels > 0 && (d.Name != "nonlinear" || c.Bent == 0) {
			fmt.Fprintf(&b, "%20s %9d %9d flagged %8.2f %%\n", d.Name, d.Pixels, d.Flagged, 100*float64(d.Flagged)/float64(d.Pixels))
		}
	}
	if c.Bent > 0 {
		fmt.Fprintf(&b, "%20s %9d pixels, left out of the pulls: only an exposure ladder would tell them\n", "nonlinear", c.Bent)
	}
	if c.Cosmic > 0 {
		fmt.Fprintf(&b, "%20s %9d pixels, left out of the pulls\n", "cosmic rays", c.Cosmic)
	}
	if c.Hits != nil {
		c.Hits.text(&b)
	}
	if c.Filled != nil {
		c.Filled.text(&b)
	}
	return b.String()
}

// columns writes the figures as a line of the table.
func (p *Pulls) columns() string {
	n := float64(max(p.Pixels, 1))
	return fmt.Sprintf("%9d %8.4f ± %.4f  %8.4f ± %.4f", p.Pixels, p.Mean, 1/math.Sqrt(n), p.SD, 1/math.Sqrt(2*n))
}
