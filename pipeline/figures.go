package pipeline

import (
	"fmt"
	"strings"

	"evenlight/calib"
	"evenlight/fitsutil"
)

// extFigures is the table of a product that holds the figures of its QA
// summary, so that they outlast every list of them.
const extFigures = "FIGURES"

// Figure is one number of a frame's QA summary. Its name says what it is of, as
// in read_noise_e.A for the amplifier A.
type Figure struct {
	Name  string
	Value float64
}

// Figures lists the numbers of the summary that can be followed over time, in a
// fixed order. What could not be measured is left out.
func (r *FrameReport) Figures() []Figure {
	var out []Figure
	add := func(name string, v *float64) {
		if v != nil {
			out = append(out, Figure{name, *v})
		}
	}
	for i := range r.Amplifiers {
		a := &r.Amplifiers[i]
		add("offset_dn."+a.Name, a.OffsetDN)
		add("drift_dn."+a.Name, a.DriftDN)
		add("read_noise_e."+a.Name, a.ReadNoiseE)
	}
	add("temperature_k", r.TempK)
	add("background", r.Background)
	add("median", r.Median)
	add("good_fraction", &r.Good)
	add("noise_ratio", r.NoiseRatio)
	add("line_smear", r.LineSmear)
	count := func(name string, n int) {
		v := float64(n)
		add(name, &v)
	}
	if r.Hits != nil {
		count("hits", *r.Hits)
	}
	if f := r.Fill; f != nil {
		count("fill.filled", f.Filled)
		count("fill.left_saturated", f.Saturated)
		count("fill.left_deep", f.Deep)
		count("fill.left_few", f.Few)
	}
	for i := range r.Bands {
		b := &r.Bands[i]
		add("background."+b.Name, b.Background)
		add("median."+b.Name, b.Median)
		add("good_fraction."+b.Name, &b.Good)
		add("noise_ratio."+b.Name, b.NoiseRatio)
	}
	for _, f := range calib.FlagTable() {
		share := r.Fractions[f.Name]
		add("flagged."+f.Name, &share)
	}
	return out
}

// addFigures writes the figures of the summary to a product.
func addFigures(w *fitsutil.Writer, r *FrameReport) error {
	return writeFigures(w, r.Figures())
}

// writeFigures writes the table of figures.
func writeFigures(w *fitsutil.Writer, figures []Figure) error {
	h, err := tableHeader(extFigures, "Figures of the QA summary.")
	if err != nil {
		return err
	}
	names, values := make([]string, len(figures)), make([]float64, len(figures))
	for i, f := range figures {
		names[i], values[i] = f.Name, f.Value
	}
	return w.AddTable(h, &fitsutil.Table{Columns: []fitsutil.Column{{Name: "NAME", Data: names}, {Name: "VALUE", Data: values}}})
}

// readFigures returns the figures that a product holds.
func readFigures(f *fitsutil.File) ([]Figure, error) {
	h, err := f.Find(extFigures)
	if err != nil {
		return nil, err
	}
	t, err := f.ReadTable(h)
	if err != nil {
		return nil, err
	}
	if len(t.Columns) != 2 {
		return nil, fmt.Errorf("HDU %s has %d columns, where NAME and VALUE are expected", extFigures, len(t.Columns))
	}
	names, okNames := t.Columns[0].Data.([]string)
	values, okValues := t.Columns[1].Data.([]float64)
	if !okNames || !okValues {
		return nil, fmt.Errorf("HDU %s does not hold names and numbers", extFigures)
	}
	out := make([]Figure, len(names))
	for i := range names {
		out[i] = Figure{strings.TrimRight(names[i], " "), values[i]}
	}
	return out, nil
}
