package pipeline

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"evenlight/calib"
	"evenlight/calib/align"
)

// AgreeReport tells whether the two eyes of a stereo pair agree.
type AgreeReport struct {
	Left  string           `json:"left"`
	Right string           `json:"right"`
	Band  string           `json:"band,omitempty"`
	DX    float64          `json:"dx"` // displacement of the right eye's image, pixels
	DY    float64          `json:"dy"`
	Found *calib.Agreement `json:"agreement"`
}

// AgreeSummary is the result for all pairs.
type AgreeSummary struct {
	Pairs    []AgreeReport `json:"pairs"`
	Failures []Failure     `json:"failures"`
}

// agreeFlags are flags with which pixels are compared nevertheless; the
// agreement itself leaves all but interpolated ones out.
const agreeFlags = calib.NearSaturated | calib.OffsetUnsure

// Agree compares the two eyes of a stereo pair in calibrated frames of one raw
// file each, or of the same time and band: the right eye's image is brought
// onto the left's by one displacement, and the ratio of brightness is compared
// with what the systematic uncertainties of both allow.
func Agree(in *Instrument, files []string, workers int) (*AgreeSummary, error) {
	stereo := in.Profile.Stereo
	if stereo == nil {
		return nil, fmt.Errorf("the profile of %s names no stereo pair: give stereo", in.Profile.Instrument)
	}
	out := &AgreeSummary{Pairs: []AgreeReport{}, Failures: []Failure{}}
	type pair struct{ left, right *productFile }
	pairs := map[string]*pair{}
	var keys []string
	for _, path := range files {
		p, err := in.readProductHeader(path)
		if err != nil {
			out.Failures = append(out.Failures, Failure{path, err.Error()})
			continue
		}
		key := p.time.UTC().Format(timeForm) + " " + p.record.Band
		if pairs[key] == nil {
			pairs[key] = &pair{}
			keys = append(keys, key)
		}
		switch p.record.Detector {
		case stereo.Left:
			pairs[key].left = p
		case stereo.Right:
			pairs[key].right = p
		}
	}
	slices.Sort(keys)
	for _, key := range keys {
		p := pairs[key]
		if p.left == nil || p.right == nil {
			out.Failures = append(out.Failures, Failure{key, fmt.Sprintf("only one eye of the pair of %s is there: name the products of %s and %s", key, stereo.Left, stereo.Right)})
			continue
		}
		r, err := in.agree(p.left.path, p.right.path, stereo.MaxDisparityPixels, workers)
		if err != nil {
			out.Failures = append(out.Failures, Failure{p.left.path, fmt.Sprintf("%s and %s: %v", p.left.path, p.right.path, err)})
			continue
		}
		out.Pairs = append(out.Pairs, *r)
	}
	return out, nil
}

func (in *Instrument) agree(leftPath, rightPath string, most float64, workers int) (*AgreeReport, error) {
	left, err := in.readProduct(leftPath, workers)
	if err != nil {
		return nil, err
	}
	right, err := in.readProduct(rightPath, workers)
	if err != nil {
		return nil, err
	}
	if left.unit != right.unit {
		return nil, fmt.Errorf("their units %q and %q differ: calibrate both alike", left.unit, right.unit)
	}
	shift, err := align.Find(left.raster, right.raster, align.Options{MaxShift: most, Workers: workers, Allow: agreeFlags})
	if err != nil {
		return nil, err
	}
	onLeft := align.Resample(right.raster, shift.DX, shift.DY, align.Cubic, workers)
	// Between pixels or not, what counts here is the brightness of blocks.
	for i := range onLeft.Flags {
		onLeft.Flags[i] &^= calib.Interpolated
	}
	found, err := calib.Agree(left.raster, onLeft, calib.AgreeOptions{Systematic: append(ownTerms(left), ownTerms(right)...)})
	if err != nil {
		return nil, err
	}
	return &AgreeReport{Left: left.name(), Right: right.name(), Band: left.record.Band, DX: shift.DX, DY: shift.DY, Found: found}, nil
}

// shared are the systematic terms that both eyes have in common: they cancel
// in the ratio.
var shared = []string{"solar irradiance", "distance to the Sun"}

// ownTerms lists the relative systematic uncertainties of one eye's signal.
func ownTerms(p *productFile) []float64 {
	var out []float64
	for _, t := range p.record.Systematic {
		if !slices.Contains(shared, t.Name) && t.Name != "dark temperature law" && t.Name != "residual fraction" {
			out = append(out, t.Relative)
		}
	}
	return out
}

// Text writes the agreement for people.
func (s *AgreeSummary) Text() string {
	var b strings.Builder
	for _, p := range s.Pairs {
		a := p.Found
		word := "agree"
		if !a.Consistent {
			word = "DISAGREE"
		}
		fmt.Fprintf(&b, "%s and %s\n  right/left %.5f ± %.5f random, ± %.4f systematic: %s (%.2f standard uncertainties from 1)\n",
			p.Left, p.Right, a.Ratio, a.U, a.Systematic, word, math.Abs(a.Deviation))
		fmt.Fprintf(&b, "  displacement %.2f, %.2f pixels; %d pixels in %d blocks, %d blocks left out\n  by level     ", p.DX, p.DY, a.Pixels, a.Blocks, a.Rejected)
		for _, l := range a.Levels {
			fmt.Fprintf(&b, " %.4f±%.4f", l.Ratio, l.U)
		}
		fmt.Fprintf(&b, "\n  by quadrant  ")
		for _, q := range a.Quadrants {
			fmt.Fprintf(&b, " %.4f±%.4f", q.Ratio, q.U)
		}
		fmt.Fprintln(&b)
	}
	for _, f := range s.Failures {
		fmt.Fprintf(&b, "failed: %s\n", f.Reason)
	}
	return b.String()
}
