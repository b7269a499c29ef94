package pipeline

import (
	"fmt"
	"math"
	"math/bits"
	"slices"
	"strings"

	"evenlight/calib"
	"evenlight/configs"
)

// FrameReport is the QA summary of one product. Its JSON form is documented
// in the README and stable.
type FrameReport struct {
	Raw        string             `json:"raw"`
	Product    string             `json:"product"`
	Detector   string             `json:"detector"`
	Band       string             `json:"band,omitempty"`
	Mode       string             `json:"mode,omitempty"`
	Target     string             `json:"target,omitempty"`
	Time       string             `json:"time"`
	ExposureS  float64            `json:"exposure_s"`
	TempK      *float64           `json:"temperature_k,omitempty"`
	Unit       string             `json:"unit"`
	Amplifiers []AmpReport        `json:"amplifiers"`
	Background *float64           `json:"background"` // 5th percentile of the good pixels, in Unit
	Median     *float64           `json:"median"`
	Bands      []BandReport       `json:"bands,omitempty"`        // the same by band, where pixels see different ones
	LineSmear  *float64           `json:"line_smear,omitempty"`   // of a line scanner: ground against charge over all stages, pixels
	Before     string             `json:"frame_before,omitempty"` // whose residual image was taken off
	Fractions  map[string]float64 `json:"flag_fractions"`         // by name of the flag, of all pixels
	Good       float64            `json:"good_fraction"`          // pixels without any flag
	NoiseRatio *float64           `json:"noise_ratio"`            // measured over expected noise
	Masters    []MasterUse        `json:"masters"`
	pixels     int
	Warnings   []string `json:"warnings"`
}

// BandReport holds the levels of one band of a frame that sees several.
type BandReport struct {
	Name       string   `json:"name"`
	Background *float64 `json:"background"`
	Median     *float64 `json:"median"`
	Good       float64  `json:"good_fraction"`
	NoiseRatio *float64 `json:"noise_ratio"`
}

// AmpReport is what the overscan told of one amplifier.
type AmpReport struct {
	Name       string   `json:"name"`
	OffsetDN   *float64 `json:"offset_dn,omitempty"`    // absent: the camera has no overscan
	DriftDN    *float64 `json:"drift_dn,omitempty"`     // highest less lowest offset of a row
	ReadNoiseE *float64 `json:"read_noise_e,omitempty"` // from the overscan
}

// MasterUse is a master that was used and how far it was.
type MasterUse struct {
	Kind      string   `json:"kind"`
	Name      string   `json:"name"`
	AgeDays   float64  `json:"age_days"`
	TempDiffK *float64 `json:"temperature_difference_k,omitempty"`
}

// tallySamples bounds the pixels that percentiles are taken from.
const tallySamples = 1 << 16

// tally gathers the figures of a frame while its rows pass by. Each worker
// has one for the rows it sees; merged they do not depend on who saw which.
type tally struct {
	bits   [32]int
	good   int
	pixels int
	step   int         // every step-th pixel of every step-th row is sampled
	values [][]float32 // by band of the map, else one
	ratios [][]float32
	ofBand []bandTally // by band of the map

	bands            *calib.BandMap // nil: all pixels are alike
	periodX, periodY int            // to the next like pixel
}

// bandTally counts the pixels of one band.
type bandTally struct{ pixels, good int }

func (t *tally) reset(s *calib.Sensor) {
	*t = tally{values: t.values, ratios: t.ratios, bands: s.Map, periodX: 1, periodY: 1}
	n := 1
	if s.Map != nil {
		n, t.periodX, t.periodY = s.Map.Bands, s.Map.PeriodX, s.Map.PeriodY
	}
	t.ofBand = make([]bandTally, n)
	for len(t.values) < n {
		t.values, t.ratios = append(t.values, nil), append(t.ratios, nil)
	}
	t.values, t.ratios = t.values[:n], t.ratios[:n]
	for i := range n {
		t.values[i], t.ratios[i] = t.values[i][:0], t.ratios[i][:0]
	}
	t.step = max(1, int(math.Ceil(math.Sqrt(float64(s.Image.Width()*s.Image.Height())/tallySamples))))
}

// add counts one finished row, with the uncertainty in r.Var.
func (t *tally) add(r *calib.Row) {
	good := 0
	for _, f := range r.Flags {
		if f == 0 {
			good++
			continue
		}
		for ; f != 0; f &= f - 1 {
			t.bits[bits.TrailingZeros32(uint32(f))]++
		}
	}
	t.good += good
	t.pixels += len(r.Flags)
	t.countBands(r)
	// Whole repeats of a mosaic's pattern are sampled, so that each colour has
	// its share.
	if r.Y/t.periodY%t.step != 0 {
		return
	}
	var bands []uint8
	if t.bands != nil {
		bands = t.bands.Row(r.Y)
	}
	for start := 0; start < len(r.V); start += t.step * t.periodX {
		for x := start; x < min(start+t.periodX, len(r.V)); x++ {
			b := 0
			if bands != nil {
				b = int(bands[x])
			}
			if b >= len(t.values) {
				continue // the pixel sees no band
			}
			if r.Flags[x] == 0 {
				t.values[b] = append(t.values[b], r.V[x])
			}
			if far := x + 2*t.periodX; far < len(r.V) && r.Flags[x]|r.Flags[x+t.periodX]|r.Flags[far] == 0 {
				t.ratios[b] = append(t.ratios[b], curvature(r, x, t.periodX))
			}
		}
	}
}

// countBands counts a row's pixels by band, where they see different ones.
func (t *tally) countBands(r *calib.Row) {
	if t.bands == nil {
		return
	}
	row := t.bands.Row(r.Y)
	for x, f := range r.Flags {
		if b := int(row[x]); b < len(t.ofBand) {
			t.ofBand[b].pixels++
			if f == 0 {
				t.ofBand[b].good++
			}
		}
	}
}

// curvature is the second difference of three like pixels over its expected
// standard deviation: it takes out the slope of the scene.
func curvature(r *calib.Row, x, step int) float32 {
	d := r.V[x] - 2*r.V[x+step] + r.V[x+2*step]
	u := r.Var
	e := u[x]*u[x] + 4*u[x+step]*u[x+step] + u[x+2*step]*u[x+2*step]
	return d / float32(math.Sqrt(float64(e)))
}

// merge puts the tallies of all workers together. The order of the samples
// depends on who saw which row; the order statistics made of them do not.
func merge(workers []*worker) tally {
	var all tally
	for _, w := range workers {
		t := &w.tally
		for b, n := range t.bits {
			all.bits[b] += n
		}
		all.good += t.good
		all.pixels += t.pixels
		for len(all.values) < len(t.values) {
			all.values, all.ratios, all.ofBand = append(all.values, nil), append(all.ratios, nil), append(all.ofBand, bandTally{})
		}
		for b := range t.values {
			all.values[b] = append(all.values[b], t.values[b]...)
			all.ratios[b] = append(all.ratios[b], t.ratios[b]...)
			all.ofBand[b].pixels += t.ofBand[b].pixels
			all.ofBand[b].good += t.ofBand[b].good
		}
	}
	return all
}

// report makes the summary of the frame that was just run.
func (c *calibrator) report(p *plan, chain *calib.Chain) *FrameReport {
	t := merge(c.workers)
	d := &c.in.Profile.Detectors[p.frame.Detector]
	info := p.frame.Info
	unit, _ := p.unit() // it served the chain already
	r := &FrameReport{
		Raw: p.frame.Path, Detector: d.Name, Band: info.Band, Mode: info.Mode, Target: info.Target,
		Time: info.Time.UTC().Format(timeForm), ExposureS: info.ExposureS, TempK: finite(info.TempK), Unit: unit,
		Fractions: map[string]float64{}, Warnings: []string{},
	}
	for _, f := range calib.FlagTable() {
		if n := t.bits[f.Bit]; n > 0 {
			r.Fractions[f.Name] = float64(n) / float64(t.pixels)
		}
	}
	r.pixels = t.pixels
	r.Good = float64(t.good) / float64(t.pixels)
	r.levels(&t, c.in.Profile, p.sensor.Map != nil)
	if d.LineScan != nil {
		r.LineSmear = finite(p.lineSmear())
	}
	if p.residual != nil && p.residual.Before != nil {
		r.Before = p.before[0].Name
	}
	r.amplifiers(p, d)
	r.masters(p)
	r.warn(d, info.ChargeStages, p.residualErr)
	return r
}

// levels fills in background, median and noise: of all good pixels, and by band
// where pixels see different ones.
func (r *FrameReport) levels(t *tally, p *configs.Profile, byBand bool) {
	all := slices.Concat(t.values...)
	slices.Sort(all)
	r.Background, r.Median = finite(quantile(all, 0.05)), finite(quantile(all, 0.5))
	r.NoiseRatio = noiseRatio(slices.Concat(t.ratios...))
	if !byBand {
		return
	}
	for b, v := range t.values {
		if n := t.ofBand[b]; n.pixels > 0 {
			slices.Sort(v)
			r.Bands = append(r.Bands, BandReport{p.Bands[b].Name, finite(quantile(v, 0.05)), finite(quantile(v, 0.5)),
				float64(n.good) / float64(n.pixels), noiseRatio(t.ratios[b])})
		}
	}
}

// noiseRatio is the measured noise over the expected, nil for too few samples.
func noiseRatio(ratios []float32) *float64 {
	if len(ratios) < minRatios {
		return nil
	}
	_, sigma := calib.MedianMAD(ratios)
	return finite(float64(sigma))
}

// minRatios is the number of samples from which a noise ratio is stated.
const minRatios = 100

// finite returns a pointer to v, or nil where JSON has no number for it.
func finite(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// quantile returns the q-quantile of sorted numbers, NaN for none.
func quantile(sorted []float32, q float64) float64 {
	if len(sorted) == 0 {
		return math.NaN()
	}
	return float64(sorted[int(q*float64(len(sorted)-1))])
}

func (r *FrameReport) amplifiers(p *plan, d *configs.Detector) {
	for a, amp := range d.Amplifiers {
		rep := AmpReport{Name: amp.Name}
		if p.sensor.Offset.FromOverscan && p.traces[a].NoiseDN > 0 {
			t := p.traces[a]
			rep.OffsetDN, rep.DriftDN = finite(t.Level), finite(t.Drift)
			// The converter's rounding is in the measured scatter as well.
			rounding, _ := p.sensor.Quantisation(t.Level)
			rep.ReadNoiseE = finite(amp.GainEPerDN * math.Sqrt(max(0, t.NoiseDN*t.NoiseDN-rounding)))
		}
		r.Amplifiers = append(r.Amplifiers, rep)
	}
}

func (r *FrameReport) masters(p *plan) {
	need := Need{Time: p.frame.Info.Time, TempK: p.frame.Info.TempK}
	for _, m := range p.masters.list() {
		r.Masters = append(r.Masters, need.Use(m.Master))
	}
}

// Limits beyond which a frame's figures call for a look. They are wide: a
// warning is meant to be rare.
const (
	noiseHigh      = 1.25 // of the expected
	noiseLow       = 0.8
	saturationHigh = 0.01 // of the pixels
	unsureHigh     = 0.01
)

// warn lists what a person should look at. residual is why the residual image
// of the frame before was left in; nil: it was not.
func (r *FrameReport) warn(d *configs.Detector, chargeStages int, residual error) {
	add := func(format string, args ...any) { r.Warnings = append(r.Warnings, fmt.Sprintf(format, args...)) }
	for a, amp := range d.Amplifiers {
		rep := r.Amplifiers[a]
		if rep.OffsetDN != nil && amp.OffsetToleranceDN > 0 && math.Abs(*rep.OffsetDN-amp.OffsetDN) > amp.OffsetToleranceDN {
			add("offset of amplifier %s is %.1f DN, %.1f DN from nominal (tolerance %g DN)", amp.Name, *rep.OffsetDN, *rep.OffsetDN-amp.OffsetDN, amp.OffsetToleranceDN)
		}
		if n := rep.ReadNoiseE; n != nil && amp.ReadNoiseE > 0 && (*n > noiseHigh*amp.ReadNoiseE || *n < noiseLow*amp.ReadNoiseE) {
			add("read noise of amplifier %s is %.2f e- in the overscan and %.2f e- in the profile", amp.Name, *n, amp.ReadNoiseE)
		}
	}
	if n := r.NoiseRatio; n != nil && (*n > noiseHigh || *n < noiseLow) {
		add("noise is %.2f of the expected (fine structure of the scene counts as noise here)", *n)
	}
	if f := r.Fractions["saturated"]; f > saturationHigh {
		add("%.1f %% of the pixels are saturated", 100*f)
	}
	if f := r.Fractions["missing"]; f > 0 {
		add("%.3f %% of the samples never arrived", 100*f)
	}
	if f := r.Fractions["offset-unsure"]; f > unsureHigh {
		add("the offset of %.1f %% of the pixels rests on too few overscan samples", 100*f)
	}
	if d.LineScan != nil && r.LineSmear == nil {
		add("header tells no ground speed and footprint: whether the charge kept pace with the ground is not known")
	}
	if s := r.LineSmear; s != nil && *s > d.LineScan.MaxSmearPixels {
		add("charge stepping is out of pace with the ground by %.2f pixels over %d stages (limit %g)", *s, chargeStages, d.LineScan.MaxSmearPixels)
	}
	if residual != nil {
		add("residual image of the frame before is left in: %s", residual)
	}
	if f := r.Fractions["smear-unsure"]; f > unsureHigh {
		add("the smear of %.1f %% of the pixels rests on lost or saturated pixels", 100*f)
	}
	if f := r.Fractions["at-floor"]; f > unsureHigh {
		add("%.1f %% of the samples are at the converter's lowest code", 100*f)
	}
}

// RunSummary is the QA summary of a run.
type RunSummary struct {
	Software    string        `json:"software"`
	Version     string        `json:"version"`
	Instrument  string        `json:"instrument"`
	ProfileHash string        `json:"profile_sha256"`
	Counts      Counts        `json:"counts"`
	Frames      []FrameReport `json:"frames"`
	Failures    []Failure     `json:"failures"`
	Throughput  Throughput    `json:"throughput"`
}

// Counts says how many raw frames came to what end.
type Counts struct {
	Found   int `json:"found"`
	Done    int `json:"done"`
	Failed  int `json:"failed"`
	Skipped int `json:"skipped"` // not scene frames
	Warned  int `json:"warned"`  // done, with warnings
}

// Failure is a frame that could not be treated.
type Failure struct {
	Raw    string `json:"raw"`
	Reason string `json:"reason"`
}

// Throughput is the only part of the summary that differs between equal runs.
type Throughput struct {
	Seconds         float64 `json:"seconds"`
	FramesPerSecond float64 `json:"frames_per_second"`
	MegapixelsPerS  float64 `json:"megapixels_per_second"`
}

// Text writes the summary for people.
func (s *RunSummary) Text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s %s, instrument %s, profile %.12s\n", s.Software, s.Version, s.Instrument, s.ProfileHash)
	c := s.Counts
	fmt.Fprintf(&b, "%d found, %d done (%d with warnings), %d failed, %d skipped; %.1f s, %.1f Mpixel/s\n",
		c.Found, c.Done, c.Warned, c.Failed, c.Skipped, s.Throughput.Seconds, s.Throughput.MegapixelsPerS)
	if len(s.Failures) > 0 {
		fmt.Fprintf(&b, "\nfailed\n")
		for _, f := range s.Failures {
			fmt.Fprintf(&b, "  %s\n", f.Reason)
		}
	}
	if len(s.Frames) > 0 {
		fmt.Fprintf(&b, "\n%-28s %-7s %8s %17s %13s %10s %6s %6s %6s %s\n", "product", "band", "exp. s", "offset DN", "read noise e-", "background", "sat. %", "bad %", "noise", "oldest master")
	}
	for _, f := range s.Frames {
		fmt.Fprintf(&b, "%-28s %-7s %8.4g %17s %13s %10s %6.2f %6.2f %6s %s\n", shorten(f.Product, 28), f.Band, f.ExposureS,
			f.ampColumn(func(a AmpReport) *float64 { return a.OffsetDN }, "%.1f"),
			f.ampColumn(func(a AmpReport) *float64 { return a.ReadNoiseE }, "%.2f"),
			optional(f.Background, "%.4g"), 100*f.Fractions["saturated"], 100*f.bad(), optional(f.NoiseRatio, "%.2f"), f.oldest())
		for _, w := range f.Warnings {
			fmt.Fprintf(&b, "    warning: %s\n", w)
		}
	}
	return b.String()
}

// bad is the fraction of pixels that the bad-pixel mask flags; flags can
// coincide, so it is an upper bound.
func (f *FrameReport) bad() float64 {
	sum := 0.0
	for _, i := range calib.FlagTable() {
		if calib.BadPixel&(1<<i.Bit) != 0 {
			sum += f.Fractions[i.Name]
		}
	}
	return sum
}

func (f *FrameReport) ampColumn(get func(AmpReport) *float64, format string) string {
	var parts []string
	for _, a := range f.Amplifiers {
		parts = append(parts, optional(get(a), format))
	}
	return strings.Join(parts, " ")
}

func (f *FrameReport) oldest() string {
	var old *MasterUse
	for i := range f.Masters {
		if m := &f.Masters[i]; old == nil || m.AgeDays > old.AgeDays {
			old = m
		}
	}
	if old == nil {
		return "-"
	}
	return fmt.Sprintf("%s, %.1f days", old.Kind, old.AgeDays)
}

func optional(v *float64, format string) string {
	if v == nil {
		return "-"
	}
	return fmt.Sprintf(format, *v)
}

// ShortName is the file name of a product without the ending that all have.
func ShortName(path string) string {
	name := path[strings.LastIndexAny(path, "/\\")+1:]
	return strings.TrimSuffix(name, productEnding)
}

// shorten keeps the end of a path's name.
func shorten(path string, n int) string {
	name := ShortName(path)
	if r := []rune(name); len(r) > n {
		return "…" + string(r[len(r)-n+1:])
	}
	return name
}
