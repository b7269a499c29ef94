package pipeline

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"evenlight/calib"
	"evenlight/fitsutil"
)

// MasterComparison tells what changes when master B serves in the place of A.
// Differences are B less A, ratios B over A. They are measured by the root of
// the sum of both variances (JCGM 100:2008, 5.1.2), which the masters carry: for
// masters of different frames of an unchanged camera, d/u has mean 0 and
// standard deviation 1. Masters that have raw frames in common (CommonFrames)
// differ by less, and the departure of a linearity master is the largest of
// several, so that d/u is no pull of variance 1 there.
//
// All but what is said to come from a sample rests on every pixel that has a
// value and a variance above 0 in both. A number that does not exist is null.
type MasterComparison struct {
	A        string `json:"a"`
	B        string `json:"b"`
	Kind     string `json:"kind"`
	Quantity string `json:"quantity"` // that is compared: the plane's name
	Unit     string `json:"unit,omitempty"`
	WidthPx  int    `json:"width_px"`
	HeightPx int    `json:"height_px"`

	FramesA      int `json:"frames_a"` // raw frames that went in
	FramesB      int `json:"frames_b"`
	CommonFrames int `json:"frames_common"`

	Pixels      int     `json:"pixels"`         // of the image
	Compared    int     `json:"compared"`       // with value and variance in both
	Sampled     int     `json:"sampled"`        // of these, evenly spread, for medians and quantiles
	Appeared    int     `json:"values_gained"`  // pixels with a value in B alone
	Disappeared int     `json:"values_lost"`    // in A alone
	Beyond1     float64 `json:"beyond_1_sigma"` // fraction of the compared with |d/u| > 1
	Beyond3     float64 `json:"beyond_3_sigma"`

	LevelA      *float64    `json:"level_a"` // median; from the sample
	LevelB      *float64    `json:"level_b"`
	Difference  Differences `json:"difference"`
	Relative    Spread      `json:"difference_over_u"`
	Uncertainty *float64    `json:"uncertainty_ratio"` // median of u of B over u of A; from the sample
	Ratio       Ratio       `json:"ratio"`

	Curves  []CurveChange `json:"curves"`  // of a linearity master
	Reasons []FlagChange  `json:"reasons"` // of a bad-pixel mask: new and vanished pixels for each reason
	Made    []MadeChange  `json:"made_differently"`
}

// ratioSigma is how many of its standard uncertainties a pixel must lie above 0
// for its ratio to be told. The mean of both is judged, so that neither's errors
// choose; of a ratio of such values the bias is below 1/ratioSigma^2 of it.
const ratioSigma = 10

// Ratio are statistics of the ratio image, from the sampled pixels whose mean of
// A and B exceeds 10 times the uncertainty of their difference.
type Ratio struct {
	Pixels    int        `json:"pixels"`
	Median    *float64   `json:"median"`
	RobustSD  *float64   `json:"robust_sd"` // from the median absolute deviation
	Quantiles []Quantile `json:"quantiles"`
}

// CurveChange tells how the linearity correction lin(v)/v of an amplifier, or of
// a zone, changes at a level of signal.
type CurveChange struct {
	Name    string   `json:"name"`
	AtDN    float64  `json:"at_dn"` // half the range of A
	FactorA float64  `json:"factor_a"`
	FactorB float64  `json:"factor_b"`
	OverU   *float64 `json:"difference_over_u"` // u as both masters state it at half their ranges
	MaxDNA  float64  `json:"max_dn_a"`
	MaxDNB  float64  `json:"max_dn_b"`
}

// CompareMasters compares two masters of one kind, detector and size, A and B by
// their paths. Checksums are verified first. They are read by blocks of rows and
// never lie in memory as a whole.
func CompareMasters(a, b string, workers int) (*MasterComparison, error) {
	va, err := openMasterVersion(a)
	if err != nil {
		return nil, err
	}
	defer va.f.Close()
	vb, err := openMasterVersion(b)
	if err != nil {
		return nil, err
	}
	defer vb.f.Close()
	if err := va.check(vb); err != nil {
		return nil, err
	}
	found, err := measureRows(va.planes[0].Width(), va.planes[0].Height(), workers, true, func(r *pairReader, y0, n int) error {
		if err := va.read(&r.a, y0, n); err != nil {
			return err
		}
		return vb.read(&r.b, y0, n)
	})
	if err != nil {
		return nil, err
	}
	c := va.report(vb, found)
	if va.Kind == MasterLinearity {
		if c.Curves, err = va.curveChanges(vb); err != nil {
			return nil, err
		}
	}
	return c, nil
}

// masterVersion is one of the masters that are compared.
type masterVersion struct {
	*Master
	f      *fitsutil.File
	record *Provenance
	planes []*fitsutil.HDU // value and its variance or uncertainty; of a mask, the reasons alone
	unit   string
}

// comparedPlanes names the planes of a kind of master that are compared.
func comparedPlanes(kind string) []string {
	switch kind {
	case MasterLinearity:
		return []string{"DEPARTURE", "DEPARTURE_U"}
	case MasterBadPixels:
		return []string{"REASONS"}
	}
	return []string{extValue, "VARIANCE"}
}

func openMasterVersion(path string) (*masterVersion, error) {
	m, err := readMaster(path)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	f, err := fitsutil.Open(path)
	if err != nil {
		return nil, err
	}
	v := &masterVersion{Master: m, f: f}
	if err := v.find(); err != nil {
		f.Close()
		return nil, err
	}
	return v, nil
}

func (v *masterVersion) find() error {
	if err := v.f.RequireChecksums(); err != nil {
		return err
	}
	var err error
	if v.record, err = provenanceOf(v.Path, v.f.HDUs()[0].Header); err != nil {
		return err
	}
	for i, name := range comparedPlanes(v.Kind) {
		p, err := v.f.Find(name)
		if err != nil {
			return err
		}
		if p.Planes() != 1 || i > 0 && !slices.Equal(p.Axes, v.planes[0].Axes) {
			return fmt.Errorf("%s: HDU %s has axes %v: the master is damaged, make it again", v.Path, name, p.Axes)
		}
		v.planes = append(v.planes, p)
	}
	v.unit, _, err = v.planes[0].Header.Text("BUNIT")
	return err
}

// check refuses pairs whose comparison would tell nothing.
func (v *masterVersion) check(o *masterVersion) error {
	for _, c := range []struct{ what, a, b string }{
		{"kind", v.Kind, o.Kind}, {"instrument", v.Instrument, o.Instrument}, {"detector", v.Detector, o.Detector},
		{"mode", v.Mode, o.Mode}, {"band", v.Band, o.Band},
		{"unit", v.unit, o.unit}, {"size", fmt.Sprint(v.planes[0].Axes), fmt.Sprint(o.planes[0].Axes)},
	} {
		if c.a != c.b {
			return fmt.Errorf("%s and %s cannot be compared: their %s differs, %q and %q: name two masters that could serve the same frames", v.Path, o.Path, c.what, c.a, c.b)
		}
	}
	return nil
}

// read fetches some rows.
func (v *masterVersion) read(b *rowsBlock, y0, n int) error {
	b.grow(n * v.planes[0].Width())
	for i, h := range v.planes {
		var err error
		if b.bytes, err = v.f.ReadRows(h, 0, y0, n, b.bytes); err != nil {
			return err
		}
		switch {
		case v.Kind == MasterBadPixels:
			err = h.DecodeInt32(b.flags, b.bytes)
			for j := range b.value {
				b.value[j], b.unc[j] = float32(math.NaN()), float32(math.NaN()) // a mask has no values
			}
		case i == 0:
			err = h.DecodeFloat32(b.value, b.bytes)
		default:
			err = h.DecodeFloat32(b.unc, b.bytes)
		}
		if err != nil {
			return fmt.Errorf("%s: %w", v.Path, err)
		}
	}
	if v.Kind != MasterBadPixels && v.Kind != MasterLinearity {
		for j, variance := range b.unc {
			b.unc[j] = float32(math.Sqrt(float64(variance)))
		}
	}
	return nil
}

// report turns counts into the answer.
func (v *masterVersion) report(o *masterVersion, t *pairTally) *MasterComparison {
	all := t.report()
	c := &MasterComparison{A: v.Path, B: o.Path, Kind: v.Kind, Quantity: v.planes[0].Name(), Unit: v.unit,
		WidthPx: v.planes[0].Width(), HeightPx: v.planes[0].Height(),
		Pixels: all.Pixels, Compared: all.Compared, Sampled: all.Sampled, Appeared: all.Appeared, Disappeared: all.Disappeared,
		Beyond1: all.Beyond1, Beyond3: all.Beyond3, Difference: all.Difference, Relative: all.Relative, Uncertainty: all.Uncertainty,
		LevelA: median(t.sorted(func(s *pairSample) float64 { return s.signal - s.d/2 })),
		LevelB: median(t.sorted(func(s *pairSample) float64 { return s.signal + s.d/2 })),
		Ratio:  t.ratio(), Curves: []CurveChange{}, Reasons: all.Flags,
		Made: madeChanges(withoutRaw(v.record), withoutRaw(o.record))}
	if v.Kind == MasterLinearity {
		c.Ratio = Ratio{Quantiles: []Quantile{}} // departures lie about 0
	}
	rawA, rawB := rawInputs(v.record), rawInputs(o.record)
	c.FramesA, c.FramesB = len(rawA), len(rawB)
	c.CommonFrames = len(rawA) - len(withoutThoseOf(rawA, rawB))
	return c
}

// rawInputs are the raw frames that a master was made of.
func rawInputs(p *Provenance) []Input {
	return slices.DeleteFunc(slices.Clone(p.Inputs), func(in Input) bool { return in.Role != roleRaw })
}

// withoutRaw leaves the raw frames out of a record: they are counted, not listed.
func withoutRaw(p *Provenance) *Provenance {
	q := *p
	q.Inputs = slices.DeleteFunc(slices.Clone(p.Inputs), func(in Input) bool { return in.Role == roleRaw })
	return &q
}

// ratio makes the statistics of the ratio image.
func (t *pairTally) ratio() Ratio {
	var all []float64
	for i := range t.sample {
		if s := &t.sample[i]; s.signal > ratioSigma*s.u {
			all = append(all, (s.signal+s.d/2)/(s.signal-s.d/2))
		}
	}
	slices.Sort(all)
	r := Ratio{Pixels: len(all), Median: median(all), Quantiles: quantilesOf(all)}
	if len(all) > 1 {
		_, sd := calib.MedianMAD(all)
		r.RobustSD = finite(sd)
	}
	return r
}

// curveChanges compares linearity corrections, curve by curve.
func (v *masterVersion) curveChanges(o *masterVersion) ([]CurveChange, error) {
	a, namesA, err := v.curves()
	if err != nil {
		return nil, err
	}
	b, namesB, err := o.curves()
	if err != nil {
		return nil, err
	}
	if !slices.Equal(namesA, namesB) {
		return nil, fmt.Errorf("%s and %s cannot be compared: their curves are of %v and %v: name two masters that could serve the same frames", v.Path, o.Path, namesA, namesB)
	}
	out := make([]CurveChange, len(namesA))
	for i, name := range namesA {
		c := CurveChange{Name: name, AtDN: a.maxDN[i] / 2, MaxDNA: a.maxDN[i], MaxDNB: b.maxDN[i]}
		c.FactorA, c.FactorB = a.curves[i].At(c.AtDN)/c.AtDN, b.curves[i].At(c.AtDN)/c.AtDN
		c.OverU = finite((c.FactorB/c.FactorA - 1) / math.Hypot(a.relUncert[i], b.relUncert[i]))
		out[i] = c
	}
	return out, nil
}

// curves reads the corrections and what they are of.
func (v *masterVersion) curves() (l loaded, names []string, err error) {
	r := planeReader{file: v.f, path: v.Path}
	if l.curves, l.maxDN, l.relUncert = r.curves(); r.err != nil {
		return l, nil, fmt.Errorf("%s: %w", v.Path, r.err)
	}
	h, err := v.f.Find("CURVES")
	if err != nil {
		return l, nil, err
	}
	t, err := v.f.ReadTable(h)
	if err != nil {
		return l, nil, err
	}
	names, ok := t.Columns[0].Data.([]string)
	if !ok || len(names) != len(l.curves) {
		return l, nil, fmt.Errorf("%s: table CURVES does not begin with names: the master is damaged, make it again", v.Path)
	}
	return l, names, nil
}

// Text writes the comparison for people.
func (c *MasterComparison) Text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "A %s\nB %s\n", c.A, c.B)
	fmt.Fprintf(&b, "%s, made of %d and %d raw frames, %d of them in common\n", c.Kind, c.FramesA, c.FramesB, c.CommonFrames)
	if c.Kind == MasterBadPixels {
		fmt.Fprintf(&b, "%d x %d pixels\n", c.WidthPx, c.HeightPx)
	} else {
		c.writeValues(&b)
	}
	for _, k := range c.Curves {
		fmt.Fprintf(&b, "lin(v)/v of %s at %.0f DN: A %.6f, B %.6f, difference over u %s; range A %.0f DN, B %.0f DN\n",
			k.Name, k.AtDN, k.FactorA, k.FactorB, optional(k.OverU, "%.2f"), k.MaxDNA, k.MaxDNB)
	}
	writeFlagChanges(&b, c.Reasons)
	writeMade(&b, c.Made, nil)
	return b.String()
}

func (c *MasterComparison) writeValues(b *strings.Builder) {
	fmt.Fprintf(b, "%s of %d x %d pixels: %d compared (%d sampled for medians and quantiles); %d values gained, %d lost\n",
		c.Quantity, c.WidthPx, c.HeightPx, c.Compared, c.Sampled, c.Appeared, c.Disappeared)
	fmt.Fprintf(b, "%s\n", strings.Join(nonEmpty("level, median  A", optional(c.LevelA, "%.6g"), " B", optional(c.LevelB, "%.6g"), c.Unit), " "))
	if c.Ratio.Pixels > 0 {
		fmt.Fprintf(b, "B over A, of %d pixels well above 0\n  median %s  robust sd %s\n ", c.Ratio.Pixels, optional(c.Ratio.Median, "%.6f"), optional(c.Ratio.RobustSD, "%.6f"))
		writeQuantiles(b, c.Ratio.Quantiles)
	}
	d := c.Difference
	fmt.Fprintf(b, "B less A\n  mean %s  sd %s  median %s  min %s  max %s\n",
		optional(d.Mean, "%.5g"), optional(d.SD, "%.5g"), optional(d.Median, "%.5g"), d.Min.text(), d.Max.text())
	fmt.Fprintf(b, "B less A over u of both\n  mean %s  sd %s  median %s  beyond 1: %.4f %%  beyond 3: %.4f %%\n ",
		optional(c.Relative.Mean, "%.4f"), optional(c.Relative.SD, "%.4f"), optional(c.Relative.Median, "%.4f"), 100*c.Beyond1, 100*c.Beyond3)
	writeQuantiles(b, c.Relative.Quantiles)
	fmt.Fprintf(b, "uncertainty of B over that of A  %s (median)\n", optional(c.Uncertainty, "%.5f"))
}

func writeQuantiles(b *strings.Builder, all []Quantile) {
	for _, q := range all {
		fmt.Fprintf(b, " %g %%: %.4f", q.Percent, q.Value)
	}
	fmt.Fprintln(b)
}
