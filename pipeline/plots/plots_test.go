package plots

import (
	"bytes"
	"encoding/xml"
	"errors"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestSamplesCanBeLookedAt writes the samples where EVENLIGHT_PLOTS says, for
// eyes.
func TestSamplesCanBeLookedAt(t *testing.T) {
	dir := os.Getenv("EVENLIGHT_PLOTS")
	if dir == "" {
		t.Skip("EVENLIGHT_PLOTS names no folder to draw the samples into")
	}
	for name, p := range samples() {
		svg, picture := drawBoth(t, p)
		for ending, data := range map[string][]byte{".svg": svg, ".png": picture} {
			if err := os.WriteFile(filepath.Join(dir, name+ending), data, 0o666); err != nil {
				t.Fatal(err)
			}
		}
	}
}

func drawBoth(t *testing.T, p drawn) (svg, picture []byte) {
	t.Helper()
	f, err := p.Draw()
	if err != nil {
		t.Fatal(err)
	}
	if svg, err = f.SVG(); err != nil {
		t.Fatal(err)
	}
	if picture, err = f.PNG(); err != nil {
		t.Fatal(err)
	}
	return svg, picture
}

// words returns all text of an SVG file, and fails if it is not well-formed.
func words(t *testing.T, svg []byte) string {
	t.Helper()
	var all strings.Builder
	d := xml.NewDecoder(bytes.NewReader(svg))
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return all.String()
		}
		if err != nil {
			t.Fatalf("the SVG file is not well-formed: %v", err)
		}
		if piece, ok := token.(xml.CharData); ok {
			all.Write(piece)
			all.WriteByte('\n')
		}
	}
}

func TestSameNumbersGiveSameBytes(t *testing.T) {
	again := samples()
	for name, p := range samples() {
		svg, picture := drawBoth(t, p)
		svg2, picture2 := drawBoth(t, again[name])
		if !bytes.Equal(svg, svg2) || !bytes.Equal(picture, picture2) {
			t.Errorf("%s: two drawings of the same numbers differ", name)
		}
	}
}

func TestDrawingDoesNotChangeItsInput(t *testing.T) {
	p := sampleTransfer([]string{"A"})
	p.Notes = append(make([]string, 0, 10), p.Notes...)
	first, _ := drawBoth(t, p)
	second, _ := drawBoth(t, p)
	if !bytes.Equal(first, second) {
		t.Error("a plot that is drawn twice looks different the second time")
	}
}

func TestFilesSayWhatIsPlotted(t *testing.T) {
	p := sampleTransfer([]string{"A", "B"})
	p.Subject = `<mode> "fast" & cold`
	svg, _ := drawBoth(t, p)
	said := words(t, svg)
	for _, want := range []string{"Photon transfer", p.Subject, "mean signal above offset, DN", "temporal variance, DN²", "A bends at 18 000 DN", "fitted", "left out of the fit", "Bars are one standard uncertainty."} {
		if !strings.Contains(said, strings.ReplaceAll(want, "18 000", "18\u2009000")) {
			t.Errorf("the plot does not say %q", want)
		}
	}
}

// whereIs returns the middle of the pixels of one colour.
func whereIs(t *testing.T, m image.Image, c color.NRGBA) (x, y float64) {
	t.Helper()
	n := 0.0
	for row := range m.Bounds().Dy() {
		for column := range m.Bounds().Dx() {
			if color.NRGBAModel.Convert(m.At(column, row)) == c {
				x, y, n = x+float64(column), y+float64(row), n+1
			}
		}
	}
	if n == 0 {
		t.Fatalf("nothing of colour %v is drawn", c)
	}
	return x / n, y / n
}

// Three points, of which two stand in opposite corners, show the scales: the
// third is a quarter of the way. Discs of some ten pixels have their middle to
// half a pixel.
func TestPointsStandWhereTheScalesSay(t *testing.T) {
	for _, test := range []struct {
		name         string
		log          bool
		low, at, top float64
	}{
		{"linear", false, 0, 25, 100},
		{"logarithmic", true, 1, 10, 10000},
	} {
		axis := Axis{Log: test.log, Min: test.low, Max: test.top}
		// No key, which would have the colours, too.
		c := &Chart{X: axis, Y: axis, Points: []Points{{Name: "low"}, {Name: "top"}, {Name: "third"}}}
		for i, v := range []float64{test.low, test.top, test.at} {
			c.Points[i].X, c.Points[i].Y = []float64{v}, []float64{v}
		}
		f, err := c.Draw()
		if err != nil {
			t.Fatal(err)
		}
		f.key = nil
		data, err := f.PNG()
		if err != nil {
			t.Fatal(err)
		}
		m, err := png.Decode(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		lowX, lowY := whereIs(t, m, blue)
		topX, topY := whereIs(t, m, vermillion)
		x, y := whereIs(t, m, green)
		wantX, wantY := lowX+(topX-lowX)/4, lowY+(topY-lowY)/4
		if math.Abs(x-wantX) > 1 || math.Abs(y-wantY) > 1 || topX-lowX < 500 || lowY-topY < 300 {
			t.Errorf("%s: the point stands at (%.1f, %.1f), want (%.1f, %.1f)", test.name, x, y, wantX, wantY)
		}
	}
}

func TestDifferencesAreInUnitsOfTheUncertainty(t *testing.T) {
	p := &PhotonTransfer{Sets: []TransferSet{{
		Mean: []float64{10, 100, 1000}, Variance: []float64{12, 95, 700}, UVariance: []float64{1, 10, 50},
		Used: []bool{true, true, false}, Fit: func(mean float64) float64 { return mean },
	}}}
	f, err := p.Draw()
	if err != nil {
		t.Fatal(err)
	}
	if len(f.panels) != 2 {
		t.Fatalf("%d panels, want 2", len(f.panels))
	}
	got := f.panels[1].layers[0].(*pointsLayer).Y
	if got[0] != 2 || got[1] != -0.5 || !math.IsNaN(got[2]) {
		t.Errorf("differences %v, want 2, -0.5 and none for what the fit left out", got)
	}
	if upper, lower := f.panels[0].x, f.panels[1].x; upper.Min != lower.Min || upper.Max != lower.Max {
		t.Error("the two panels have different horizontal axes")
	}
}

// k = 8.617333262e-5 eV/K (CODATA 2018), so that 1/kT at 253 K is 45.8672.
func TestTemperaturesStandAtInverseKT(t *testing.T) {
	if got, want := inverse(253), 1/(8.617333262e-5*253); math.Abs(got-want) > 1e-6 {
		t.Errorf("1/kT at 253 K is %v, want %v", got, want)
	}
	f, err := sampleDark().Draw()
	if err != nil {
		t.Fatal(err)
	}
	p := f.panels[0]
	if len(p.x.Across) < 3 {
		t.Fatalf("%d temperatures on the axis", len(p.x.Across))
	}
	for _, tick := range p.x.Across {
		if kelvin := inverse(tick.At); number(kelvin, 0) != tick.Label {
			t.Errorf("the place of %s K is that of %v K", tick.Label, kelvin)
		}
	}
}

func TestRatesThatHaveNoLogarithmAreToldOf(t *testing.T) {
	p := &DarkCurrent{Sets: []DarkSet{{TempK: []float64{250, 255, 260}, Rate: []float64{-0.1, 0, 2}, URate: []float64{1, 1, 1}}}}
	svg, _ := drawBoth(t, p)
	if !strings.Contains(words(t, svg), "not above 0: 2 rates") {
		t.Error("nothing tells of the two rates that cannot be drawn")
	}
}

// The normal curve holds as many pixels as were counted, and its highest bin
// N w / (sd sqrt(2 pi)) of them, to the second order of bin width over sd:
// (w/sd)^2 / 24 = 1.7e-3.
func TestNormalCurveHasTheCountsOfItsBins(t *testing.T) {
	const n, sd, width = 1000.0, 5.0, 1.0
	c := Counts{NormalMean: 0.5, NormalSD: sd}
	for edge := -40.0; edge <= 41; edge += width {
		c.Edges = append(c.Edges, edge)
	}
	c.Counts = make([]float64, len(c.Edges)-1)
	c.Counts[40] = n
	k := c.normal()
	sum, most := 0.0, 0.0
	for _, v := range k.Y {
		sum, most = sum+v, max(most, v)
	}
	if math.Abs(sum-n) > 1e-9*n {
		t.Errorf("the curve holds %v pixels, want %v", sum, n)
	}
	if want := n * width / (sd * math.Sqrt(2*math.Pi)); math.Abs(most/want-1) > width*width/(sd*sd)/24*1.01 {
		t.Errorf("its highest bin holds %v, want %v", most, want)
	}
}

func TestBadNumbersAreRefusedOrLeftOut(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, test := range []struct {
		name string
		plot drawn
		want string // part of the error; empty: it is drawn
	}{
		{"lengths", &Chart{Points: []Points{{Name: "A", X: []float64{1}, Y: []float64{1, 2}}}}, `points "A"`},
		{"uncertainties", &PhotonTransfer{Sets: []TransferSet{{Name: "A", Mean: []float64{1, 2}, Variance: []float64{1, 2}, UVariance: []float64{1}, Fit: math.Sqrt}}}, `points "A"`},
		{"curve", &Chart{Points: []Points{{X: []float64{1}, Y: []float64{1}}}, Curves: []Curve{{Name: "law", X: []float64{1}}}}, `curve "law"`},
		{"nothing", &Chart{}, "no value"},
		{"no transfer", &PhotonTransfer{}, "no value"},
		{"nothing finite", &Linearity{Sets: []Points{{X: []float64{1, nan}, Y: []float64{inf, 1}}}}, "no value"},
		{"no logarithm", &PhotonTransfer{Sets: []TransferSet{{Mean: []float64{0, -1}, Variance: []float64{1, 1}}}}, "no value"},
		{"dark lengths", &DarkCurrent{Sets: []DarkSet{{TempK: []float64{250, 260}, Rate: []float64{1}}}}, "points"},
		{"edges", &Histogram{Sets: []Counts{{Name: "A", Edges: []float64{1, 2}, Counts: []float64{1, 2}}}}, `histogram "A"`},
		{"falling edges", &Histogram{Sets: []Counts{{Edges: []float64{2, 1}, Counts: []float64{1}}}}, "do not rise"},
		{"empty histogram", &Histogram{Sets: []Counts{{Edges: []float64{1, 2}, Counts: []float64{0}}}}, "no value"},
		{"no pattern", &Pattern{}, "no value"},
		{"all gaps", &Pattern{Rows: []Profile{{Values: []float64{nan, nan}}}}, "no value"},

		{"one point", &Chart{Points: []Points{{X: []float64{3}, Y: []float64{0}}}}, ""},
		{"one point, logarithmic", &PhotonTransfer{Sets: []TransferSet{{Mean: []float64{3}, Variance: []float64{4}}}}, ""},
		{"equal values", &Linearity{Sets: []Points{{X: []float64{1, 2}, Y: []float64{5, 5}, U: []float64{0, nan}}}}, ""},
		{"tiny range", &Chart{Points: []Points{{X: []float64{1, 1 + 1e-13}, Y: []float64{1e30, -1e30}}}}, ""},
		{"gaps", &Chart{Points: []Points{{X: []float64{1, nan, 2}, Y: []float64{1, 1, inf}, Joined: true}}}, ""},
		{"one bin", &Histogram{Sets: []Counts{{Edges: []float64{1, 2}, Counts: []float64{7}}}}, ""},
		{"a column", &Pattern{Columns: []Profile{{First: 5, Values: []float64{0.5}}}}, ""},
	} {
		f, err := test.plot.Draw()
		switch {
		case test.want != "":
			if err == nil || !strings.Contains(err.Error(), test.want) {
				t.Errorf("%s: error %v, want one with %q", test.name, err, test.want)
			}
		case err != nil:
			t.Errorf("%s: %v", test.name, err)
		default:
			svg, err := f.SVG()
			if err != nil {
				t.Errorf("%s: %v", test.name, err)
			}
			if s := string(svg); strings.Contains(s, "NaN") || strings.Contains(s, "Inf") {
				t.Errorf("%s: the drawing has places that are no numbers", test.name)
			}
		}
	}
}

func TestTicks(t *testing.T) {
	labels := func(ticks []Tick) string {
		names := make([]string, len(ticks))
		for i := range ticks {
			names[i] = ticks[i].Label
		}
		return strings.ReplaceAll(strings.Join(names, " "), "\u2009", "_")
	}
	logNames := func(low, high float64) string { ticks, _ := logTicks(low, high); return labels(ticks) }
	for _, test := range []struct{ got, want string }{
		{labels(linearTicks(0, 1)), "0.0 0.2 0.4 0.6 0.8 1.0"},
		{labels(linearTicks(-0.021, 0.021)), "−0.02 −0.01 0.00 0.01 0.02"},
		{labels(linearTicks(0, 18000)), "0 5000 10_000 15_000"},
		{labels(linearTicks(8.31, 8.67)), "8.35 8.40 8.45 8.50 8.55 8.60 8.65"},
		{logNames(5, 30000), "10 100 1000 10_000"},
		{logNames(0.7, 6), "1 2 5"},
		{logNames(0.03, 2), "0.05 0.1 0.2 0.5 1 2"},
		{logNames(1e-6, 1e6), "1e−06 0.0001 0.01 1 100 10_000 1000_000"},
	} {
		if test.got != test.want {
			t.Errorf("ticks %q, want %q", test.got, test.want)
		}
	}
}

func TestSeriesDifferInColourAndShape(t *testing.T) {
	for name, want := range map[string][]color.NRGBA{
		"A,B":           {blue, vermillion},
		"A red,A green": {vermillion, green},
		"red,panel":     {blue, vermillion}, // not all are colours
		"A Blue,B Blue": {blue, blue},       // told apart by their shapes
	} {
		got := coloursOf(strings.Split(name, ","))
		if got[0] != want[0] || got[1] != want[1] {
			t.Errorf("%s: colours %v, want %v", name, got, want)
		}
	}
	seen := map[string]bool{}
	for i := range corners {
		var b strings.Builder
		for _, c := range corners[i] {
			b.WriteString(number(c[0], 2) + "," + number(c[1], 2) + " ")
		}
		seen[b.String()] = true
	}
	if len(seen) != len(corners) {
		t.Error("two shapes are alike")
	}
}
