package pipeline

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"evenlight/calib"
	"evenlight/fitsutil"
)

// Names of systematic terms that are not relative to the signal.
const (
	termDarkLaw  = "dark temperature law"
	termResidual = "residual fraction"
)

// within checks that a region lies in a product; nil stands for all of it.
func within(area *calib.Region, width, height int) (calib.Region, error) {
	whole := calib.Region{X1: width, Y1: height}
	if area == nil {
		return whole, nil
	}
	if area.Empty() || area.Intersect(whole) != *area {
		return calib.Region{}, fmt.Errorf("%s: not within the product, which has %d columns and %d rows", area, width, height)
	}
	return *area, nil
}

// Budget is the uncertainty of a product's pixels, term by term.
type Budget struct {
	Product string       `json:"product"`
	Area    calib.Region `json:"area"` // counted from 0, half open
	Unit    string       `json:"unit"`
	Bands   []BandBudget `json:"bands"` // one, but where pixels see different bands
}

// BandBudget is the budget of the pixels of one band. Uncertainties are standard
// uncertainties in the product's unit.
type BandBudget struct {
	Band   string  `json:"band,omitempty"`
	Pixels int     `json:"pixels"`          // without flags; of one pixel alone also one with flags that has an uncertainty
	Left   int     `json:"pixels_left_out"` // flagged
	Flags  string  `json:"flags,omitempty"` // of a single pixel
	Value  float64 `json:"value"`           // mean
	// Pixel is the root mean square of the uncertainty plane.
	Pixel  float64      `json:"pixel_uncertainty"`
	Random []RandomTerm `json:"random"`
	Mean   MeanBudget   `json:"mean"`

	Systematic []SystematicTerm `json:"systematic"`
	// SystematicAll is the root of the sum of squares of the systematic terms.
	SystematicAll float64 `json:"systematic_uncertainty"`
}

// RandomTerm is one part of the random uncertainty.
type RandomTerm struct {
	Name     string  `json:"name"`
	Common   string  `json:"common"`   // with what it is shared
	Variance float64 `json:"variance"` // mean over the pixels, the square of the product's unit; it may be negative
	Share    float64 `json:"share"`    // of the plane's variance
	InMean   float64 `json:"in_mean"`  // standard uncertainty that it brings to the mean of the pixels; negative where it takes from the variance
}

// Uncertainty is the root mean square over the pixels; negative where the term
// takes from the variance.
func (t RandomTerm) Uncertainty() float64 { return signedRoot(t.Variance) }

// signedRoot is the root of a number's size with the number's sign.
func signedRoot(v float64) float64 { return math.Copysign(math.Sqrt(math.Abs(v)), v) }

// MeanBudget is the random uncertainty of the mean of the pixels. The mean of M
// frames alike that share their masters has the variance Frame^2/M + Masters^2.
type MeanBudget struct {
	Frame   float64 `json:"own_to_the_frame"`
	Masters float64 `json:"shared_through_masters"`
	Random  float64 `json:"random"`
	Alone   float64 `json:"if_pixels_were_independent"` // root of the sum of squares of the plane, over their number
}

// SystematicTerm is an uncertainty common to the frame.
type SystematicTerm struct {
	Name        string  `json:"name"`
	Relative    float64 `json:"relative"`
	Of          string  `json:"of"` // what it is relative to
	Uncertainty float64 `json:"uncertainty"`
}

// BudgetOf makes a calibrated frame again from its inputs, found as [Verify]
// finds them, and keeps the terms of its uncertainty apart. A product that is not
// made again bit by bit is refused, since its terms would be another's.
func BudgetOf(path string, folders []string, area *calib.Region, workers int) (*Budget, error) {
	m, err := openMade(path)
	if err != nil {
		return nil, err
	}
	defer m.file.Close()
	if m.record.What != whatFrame {
		return nil, fmt.Errorf("%s is a %s: name a calibrated frame", path, m.record.What)
	}
	if err := m.file.RequireChecksums(); err != nil {
		return nil, err
	}
	c, f, err := reopen(m.in, m.record, folders, workers)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	p, chain, err := c.prepare(f)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	im := p.sensor.Image
	where, err := within(area, im.Width(), im.Height())
	if err != nil {
		return nil, err
	}
	a := &accounting{plan: p, chain: chain, product: m, where: where}
	sets, err := a.run(workers)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return a.budget(path, sets)
}

// accounting keeps the terms of some rows of a frame apart, on several
// goroutines.
type accounting struct {
	plan    *plan
	chain   *calib.Chain
	product *madeFile
	where   calib.Region
	pixels  []int // of the area, by band
	flags   calib.Flags
}

// areaOf is a job's share of the pixels, by band.
type areaOf struct {
	average []*calib.Average
	pixels  []int
	flags   calib.Flags // of the last pixel
}

// single tells whether the area is one pixel.
func (a *accounting) single() bool { return a.where.Width()*a.where.Height() == 1 }

// bands is the number of bands that pixels are kept apart by.
func (a *accounting) bands() int {
	if a.plan.sensor.Map != nil {
		return a.plan.sensor.Map.Bands
	}
	return 1
}

// run gathers the pixels of the area, by band. Jobs are merged in the order of
// the rows, so the result does not depend on the number of workers.
func (a *accounting) run(workers int) ([]*calib.Average, error) {
	jobs := (a.where.Height() + bandRows - 1) / bandRows
	done := make([]*areaOf, jobs)
	accounts := make([]*calib.Account, max(1, workers))
	with := a.plan.together()
	err := parallel(workers, jobs, func(w, i int) error {
		if accounts[w] == nil {
			accounts[w] = calib.NewAccount(a.chain)
		}
		y0 := a.where.Y0 + i*bandRows
		var err error
		done[i], err = a.rows(accounts[w], with, y0, min(y0+bandRows, a.where.Y1))
		return err
	})
	if err != nil {
		return nil, err
	}
	a.pixels, a.flags = done[0].pixels, done[0].flags
	for _, next := range done[1:] {
		for b, avg := range next.average {
			done[0].average[b].Merge(avg)
			a.pixels[b] += next.pixels[b]
		}
	}
	return done[0].average, nil
}

// rows gathers the area's pixels of some rows.
func (a *accounting) rows(account *calib.Account, with *calib.Together, y0, y1 int) (*areaOf, error) {
	out := &areaOf{pixels: make([]int, a.bands())}
	for range a.bands() {
		out.average = append(out.average, calib.NewAverage(account.Terms, with))
	}
	width := a.plan.sensor.Image.Width()
	was := &productRow{value: make([]float32, width), unc: make([]float32, width), flags: make([]int32, width)}
	use := make([]bool, width)
	err := account.Run(&rawRows{f: a.plan.frame}, y0, y1, func(r *calib.Row, e *calib.Entries) error {
		if err := a.product.row(r.Y, was); err != nil {
			return err
		}
		out.flags = calib.Flags(was.flags[a.where.X0])
		for b, avg := range out.average {
			out.pixels[b] += a.mark(use, r.Y, was, b)
			if err := a.check(use, r, was); err != nil {
				return err
			}
			avg.Add(r, e, use)
		}
		return nil
	})
	return out, err
}

// productRow is a row of a product.
type productRow struct {
	value, unc []float32
	flags      []int32
}

// row reads row y of a product.
func (m *madeFile) row(y int, dst *productRow) error {
	planes, err := m.planes()
	if err != nil {
		return err
	}
	if err := decodeRows(m.file, planes[0], 0, y, 1, dst.value); err != nil {
		return err
	}
	if err := decodeRows(m.file, planes[1], 0, y, 1, dst.unc); err != nil {
		return err
	}
	b, err := rowsOf(m.file, planes[2], 0, y, 1)
	if err != nil {
		return err
	}
	return planes[2].DecodeInt32(dst.flags, b)
}

// mark tells which pixels of a row count in a band, and counts all of the area.
func (a *accounting) mark(use []bool, y int, was *productRow, band int) int {
	clear(use)
	n := 0
	for x := a.where.X0; x < a.where.X1; x++ {
		if m := a.plan.sensor.Map; m != nil && int(m.Row(y)[x]) != band {
			continue
		}
		n++
		flags := calib.Flags(was.flags[x])
		use[x] = flags == 0 || (a.single() && flags&(calib.Unusable|calib.Filled) == 0)
	}
	return n
}

// check refuses a row that was not made again as it is in the product.
func (a *accounting) check(use []bool, r *calib.Row, was *productRow) error {
	for x, used := range use {
		if used && (r.V[x] != was.value[x] || float32(math.Sqrt(float64(r.Var[x]))) != was.unc[x]) {
			return fmt.Errorf("made again, column %d of row %d has another value or uncertainty: calibrate the frame again, or use the version that made it (%s)", x+1, r.Y+1, a.product.record.Version)
		}
	}
	return nil
}

// planes finds value, uncertainty and flags of a product.
func (m *madeFile) planes() (p [3]*fitsutil.HDU, err error) {
	for i, name := range []string{extValue, extUncertainty, extFlags} {
		if p[i], err = m.file.Find(name); err != nil {
			return p, err
		}
	}
	return p, nil
}

// budget makes the answer.
func (a *accounting) budget(path string, sets []*calib.Average) (*Budget, error) {
	unit, err := a.plan.unit()
	if err != nil {
		return nil, err
	}
	b := &Budget{Product: path, Unit: unit, Area: a.where}
	for i, avg := range sets {
		if avg.N == 0 {
			continue
		}
		name := a.plan.frame.Info.Band
		if a.plan.sensor.Map != nil {
			name = a.plan.in.Profile.Bands[i].Name
		}
		band := bandBudget(avg, a.plan.systematic())
		band.Band, band.Left = name, a.pixels[i]-avg.N
		if a.single() {
			band.Flags = a.flags.String()
		}
		b.Bands = append(b.Bands, band)
	}
	if len(b.Bands) == 0 {
		if a.single() && a.flags&calib.Filled != 0 {
			return nil, fmt.Errorf("%s: the pixel was filled in from others (%s), so its uncertainty has no such terms: name another", path, a.flags)
		}
		if a.single() {
			return nil, fmt.Errorf("%s: the pixel has no uncertainty (%s): name another", path, a.flags)
		}
		return nil, errors.New(path + ": no pixel there is without flags: name another region, or one pixel")
	}
	return b, nil
}

// bandBudget is that of one set of pixels.
func bandBudget(a *calib.Average, systematic []Term) BandBudget {
	n := float64(a.N)
	b := BandBudget{Pixels: a.N, Value: a.Sum / n, Pixel: math.Sqrt(a.PlaneVar / n)}
	var frame, masters float64
	for i, v := range a.SumVar() {
		if a.PixelVar[i] == 0 {
			continue // the camera has no such term
		}
		t := a.Terms[i]
		term := RandomTerm{Name: t.Name, Common: sharing[t.Sharing], Variance: a.PixelVar[i] / n, Share: a.PixelVar[i] / a.PlaneVar,
			InMean: signedRoot(v) / n}
		if t.Sharing == calib.OfMaster {
			masters += v
		} else {
			frame += v
		}
		b.Random = append(b.Random, term)
	}
	b.Mean = MeanBudget{Frame: math.Sqrt(max(frame, 0)) / n, Masters: math.Sqrt(max(masters, 0)) / n,
		Random: math.Sqrt(max(frame+masters, 0)) / n, Alone: math.Sqrt(a.PlaneVar) / n}
	square := 0.0
	for _, t := range systematic {
		s := SystematicTerm{Name: t.Name, Relative: t.Relative, Of: "value", Uncertainty: t.Relative * math.Abs(b.Value)}
		switch t.Name {
		case termDarkLaw:
			s.Of, s.Uncertainty = "dark charge", t.Relative*math.Abs(a.Dark/n)
		case termResidual:
			s.Of, s.Uncertainty = "residual image", t.Relative*math.Abs(a.Residual/n)
		}
		square += s.Uncertainty * s.Uncertainty
		b.Systematic = append(b.Systematic, s)
	}
	b.SystematicAll = math.Sqrt(square)
	return b
}

// sharing says in words with what an error is shared.
var sharing = map[calib.Sharing]string{
	calib.OwnPixel: "nothing", calib.OwnRow: "row", calib.OwnColumn: "column", calib.OfMaster: "frames",
}

// Text writes the budget for people.
func (b *Budget) Text() string {
	var w strings.Builder
	unit := b.Unit
	if unit == "" {
		unit = "1" // a ratio
	}
	fmt.Fprintf(&w, "%s: %s; unit %s\n", b.Product, b.Area, unit)
	for _, band := range b.Bands {
		band.text(&w)
	}
	return w.String()
}

func (b *BandBudget) text(w *strings.Builder) {
	if b.Flags != "" {
		fmt.Fprintf(w, "\none pixel (%s); %svalue %.5g\n", b.Flags, prefixedBand(b.Band), b.Value)
	} else {
		fmt.Fprintf(w, "\n%d pixels, %d left out for their flags; %smean %.5g\n", b.Pixels, b.Left, prefixedBand(b.Band), b.Value)
	}
	fmt.Fprintf(w, "\n%-40s %11s %10s %10s %12s %8s\n", "random", "of a pixel", "% of value", "% of var.", "of the mean", "shared")
	for _, t := range b.Random {
		fmt.Fprintf(w, "  %-38s %11.4g %10.4f %10.2f %12.4g %8s\n", t.Name, t.Uncertainty(), b.percent(t.Uncertainty()), 100*t.Share, t.InMean, t.Common)
	}
	fmt.Fprintf(w, "  %-38s %11.4g %10.4f %10.2f %12.4g\n", "together", b.Pixel, b.percent(b.Pixel), 100*b.share(), b.Mean.Random)
	if b.Pixels > 1 {
		b.meanText(w)
	}
	fmt.Fprintf(w, "\n%-40s %11s %10s\n", "systematic, of values and their mean", "", "% of value")
	for _, t := range b.Systematic {
		name := t.Name
		if t.Of != "value" {
			name += fmt.Sprintf(", of the %s", t.Of)
		}
		fmt.Fprintf(w, "  %-38s %11.4g %10.4f\n", name, t.Uncertainty, b.percent(t.Uncertainty))
	}
	fmt.Fprintf(w, "  %-38s %11.4g %10.4f\n", "together", b.SystematicAll, b.percent(b.SystematicAll))
}

// percent relates an uncertainty to the value.
func (b *BandBudget) percent(u float64) float64 { return 100 * u / math.Abs(b.Value) }

func (b *BandBudget) meanText(w *strings.Builder) {
	fmt.Fprintf(w, "\n%-40s %11s %10s %10s\n", "mean and sum of the pixels, random", "of the mean", "% of value", "of the sum")
	for _, l := range []struct {
		name string
		u    float64
	}{
		{"own to the frame", b.Mean.Frame}, {"shared through the masters", b.Mean.Masters},
		{"together", b.Mean.Random}, {"if pixels were independent", b.Mean.Alone},
	} {
		fmt.Fprintf(w, "  %-38s %11.4g %10.4f %10.4g\n", l.name, l.u, b.percent(l.u), l.u*float64(b.Pixels))
	}
}

// share is the sum of the terms over the plane's variance.
func (b *BandBudget) share() float64 {
	sum := 0.0
	for _, t := range b.Random {
		sum += t.Share
	}
	return sum
}

func prefixedBand(band string) string {
	if band == "" {
		return ""
	}
	return "band " + band + "; "
}
