package pipeline

import (
	"fmt"
	"math"
	"strings"
)

// Text is the table for people.
func (r *CharacteriseResult) Text() string {
	var b strings.Builder
	for _, c := range r.Made {
		b.WriteString(c.Text())
		b.WriteByte('\n')
	}
	for _, f := range r.Files {
		fmt.Fprintf(&b, "wrote %s\n", f)
	}
	for _, f := range r.Failures {
		fmt.Fprintf(&b, "failed: %s: %s\n", f.Raw, f.Reason)
	}
	fmt.Fprintf(&b, "%d files looked at, %d frames of other kinds passed over, %d sensors measured, %d failures\n", r.Found, r.Skipped, len(r.Made), len(r.Failures))
	return b.String()
}

// Text is the table for people.
func (c *Characterisation) Text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s, detector %s%s, from %d frames, %s to %s\n", c.Instrument, c.Detector, prefixed(", mode ", c.Mode), len(c.Inputs), c.Begin, c.End)
	fmt.Fprintf(&b, "identity %s\n", c.SHA256)
	for i := range c.Cells {
		c.Cells[i].table(&b)
	}
	if p := c.BadPixels; p != nil {
		fmt.Fprintf(&b, "  bad pixels of %d, by the limits of the profile\n", p.Pixels)
		line(&b, "hot", p.Hot)
		line(&b, "unstable", p.Unstable)
		line(&b, "dead", p.Dead)
		line(&b, "low", p.Low)
	}
	for _, n := range c.NotMeasured {
		fmt.Fprintf(&b, "  not measured: %s: %s\n", n.Figure, n.Why)
	}
	for _, f := range c.Findings {
		fmt.Fprintf(&b, "  found: %s: %s%s; %s\n", f.Kind, prefixed2(shortList(f.Files)), f.What, f.Remedy)
	}
	return b.String()
}

// listed is the number of files that a line names.
const listed = 4

// shortList names files in a line.
func shortList(files []string) string {
	if len(files) > listed {
		return fmt.Sprintf("%s and %d more", strings.Join(files[:listed], ", "), len(files)-listed)
	}
	return strings.Join(files, ", ")
}

// prefixed2 puts a colon behind a word that is there.
func prefixed2(word string) string {
	if word == "" {
		return ""
	}
	return word + ": "
}

// table writes the figures of a cell.
func (f *CellFigures) table(b *strings.Builder) {
	fmt.Fprintf(b, "  %-34s %12s %10s  %-7s %10s %7s\n", f.Name, "measured", "u", "unit", "nominal", "sigmas")
	line(b, "gain 1/K", f.Gain)
	line(b, "read noise sigma_d", f.ReadNoise)
	line(b, "read noise of the transfer", f.TransferReadNoise)
	line(b, "read noise with rounding", f.ReadNoiseDN)
	line(b, "saturation", f.Saturation)
	line(b, "full well", f.FullWell)
	line(b, "bend of the transfer", f.Bend)
	line(b, "linearity error LE", f.LinearityError)
	if f.DSNU != nil {
		f.DSNU.table(b, "DSNU1288")
	}
	for _, p := range f.PRNU {
		p.NonUniformity.table(b, "PRNU1288"+prefixed(" ", p.Band))
	}
	line(b, "dark current", f.DarkRate)
	line(b, "doubling interval", f.Doubling)
	line(b, "activation energy", f.Activation)
	if f.DarkShape != nil {
		for _, q := range f.DarkShape.Quantiles {
			line(b, fmt.Sprintf("dark current, quantile %g", q.P), q.Value)
		}
	}
}

func (n *NonUniformity) table(b *strings.Builder, name string) {
	line(b, name, n.Total)
	line(b, name+" rows", n.Row)
	line(b, name+" columns", n.Column)
	line(b, name+" pixels", n.Pixel)
}

// line writes one figure.
func line(b *strings.Builder, name string, m *SensorFigure) {
	if m == nil {
		return
	}
	value, u := withU(m.Value, m.U)
	if m.Bound != "" {
		value = m.Bound + " " + value
	}
	nominal, sigmas := "", ""
	if m.Nominal != nil {
		nominal = fmt.Sprintf("%.5g", *m.Nominal)
	}
	if m.Sigmas != nil {
		sigmas = fmt.Sprintf("%+.1f", *m.Sigmas)
	}
	fmt.Fprintf(b, "%s\n", strings.TrimRight(fmt.Sprintf("    %-32s %12s %10s  %-7s %10s %7s", name, value, u, m.Unit, nominal, sigmas), " "))
}

// withU writes a value and its uncertainty to the uncertainty's second digit.
func withU(v, u float64) (value, uncertainty string) {
	if !(u > 0) {
		return fmt.Sprintf("%.6g", v), "0"
	}
	digits := 1 - int(math.Floor(math.Log10(u)))
	if digits < 0 || digits > 8 {
		return fmt.Sprintf("%.4g", v), fmt.Sprintf("%.2g", u)
	}
	return fmt.Sprintf("%.*f", digits, v), fmt.Sprintf("%.*f", digits, u)
}
