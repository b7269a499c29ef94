package demo

import (
	"fmt"
	"math"
	"path/filepath"
	"strings"

	"evenlight/calib"
	"evenlight/configs"
	"evenlight/fitsutil"
	"evenlight/pipeline"
	"evenlight/pipeline/simulate"
)

// Comparison holds products against the truth.
type Comparison struct {
	Bins    []Bin    `json:"bins"`    // by signal
	Defects []Defect `json:"defects"` // how many were flagged
	Cosmic  int      `json:"cosmic"`  // pixels hit by cosmic rays, left out of the bins
}

// Bin holds the pulls (value - truth)/uncertainty of the unflagged pixels
// whose true signal lies between two levels.
type Bin struct {
	FromE  float64 `json:"from_electrons"`
	ToE    float64 `json:"to_electrons"`
	Pixels int     `json:"pixels"`
	Mean   float64 `json:"mean_pull"`
	SD     float64 `json:"sd_pull"`
	// MeanUncert is the mean standard uncertainty, in electrons.
	MeanUncert float64 `json:"mean_uncertainty_electrons"`

	sum, square, unc float64
}

// Defect tells how many of the pixels with one defect carry any flag.
type Defect struct {
	Name    string `json:"name"`
	Pixels  int    `json:"pixels"`
	Flagged int    `json:"flagged"`
}

// edgesE are the limits of the bins, in electrons; the last is 90 % of the
// demo camera's full well.
var edgesE = [...]float64{-1, 3, 30, 100, 300, 1000, 3000, 6000, 10000, 15000, 20000, 24000, 27000}

// Compare reads the products of a run and their truth.
func Compare(run *pipeline.RunSummary, truthDir string, p *configs.Profile) (*Comparison, error) {
	c := &Comparison{Defects: []Defect{{Name: "hot"}, {Name: "dead"}, {Name: "saturated"}, {Name: "low"}, {Name: "unstable"}, {Name: "nonlinear"}}}
	for i := range len(edgesE) - 1 {
		c.Bins = append(c.Bins, Bin{FromE: edgesE[i], ToE: edgesE[i+1]})
	}
	for _, f := range run.Frames {
		stem := strings.TrimSuffix(filepath.Base(f.Raw), filepath.Ext(f.Raw))
		truth, err := simulate.LoadTruth(simulate.TruthFile(truthDir, stem, f.Detector))
		if err != nil {
			return nil, err
		}
		if err := c.add(f.Product, truth, p); err != nil {
			return nil, fmt.Errorf("comparing %s with its truth: %w", f.Product, err)
		}
	}
	for i := range c.Bins {
		c.Bins[i].finish()
	}
	return c, nil
}

func (c *Comparison) add(product string, t *simulate.Truth, p *configs.Profile) error {
	f, err := fitsutil.Open(product)
	if err != nil {
		return err
	}
	defer f.Close()
	value, err := readFloats(f, "VALUE", len(t.Electrons))
	if err != nil {
		return err
	}
	unc, err := readFloats(f, "UNCERTAINTY", len(t.Electrons))
	if err != nil {
		return err
	}
	flags, err := readFlags(f, len(t.Electrons))
	if err != nil {
		return err
	}
	want, err := expected(f, t, p)
	if err != nil {
		return err
	}
	perE := scaleOf(want, t.Electrons)
	for i, s := range t.Electrons {
		c.defect(t, i, flags[i] != 0)
		if t.Cosmic[i] != 0 {
			c.Cosmic++
			continue
		}
		if flags[i] == 0 {
			c.pull(float64(s), float64((value[i]-want[i])/unc[i]), float64(unc[i])/perE)
		}
	}
	return nil
}

// expected returns the truth in the product's quantity.
func expected(f *fitsutil.File, t *simulate.Truth, p *configs.Profile) ([]float32, error) {
	switch p.Output.Quantity {
	case configs.Electrons:
		return t.Electrons, nil
	case configs.Radiance:
		return t.Radiance, nil
	}
	h := f.HDUs()[0].Header
	r, _, err := h.Float("SUNDIST")
	if err != nil {
		return nil, err
	}
	name, _, err := h.Text("BAND")
	if err != nil {
		return nil, err
	}
	out := make([]float32, len(t.Radiance))
	for _, b := range p.Bands {
		if b.Name != name {
			continue
		}
		k := math.Pi * r * r / b.SolarIrradiance
		for i, l := range t.Radiance {
			out[i] = float32(k * float64(l))
		}
	}
	return out, nil
}

// scaleOf returns the product's unit for one electron.
func scaleOf(want, electrons []float32) float64 {
	var a, b float64
	for i, e := range electrons {
		a += float64(want[i])
		b += float64(e)
	}
	return a / b
}

func (c *Comparison) pull(signalE, pull, uncE float64) {
	for i := range c.Bins {
		if b := &c.Bins[i]; signalE >= b.FromE && signalE < b.ToE {
			b.Pixels++
			b.sum += pull
			b.square += pull * pull
			b.unc += uncE
			return
		}
	}
}

func (b *Bin) finish() {
	n := float64(b.Pixels)
	b.Mean = b.sum / n
	b.SD = math.Sqrt((b.square - b.sum*b.Mean) / (n - 1))
	b.MeanUncert = b.unc / n
	if b.Pixels < 2 {
		b.Mean, b.SD, b.MeanUncert = 0, 0, 0
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

func readFloats(f *fitsutil.File, name string, n int) ([]float32, error) {
	h, err := f.Find(name)
	if err != nil {
		return nil, err
	}
	b, err := f.ReadRows(h, 0, 0, h.Height(), nil)
	if err != nil {
		return nil, err
	}
	out := make([]float32, n)
	return out, h.DecodeFloat32(out, b)
}

func readFlags(f *fitsutil.File, n int) ([]calib.Flags, error) {
	h, err := f.Find("FLAGS")
	if err != nil {
		return nil, err
	}
	b, err := f.ReadRows(h, 0, 0, h.Height(), nil)
	if err != nil {
		return nil, err
	}
	whole := make([]int32, n)
	if err := h.DecodeInt32(whole, b); err != nil {
		return nil, err
	}
	out := make([]calib.Flags, n)
	for i, v := range whole {
		out[i] = calib.Flags(v)
	}
	return out, nil
}

// Text writes the comparison for people.
func (c *Comparison) Text() string {
	var b strings.Builder
	b.WriteString("pulls (value - truth)/uncertainty of unflagged pixels; mean 0 and sd 1 are honest\n")
	fmt.Fprintf(&b, "%20s %9s %18s %18s %14s\n", "signal, e-", "pixels", "mean pull", "sd of pulls", "uncertainty e-")
	for _, x := range c.Bins {
		n := float64(max(x.Pixels, 1))
		fmt.Fprintf(&b, "%9.0f to %7.0f %9d %8.4f ± %.4f  %8.4f ± %.4f %14.1f\n", max(x.FromE, 0), x.ToE, x.Pixels, x.Mean, 1/math.Sqrt(n), x.SD, 1/math.Sqrt(2*n), x.MeanUncert)
	}
	b.WriteString("(± is the spread expected from the number of pixels alone)\n\npixels that the simulator spoiled, and how many carry a flag\n")
	for _, d := range c.Defects {
		fmt.Fprintf(&b, "%20s %9d %9d flagged %8.2f %%\n", d.Name, d.Pixels, d.Flagged, 100*float64(d.Flagged)/float64(max(d.Pixels, 1)))
	}
	fmt.Fprintf(&b, "%20s %9d pixels, left out of the pulls: single frames do not tell them yet\n", "cosmic rays", c.Cosmic)
	return b.String()
}
