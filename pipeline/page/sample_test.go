package page

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"time"
)

// hostile is text that would be markup, or would turn the line around, if it
// were not shown as text.
const hostile = "<script>alert('x')</script><img src=x onerror=alert(1)>\u202e\x07 & \"end\""

// SamplePage makes up a page of n frames with details in place, a failure, an
// alert, a trend and a master. The target of the third frame is hostile text.
func SamplePage(n int) *Page {
	p := &Page{
		Title: "quillon, run of products", Kind: KindRun, Software: "evenlight", Version: "0.0.0", Instrument: "quillon",
		ProfileHash: "0f3c", Sampling: "pictures and plots are of 128 rows of each frame",
		Counts: Counts{Found: n + 3, Done: n, Failed: 1, Skipped: 2, Warned: n / 4, Alerts: 1, Quarantined: 1, Masters: 1,
			ByBand: []Count{{"vis", "green", n, n / 4}}},
		Attention: []Attention{
			{Kind: "failure", Grade: GradeAct, Text: "1 frame could not be calibrated: no flat of band violet", Remedy: "make masters of the band, then calibrate again", Count: 1, Names: []string{"0007-" + hostile + ".fits"}},
			{Kind: "alert", Grade: GradeAct, Text: "noise above 1.3", Since: "2031-04-05T06:10:00Z", Count: 0},
			{Kind: "noise", Grade: GradeLook, Text: "noise far from the expected", Count: n / 4, Frames: []int{1}, Charts: []string{"t1"}},
		},
		Failures: []Failure{{Raw: "raw/0007-" + hostile + ".fits", Name: "0007-" + hostile + ".fits", Reason: "no flat of band violet", Remedy: "make masters of the band, then calibrate again", Entry: "quarantine/0007"}},
		Alerts:   []Alert{{Rule: "noise", Subject: "quillon vis green", Message: "noise_ratio 1.4 is above 1.3", Since: "2031-04-05T06:10:00Z", First: "2031-04-05T06:20:00Z", Holds: true}},
		Parts:    []PartRef{},
	}
	start := time.Date(2031, 4, 5, 6, 7, 8, 0, time.UTC)
	ptr := func(v float64) *float64 { return &v }
	master := Master{ID: "m1", Kind: "bias", Name: "bias-vis.fits", Path: "masters/bias-vis.fits", Link: "../masters/bias-vis.fits", SHA256: "12ab", Detector: "vis", Mode: "normal",
		First: "2031-04-04T00:00:00Z", Last: "2031-04-04T01:00:00Z", Inputs: 16, Served: n, OldestD: ptr(1.25), State: StateGood}
	p.Masters = []Master{master}
	p.MasterDetails = []MasterDetail{{Master: master, Command: "evenlight provenance ../masters/bias-vis.fits", Provenance: "master bias of 16 frames",
		Inputs: []Source{{"raw", "0001-bias.fits", "77aa"}},
		Images: []Image{samplePicture("value", 1), samplePicture("uncertainty", 2), samplePicture("samples", 3)}}}
	for i := range n {
		f := Frame{N: i + 1, ID: fmt.Sprintf("f%05d", i+1), Name: fmt.Sprintf("%04d-scene.fits", i+1), Detector: "vis", Band: "green", Mode: "normal", Target: "Tessaly", Instrument: "quillon",
			Time: start.Add(time.Duration(i) * time.Minute).Format(time.RFC3339), ExposureS: 0.25, TempK: ptr(251.5), Unit: "electron", Background: ptr(10 + float64(i%7)), Median: ptr(2500 + float64(i%11)),
			Good: ptr(0.99), Saturated: 0.001, NoiseRatio: ptr(1 + 0.01*float64(i%5)), OldestDays: ptr(1.25), State: StateGood, Warnings: []string{}, Flags: []FlagPart{{"saturated", 0.001}, {"hot", 0.0005}}}
		f.Raw, f.Product, f.Link = "raw/"+f.Name, fmt.Sprintf("products/%04d-scene-calibrated.fits", i+1), fmt.Sprintf("../products/%04d-scene-calibrated.fits", i+1)
		if i%4 == 0 {
			f.State, f.Warnings = StateLook, []string{"noise is 1.40 of the expected (fine structure of the scene counts as noise here)"}
			f.NoiseRatio = ptr(1.4)
		}
		if i == 2 {
			f.Target = hostile
		}
		p.Frames = append(p.Frames, f)
		p.Details = append(p.Details, sampleDetail(f, i))
	}
	p.Trends = []Chart{{ID: "t1", Instrument: "quillon", Detector: "vis", Mode: "normal", Band: "green", Metric: "noise_ratio", Title: "noise_ratio of vis, normal, green", Kind: "ewma",
		Centre: ptr(1), Lower: ptr(0.95), Upper: ptr(1.05), Points: n, Out: 1, FirstOut: &ChartPoint{"2031-04-05T06:10:00Z", "0001-scene.fits", 1, 1.4, 1.1}, Alt: "noise_ratio over time: 1 point is outside of the limits 0.95 and 1.05", SVG: sampleDrawing("noise_ratio")}}
	return p
}

func sampleDetail(f Frame, i int) Detail {
	ptr := func(v float64) *float64 { return &v }
	d := Detail{Frame: f, Amplifiers: []Amplifier{{"A", ptr(300.2), ptr(0.8), ptr(4.6)}}, Bands: []BandLevel{},
		Masters: []MasterUse{{Kind: "bias", Name: "bias-vis.fits", SHA256: "12ab", AgeDays: ptr(1.25), TempDiffK: ptr(0.1), Master: "m1"}},
		Command: "evenlight provenance " + f.Link, Provenance: "calibrated frame of " + f.Name + "\nstages: offset, bias, gain\n"}
	flags := samplePicture("flags", i)
	flags.Stretch, flags.Legend = nil, []Key{{"saturated", "#D55E00", 12}, {"bad pixel", "#0072B2", 7}}
	d.Images = []Image{samplePicture("raw", i), samplePicture("value", i+1), flags}
	for _, kind := range []string{"histogram", "columns", "rows", "noise"} {
		d.Plots = append(d.Plots, Plot{Kind: kind, Title: kind, Alt: kind + " of " + f.Name, X: "value, electron", Y: "pixels",
			Series: []Series{{Name: "pixels", X: []float64{1, 2, 3}, Y: []*float64{ptr(10), nil, ptr(1)}}}, SVG: sampleDrawing(kind)})
	}
	return d
}

func samplePicture(kind string, seed int) Image {
	const side = 24
	im := image.NewGray(image.Rect(0, 0, side, side))
	for i := range im.Pix {
		im.Pix[i] = color.Gray{uint8((i*7 + seed*31) % 251)}.Y
	}
	var b bytes.Buffer
	if err := png.Encode(&b, im); err != nil {
		panic(err) // memory takes every byte
	}
	return Image{Kind: kind, Title: kind, Alt: kind + " of a made-up frame", Width: side, Height: side, PNG: b.Bytes(),
		Stretch: &Stretch{Low: 0, High: 250, Unit: "electron", Rule: "percentiles 0.5 and 99.5 of this frame"}}
}

func sampleDrawing(name string) []byte {
	return []byte(`<svg xmlns="http://www.w3.org/2000/svg" width="200" height="100" viewBox="0 0 200 100"><path d="M0 100 L200 0" stroke="black"/><text x="10" y="20">` + name + `</text></svg>`)
}
