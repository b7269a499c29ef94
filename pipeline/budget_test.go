package pipeline_test

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"go.uber.org/zap"

	"evenlight/calib"
	"evenlight/fitsutil"
	"evenlight/pipeline"
	"evenlight/pipeline/simulate"
)

// sumRounding bounds what single precision loses of a variance in some twelve
// stages of three operations each, 2^-24 each.
const sumRounding = 36.0 / (1 << 24)

func mustBudget(t *testing.T, product string, area *calib.Region, folders ...string) *pipeline.Budget {
	t.Helper()
	b, err := pipeline.BudgetOf(product, folders, area, 2)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// planesOf reads value, uncertainty and flags of a product.
func planesOf(t *testing.T, path string) (width int, value, unc []float32, flags []int32) {
	t.Helper()
	f, err := fitsutil.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for _, name := range []string{"VALUE", "UNCERTAINTY", "FLAGS"} {
		h, err := f.Find(name)
		if err != nil {
			t.Fatal(err)
		}
		raw, err := f.ReadRows(h, 0, 0, h.Height(), nil)
		if err != nil {
			t.Fatal(err)
		}
		n := h.Width() * h.Height()
		width = h.Width()
		switch name {
		case "VALUE":
			value = make([]float32, n)
			err = h.DecodeFloat32(value, raw)
		case "UNCERTAINTY":
			unc = make([]float32, n)
			err = h.DecodeFloat32(unc, raw)
		default:
			flags = make([]int32, n)
			err = h.DecodeInt32(flags, raw)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	return width, value, unc, flags
}

// The terms of each kind of camera.
var termsOf = map[string][]string{
	"quillon": {"bias in the dark master", "bias master", "dark master", "flat master", "offset", "quantisation", "read noise", "shot noise of the dark charge", "shot noise of the light"},
	"pellam":  {"bias in the dark master", "bias master", "dark master", "flat master", "quantisation", "read noise", "shot noise of the dark charge", "shot noise of the light"},
	"brindle": {"bias in the dark master", "bias master", "dark master", "flat master", "offset", "quantisation", "read noise", "shot noise of the dark charge", "shot noise of the light"},
	"fescue":  {"bias in the dark master", "bias master", "dark master", "flat master", "offset", "quantisation", "read noise", "shot noise of the dark charge", "shot noise of the light"},
	"oxlip":   {"bias in the dark master", "bias master", "dark master", "flat master", "offset", "quantisation", "read noise", "shot noise of smear and residual image", "shot noise of the dark charge", "shot noise of the light", "smear"},
	"sallow":  {"bias in the dark master", "bias master", "dark master", "flat master", "quantisation", "read noise", "residual image", "shot noise of smear and residual image", "shot noise of the dark charge", "shot noise of the light"},
	"tarn":    {"bias in the dark master", "bias master", "dark master", "flat master", "offset", "quantisation", "read noise", "shot noise of the dark charge", "shot noise of the light"},
	"umber":   {"bias in the dark master", "bias master", "dark master", "flat master", "offset", "quantisation", "read noise", "shot noise of the dark charge", "shot noise of the light"},
}

// In each family of camera the random terms add up to the plane, in the frame
// and in single pixels, and value and number of pixels are those of the planes.
func TestTermsAddUpToThePlaneInEachFamily(t *testing.T) {
	eachCampaign(t, func(t *testing.T, c campaignOf) {
		raw := filepath.Dir(c.files[0])
		seen := map[string]bool{}
		for i, product := range c.products {
			if i%max(1, len(c.products)/4) != 0 {
				continue
			}
			width, value, unc, flags := planesOf(t, product)
			if !slices.Contains(flags, 0) {
				continue // a frame out of pace with the ground
			}
			b := mustBudget(t, product, nil, raw, c.masters)
			var pixels int
			var sum, square float64
			for _, band := range b.Bands {
				pixels += band.Pixels
				sum += band.Value * float64(band.Pixels)
				square += band.Pixel * band.Pixel * float64(band.Pixels)
				for _, term := range band.Random {
					seen[term.Name] = true
				}
				addsUp(t, product, band, band.Pixel*band.Pixel)
			}
			var n int
			var wantSum, wantSquare float64
			for x, f := range flags {
				if f == 0 {
					n++
					wantSum += float64(value[x])
					wantSquare += float64(unc[x]) * float64(unc[x])
				}
			}
			// The plane holds the root of the variance in single precision.
			if pixels != n || math.Abs(sum-wantSum) > 1e-9*math.Abs(wantSum) || math.Abs(square-wantSquare) > singleRounding*wantSquare {
				t.Errorf("%s: %d pixels, sums %g and %g; the planes have %d, %g and %g", filepath.Base(product), pixels, sum, square, n, wantSum, wantSquare)
			}
			for _, at := range []int{len(value)/2 + width/3, len(value)/3 + width/2, len(value) - 1} {
				if unc[at] != unc[at] {
					continue
				}
				one := &calib.Region{X0: at % width, X1: at%width + 1, Y0: at / width, Y1: at/width + 1}
				for _, band := range mustBudget(t, product, one, raw, c.masters).Bands {
					addsUp(t, product, band, float64(unc[at])*float64(unc[at]))
					if band.Pixels != 1 || float32(band.Value) != value[at] || math.Abs(band.Mean.Random/band.Pixel-1) > 1e-5 {
						t.Errorf("%s: pixel %d: %d pixels of value %g, want %g; of the mean %g, of the pixel %g", filepath.Base(product), at, band.Pixels, band.Value, value[at], band.Mean.Random, band.Pixel)
					}
				}
			}
		}
		var names []string
		for name := range seen {
			names = append(names, name)
		}
		slices.Sort(names)
		camera := c.in.Profile.Instrument
		if !slices.Equal(names, termsOf[camera]) {
			t.Errorf("%s: terms %q, want %q", camera, names, termsOf[camera])
		}
	})
}

// addsUp fails unless the terms of a band add up to a variance.
func addsUp(t *testing.T, product string, b pipeline.BandBudget, want float64) {
	t.Helper()
	sum, size := 0.0, 0.0
	for _, term := range b.Random {
		sum += term.Variance
		size += math.Abs(term.Variance)
	}
	if !(math.Abs(sum-want) <= sumRounding*size) {
		t.Errorf("%s: the terms add up to %g and the plane has %g", filepath.Base(product), sum, want)
	}
}

// The figures in the header, used as the README says, give the uncertainty of
// means: within a quarter, since F of a place may be 0.8 to 1.25, and the simple
// formula for the offset is up to 22 % too large. They are typical figures: the
// masters of the small cameras are of few frames, so only areas of many pixels
// are typical there.
func TestFiguresOfTheHeaderServeForMeans(t *testing.T) {
	large, oxlip, tarn := ofCampaign(t, mustRun(t, quillon), "quillon"), mustFamily(t, "oxlip"), mustFamily(t, "tarn")
	big := []calib.Region{{X0: 20, X1: 21, Y0: 200, Y1: 500}, {X0: 20, X1: 220, Y0: 300, Y1: 301}, {X0: 100, X1: 110, Y0: 250, Y1: 260},
		{X0: 100, X1: 200, Y0: 250, Y1: 350}, {X0: 10, X1: 250, Y0: 10, Y1: 500}}
	little := []calib.Region{{X0: 30, X1: 40, Y0: 10, Y1: 90}, {X0: 10, X1: 60, Y0: 50, Y1: 54}, {X0: 20, X1: 40, Y0: 20, Y1: 40}, {X0: 5, X1: 60, Y0: 5, Y1: 90}}
	for _, c := range []struct {
		product string
		areas   []calib.Region
		folders []string
		lines   bool
	}{
		{large.products[0], big, []string{filepath.Dir(large.files[0]), large.masters}, false},
		{large.products[len(large.products)-1], big, []string{filepath.Dir(large.files[0]), large.masters}, false},
		{oxlip.run.Frames[0].Product, little, []string{oxlip.raw, oxlip.masters}, false},
		{inLine(t, tarn), little, []string{tarn.raw, tarn.masters}, true},
	} {
		card := cardsOf(t, c.product)
		width, value, _, flags := planesOf(t, c.product)
		for _, area := range c.areas {
			b := mustBudget(t, c.product, &area, c.folders...).Bands[0]
			frame, masters := byTheHeader(card, &b, area, meanSquare(value, flags, width, area), c.lines)
			for what, pair := range map[string][2]float64{"own to the frame": {frame, b.Mean.Frame}, "shared through masters": {masters, b.Mean.Masters}} {
				t.Logf("%s, %s: %s %.4g by the header, %.4g by the budget", filepath.Base(c.product), area, what, pair[0], pair[1])
				if ratio := pair[0] / pair[1]; !(ratio > 0.8 && ratio < 1.25) {
					t.Errorf("%s, %s: %s is %.4g by the header and %.4g by the budget", filepath.Base(c.product), area, what, pair[0], pair[1])
				}
			}
		}
	}
}

// inLine is a product of a line scanner whose pixels are not all flagged.
func inLine(t *testing.T, f *family) string {
	t.Helper()
	for _, r := range f.run.Frames {
		if r.Good > 0.5 {
			return r.Product
		}
	}
	t.Fatal("all frames are flagged")
	return ""
}

// byTheHeader follows the README: the standard uncertainty of a mean that is the
// frame's own, and the one that comes through the masters.
func byTheHeader(card map[string]float64, b *pipeline.BandBudget, area calib.Region, meanSquare float64, lines bool) (frame, masters float64) {
	n, columns := float64(b.Pixels), float64(area.Width())
	inRows := min(1, card["UCROWS"]/float64(area.Height()))
	pixel := card["UMPIXEL"]*card["UMPIXEL"] + card["UMFLAT"]*card["UMFLAT"]*meanSquare
	row := card["UMROW"] * card["UMROW"]
	masters = pixel/n + row*inRows
	if lines {
		masters = pixel/columns + row
	}
	frame = (b.Pixel*b.Pixel-pixel)/n + card["UCROW"]*card["UCROW"]*inRows + card["UCCOL"]*card["UCCOL"]/columns
	return math.Sqrt(frame), math.Sqrt(masters)
}

// meanSquare is that of the unflagged values of an area.
func meanSquare(value []float32, flags []int32, width int, area calib.Region) float64 {
	n, sum := 0, 0.0
	for y := area.Y0; y < area.Y1; y++ {
		for x := area.X0; x < area.X1; x++ {
			if i := y*width + x; flags[i] == 0 {
				n++
				sum += float64(value[i]) * float64(value[i])
			}
		}
	}
	return sum / float64(n)
}

// cardsOf reads the header's figures for means.
func cardsOf(t *testing.T, path string) map[string]float64 {
	t.Helper()
	f, err := fitsutil.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	out := map[string]float64{}
	for _, key := range []string{"UCROW", "UCROWS", "UCFRAME", "UMPIXEL", "UMFLAT", "UMROW", "UCCOL"} {
		v, ok, err := f.HDUs()[0].Header.Float(key)
		if err != nil || (!ok && key != "UCCOL") {
			t.Fatalf("%s: %s: %v, %t", path, key, err, ok)
		}
		out[key] = v
	}
	return out
}

// The offset's figures of a small quillon follow from its profile: 16 columns
// of overscan, 15 rows of them together, 96 in all.
func TestFiguresOfTheOffsetFollowFromTheOverscan(t *testing.T) {
	c := ofCampaign(t, mustRun(t, quillon), "quillon")
	card := cardsOf(t, c.products[0])
	b := mustBudget(t, c.products[0], &calib.Region{X0: 250, X1: 254, Y0: 250, Y1: 254}, filepath.Dir(c.files[0]), c.masters).Bands[0]
	var read float64
	for _, term := range b.Random {
		if term.Name == "read noise" {
			read = term.Uncertainty()
		}
	}
	// Of the noisier amplifier, whose read noise is 8.2/7.5 of the other's; the
	// pattern of the overscan is in the scatter of its samples, so the figures
	// lie up to a quarter above those of the read noise alone.
	for _, f := range []struct {
		key     string
		samples float64
	}{{"UCROW", 16 * 15}, {"UCFRAME", 16 * 512}} {
		want := read / math.Sqrt(f.samples)
		if ratio := card[f.key] / want; !(ratio > 0.95 && ratio < 1.25*8.2/7.5) {
			t.Errorf("%s is %.4g, %.3f times what %g samples of the read noise give", f.key, card[f.key], ratio, f.samples)
		}
	}
	if card["UCROWS"] != 15 {
		t.Errorf("UCROWS is %g, want 15", card["UCROWS"])
	}
}

// A frame of which one amplifier's overscan never arrived is made all the same,
// and the figures are those of the other amplifier.
func TestFiguresOfAFrameWithoutHalfItsOverscan(t *testing.T) {
	c := mustRun(t, quillon)
	in := instrument(t, "quillon", "detectors.0.fill_dn=0")
	whole := c.frames(t, "scene")[0]
	lost := rewrite(t, whole, filepath.Join(t.TempDir(), "lost.fits"), func(_ *fitsutil.Header, samples []byte) ([]int, []byte) {
		for y := range 512 {
			for x := range 16 {
				binary.BigEndian.PutUint16(samples[2*(y*544+x):], 0x8000) // raw 0
			}
		}
		return nil, nil
	})
	var cards []map[string]float64
	for _, file := range []string{whole, lost} {
		s := calibrate(t, in, []string{file}, pipeline.RunOptions{MastersDir: c.masters})
		if s.Counts.Done != 1 {
			t.Fatal(s.Failures)
		}
		cards = append(cards, cardsOf(t, s.Frames[0].Product))
	}
	for key, v := range cards[0] {
		// The right amplifier has most of each figure: g and r are larger.
		if cards[1][key] != v {
			t.Errorf("%s is %g without the left overscan and %g with it", key, cards[1][key], v)
		}
	}
}

// A budget is the same for any number of workers.
func TestBudgetDoesNotDependOnTheNumberOfWorkers(t *testing.T) {
	for _, camera := range []string{"brindle", "oxlip", "tarn"} {
		f := mustFamily(t, camera)
		var want []byte
		for _, workers := range []int{1, 2, 5} {
			b, err := pipeline.BudgetOf(f.run.Frames[0].Product, []string{f.raw, f.masters}, nil, workers)
			if err != nil {
				t.Fatal(err)
			}
			got, err := json.Marshal(b)
			if err != nil {
				t.Fatal(err)
			}
			if want == nil {
				want = got
			}
			if !bytes.Equal(got, want) {
				t.Errorf("%s: %d workers give another budget than 1", camera, workers)
			}
		}
	}
}

// What cannot be accounted for is told with what to do.
func TestBudgetsThatCannotBeMadeAreRefused(t *testing.T) {
	f := mustFamily(t, "oxlip")
	product := f.run.Frames[0].Product
	width, value, _, flags := planesOf(t, product)
	lost := slices.IndexFunc(flags, func(b int32) bool { return calib.Flags(b)&calib.Unusable != 0 })
	if lost < 0 {
		t.Fatal("no pixel is lost or saturated")
	}
	// Two words that change places leave both checksums as they were.
	data, err := os.ReadFile(product)
	if err != nil {
		t.Fatal(err)
	}
	at := bytes.Index(data, floats(value[:8]))
	if at < 0 || value[1] == value[2] {
		t.Fatal("the first values are not found")
	}
	changed := slices.Clone(data)
	copy(changed[at+4:], data[at+8:at+12])
	copy(changed[at+8:], data[at+4:at+8])
	other := filepath.Join(t.TempDir(), "changed.fits")
	if err := os.WriteFile(other, changed, 0o666); err != nil {
		t.Fatal(err)
	}
	folders := []string{f.raw, f.masters}
	for _, c := range []struct {
		name, product string
		folders       []string
		area          *calib.Region
		words         []string
	}{
		{"absent", "absent.fits", folders, nil, []string{"absent.fits"}},
		{"a master", f.built.Made[0].Path, folders, nil, []string{f.built.Made[0].Path, "calibrated frame"}},
		{"no inputs there", product, []string{t.TempDir()}, nil, []string{product, "--inputs"}},
		{"beyond the frame", product, folders, &calib.Region{X0: 90, X1: 97, Y0: 0, Y1: 5}, []string{"96 columns and 96 rows", "columns 91-97"}},
		{"a lost pixel", product, folders, &calib.Region{X0: lost % width, X1: lost%width + 1, Y0: lost / width, Y1: lost/width + 1}, []string{product, "no uncertainty", "name another"}},
		{"changed", other, folders, nil, []string{other, "column 2 of row 1", "calibrate the frame again"}},
	} {
		_, err := pipeline.BudgetOf(c.product, c.folders, c.area, 2)
		if err == nil {
			t.Errorf("%s: no error", c.name)
			continue
		}
		for _, w := range c.words {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%s: %v, want %q in it", c.name, err, w)
			}
		}
	}
}

// floats encodes numbers as FITS does.
func floats(v []float32) []byte {
	out := make([]byte, 4*len(v))
	fitsutil.EncodeFloat32(out, v)
	return out
}

// The systematic terms are those of the header, in the product's unit.
func TestBudgetHasTheSystematicTermsOfTheHeader(t *testing.T) {
	f := mustFamily(t, "sallow")
	followers := 0
	for _, r := range f.run.Frames {
		record, err := pipeline.ReadProvenance(r.Product)
		if err != nil {
			t.Fatal(err)
		}
		b := mustBudget(t, r.Product, nil, f.raw, f.masters).Bands[0]
		if len(b.Systematic) != len(record.Systematic) || len(b.Systematic) < 5 {
			t.Fatalf("%s: %d terms, the header has %d", r.Product, len(b.Systematic), len(record.Systematic))
		}
		square := 0.0
		for i, s := range b.Systematic {
			want := record.Systematic[i]
			if s.Name != want.Name || s.Relative != want.Relative {
				t.Errorf("%s: term %+v, the header has %+v", r.Product, s, want)
			}
			if s.Of == "value" && math.Abs(s.Uncertainty-s.Relative*math.Abs(b.Value)) > 1e-12*s.Uncertainty {
				t.Errorf("%s: %+v of a value of %g", r.Product, s, b.Value)
			}
			square += s.Uncertainty * s.Uncertainty
		}
		if math.Abs(b.SystematicAll-math.Sqrt(square)) > 1e-12*b.SystematicAll {
			t.Errorf("%s: together %g, want %g", r.Product, b.SystematicAll, math.Sqrt(square))
		}
		text := mustBudget(t, r.Product, nil, f.raw, f.masters).Text()
		words := []string{"dark temperature law, of the dark charge", "responsivity", "if pixels were independent", "W m-2 sr-1 nm-1"}
		if r.Before != "" {
			words = append(words, "of the residual image")
			followers++
		}
		for _, w := range words {
			if !strings.Contains(text, w) {
				t.Errorf("%s: %q is not in\n%s", r.Product, w, text)
			}
		}
	}
	if followers == 0 {
		t.Error("no frame had a residual image")
	}
}

// Means of blocks of pixels scatter about the truth of the simulated frames as
// their budget says, in cameras whose pixels share errors in unlike ways:
// overscan; smear and companding; one row of masters. The blocks of a frame stand on a diagonal, so that few of their
// errors are common; what remains is why a frame counts as one independent
// block for each sixteen rows.
func TestMeansOfBlocksScatterAboutTheTruth(t *testing.T) {
	for _, camera := range []string{"quillon", "oxlip", "tarn"} {
		t.Run(camera, func(t *testing.T) {
			f := mustFamily(t, camera)
			in := smallInstrument(t, camera, "output.quantity=electrons")
			run, err := pipeline.Calibrate(in, f.files, pipeline.RunOptions{MastersDir: f.masters, OutDir: t.TempDir(), Workers: 2, Log: zap.NewNop()})
			if err != nil || len(run.Frames) == 0 {
				t.Fatal(err, run.Failures)
			}
			var n, independent, square, alone float64
			for _, r := range run.Frames[:min(len(run.Frames), 8)] {
				truth, err := simulate.LoadTruth(simulate.TruthFile(f.truth, strings.TrimSuffix(filepath.Base(r.Raw), ".fits"), r.Detector))
				if err != nil {
					t.Fatal(err)
				}
				width, value, _, flags := planesOf(t, r.Product)
				height := min(len(value)/width, 96)
				rows := 0
				for y := 0; y+8 <= height; y += 8 {
					x := y * 5 % (width - 7)
					block := calib.Region{X0: x, X1: x + 8, Y0: y, Y1: y + 8}
					want, ok := meanOf(truth, flags, block)
					if !ok {
						continue
					}
					b := mustBudget(t, r.Product, &block, f.raw, f.masters).Bands[0]
					off := b.Value - want
					square += off * off / (b.Mean.Random * b.Mean.Random)
					alone += off * off / (b.Mean.Alone * b.Mean.Alone)
					n++
					rows += 8
				}
				independent += float64(rows) / 16
			}
			bound := 4.5 * math.Sqrt(2/independent)
			t.Logf("%.0f blocks, mean square of the pulls %.3f; as if pixels were independent %.3f; bound %.2f", n, square/n, alone/n, bound)
			if !(math.Abs(square/n-1) < bound) || n < 30 {
				t.Errorf("mean square of the pulls of %.0f means is %.3f, want 1 within %.2f", n, square/n, bound)
			}
		})
	}
}

// meanOf is the true mean of the unflagged pixels of a block; false where a
// cosmic ray or a bent pixel is among them, which no flag tells, or fewer than
// half are good.
func meanOf(truth *simulate.Truth, flags []int32, block calib.Region) (float64, bool) {
	n, sum := 0, 0.0
	for y := block.Y0; y < block.Y1; y++ {
		for x := block.X0; x < block.X1; x++ {
			i := y*truth.Width + x
			if flags[i] != 0 {
				continue
			}
			if truth.Cosmic[i] != 0 || truth.Defects[i] != 0 {
				return 0, false
			}
			n++
			sum += float64(truth.Electrons[i])
		}
	}
	return sum / float64(n), 2*n >= block.Width()*block.Height()
}
