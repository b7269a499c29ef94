package plots

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// drawn is any of the package's plots.
type drawn interface{ Draw() (*Figure, error) }

// samples are plots of an invented sensor, each of a kind, with values drawn
// from the formulas that the plots are of.
func samples() map[string]drawn {
	return map[string]drawn{
		"transfer":        sampleTransfer([]string{""}),
		"transfer-two":    sampleTransfer([]string{"A", "B"}),
		"transfer-mosaic": sampleTransfer([]string{"A red", "A green", "A blue", "B red", "B green", "B blue"}),
		"linearity":       sampleLinearity(),
		"dark":            sampleDark(),
		"histogram":       sampleHistogram(),
		"histogram-log":   sampleDarkHistogram(),
		"pattern":         samplePattern(),
		"chart":           sampleChart(),
	}
}

func about(what, subject string) Heading { return Heading{Title: what, Subject: subject} }

func sampleTransfer(names []string) *PhotonTransfer {
	r := rand.New(rand.NewPCG(1, 1))
	p := &PhotonTransfer{Heading: about("Photon transfer", "quillon, detector main, mode normal")}
	for i, name := range names {
		gain, readE, full := 1.52*(1+0.06*float64(i)), 8.5+float64(i), 18000-400*float64(i)
		fit := func(mean float64) float64 { return mean/gain + readE*readE/gain/gain + 1.0/12 }
		s := TransferSet{Name: name, Fit: fit, FullWell: full}
		for _, level := range []float64{0.0004, 0.002, 0.01, 0.025, 0.05, 0.10, 0.17, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.84, 0.92, 0.97, 1.01, 1.03} {
			mean := level * 18500
			v := fit(mean)
			if mean > full {
				v *= math.Exp(-(mean - full) / 200)
			}
			u := v * math.Sqrt(2.0/100000)
			s.Mean = append(s.Mean, mean)
			s.Variance = append(s.Variance, v+u*r.NormFloat64())
			s.UVariance = append(s.UVariance, u)
			s.Used = append(s.Used, mean < full*0.95)
		}
		p.Sets = append(p.Sets, s)
		p.Notes = append(p.Notes, fmt.Sprintf("%s  gain %.4f ± 0.0011 e-/DN, read noise %.2f ± 0.02 e-, full well %.0f e-", nameOf(name), gain, readE, full*gain))
	}
	return p
}

func sampleLinearity() *Linearity {
	r := rand.New(rand.NewPCG(2, 1))
	p := &Linearity{Heading: about("Linearity", "quillon, detector main, mode normal"), LimitPercent: 1}
	p.Notes = []string{"linearity error (EMVA 1288 R4.0 Linear)  A 0.31 ± 0.02 %, B 0.44 ± 0.02 %"}
	for i, name := range []string{"A", "B"} {
		s := Points{Name: name}
		for level := 0.05; level < 1; level += 0.06 {
			u := 0.03 / math.Sqrt(level)
			s.X = append(s.X, level*18000)
			s.Y = append(s.Y, (1.3+0.4*float64(i))*(level-0.5)*(level-0.5)-0.25+u*r.NormFloat64())
			s.U = append(s.U, u)
			s.Used = append(s.Used, level > 0.06)
		}
		p.Sets = append(p.Sets, s)
	}
	return p
}

func sampleDark() *DarkCurrent {
	r := rand.New(rand.NewPCG(3, 1))
	law := func(t float64) float64 { return 2.0 * math.Exp(-0.62*(inverse(t)-inverse(253))) }
	s := DarkSet{Fit: law}
	for _, t := range []float64{245, 247.1, 247.2, 250, 253, 253.1, 256, 259, 259.2, 263} {
		rate := law(t)
		u := 0.02 * rate
		s.TempK, s.Rate, s.URate = append(s.TempK, t), append(s.Rate, rate+u*r.NormFloat64()), append(s.URate, u)
		s.Used = append(s.Used, t < 260)
	}
	p := &DarkCurrent{Heading: about("Dark current against temperature", "quillon, detector main, mode normal"), Sets: []DarkSet{s}}
	p.Notes = []string{"activation energy 0.620 ± 0.004 eV; 2.003 ± 0.011 e-/s at 253 K"}
	return p
}

func sampleHistogram() *Histogram {
	r := rand.New(rand.NewPCG(4, 1))
	c := Counts{NormalMean: 0, NormalSD: 1.5}
	const bins, low, width = 80, -12.0, 0.3
	c.Counts = make([]float64, bins)
	for i := range bins + 1 {
		c.Edges = append(c.Edges, low+width*float64(i))
	}
	for i := range 200000 {
		v := 1.5 * r.NormFloat64()
		if i%400 == 0 {
			v = 5 * r.ExpFloat64()
		}
		if n := int((v - low) / width); n >= 0 && n < bins {
			c.Counts[n]++
		}
	}
	return &Histogram{Heading: about("Dark signal nonuniformity", "quillon, detector main, mode normal, amplifier A"), XLabel: "pixel's dark signal less the mean, DN", Sets: []Counts{c},
		Marks: []Mark{{Name: "hot above 6.5", At: 6.5}}}
}

func sampleDarkHistogram() *Histogram {
	r := rand.New(rand.NewPCG(5, 1))
	p := &Histogram{Heading: about("Distribution of the dark current", "quillon, detector main, at 253 K"), XLabel: "dark current, e-/s", Log: true}
	for i, name := range []string{"A", "B"} {
		c := Counts{Name: name, Counts: make([]float64, 100)}
		for k := range 101 {
			c.Edges = append(c.Edges, 0.3*math.Pow(1.13, float64(k)))
		}
		for k := range 60000 {
			v := 1.9 * (1 + 0.3*float64(i)) * math.Exp(0.35*r.NormFloat64())
			if k%800 == 0 {
				v = 200 * math.Exp(4.6*r.Float64())
			}
			if n := int(math.Log(v/0.3) / math.Log(1.13)); n >= 0 && n < 100 {
				c.Counts[n]++
			}
		}
		p.Sets = append(p.Sets, c)
	}
	p.Marks = []Mark{{Name: "A median 1.9", At: 1.9}, {Name: "B median 2.5", At: 2.5}, {Name: "hot above 100", At: 100}}
	return p
}

func samplePattern() *Pattern {
	r := rand.New(rand.NewPCG(6, 1))
	profile := func(n int, sd float64) []Profile {
		p := Profile{First: 1, U: 0.12}
		for range n {
			p.Values = append(p.Values, sd*r.NormFloat64())
		}
		p.Values[n/3] = math.NaN()
		return []Profile{p}
	}
	return &Pattern{Heading: about("Pattern of columns and rows", "quillon, detector main, bias frames"), YLabel: "offset less the mean, DN",
		Columns: profile(512, 0.8), Rows: profile(384, 0.4)}
}

func sampleChart() *Chart {
	r := rand.New(rand.NewPCG(7, 1))
	s := Points{Name: "read noise", Joined: true}
	for day := range 60 {
		s.X, s.Y, s.U = append(s.X, float64(day)), append(s.Y, 8.5+0.05*r.NormFloat64()), append(s.U, 0.05)
	}
	return &Chart{Heading: about("Read noise", "quillon, amplifier A"), X: Axis{Label: "day of the campaign"}, Y: Axis{Label: "read noise, e-"}, Points: []Points{s},
		Limits: []Limit{{Name: "upper limit", At: 8.65}, {Name: "lower limit", At: 8.35}, {At: 8.5}}, Marks: []Mark{{Name: "new master", At: 31}}}
}
