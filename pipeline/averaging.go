package pipeline

import (
	"fmt"
	"math"

	"evenlight/calib"
	"evenlight/configs"
	"evenlight/fitsutil"
)

// together tells what the errors of the frame's pixels have in common.
func (p *plan) together() *calib.Together {
	t := &calib.Together{Sensor: p.sensor, Traces: p.traces, HT: p.ht, RowHT: p.rowHT}
	if p.smear != nil {
		t.Smear = p.smear.Rule
	}
	if !p.sensor.Offset.FromOverscan || !p.in.stageOn(configs.StageOffset, p.frame.Detector) {
		return t
	}
	b, d := p.masters.bias, p.masters.dark
	if p.sensor.LineScan {
		t.Bias.Even, t.Dark.Even = p.evenShares(b), p.evenShares(d)
		return t
	}
	if b != nil {
		t.Bias.OfFrame = 1 / float64(max(b.Frames, 1))
	}
	if d != nil {
		t.Dark.OfFrame = d.BiasKappa * d.BiasKappa / float64(max(d.Frames, 1))
	}
	return t
}

// evenShares tells what the offsets leave in common in a line scanner's master,
// a mean of many lines: with n overscan samples a line, each of the variance
// s^2, a line's offset has s^2/n and its samples s^2 and the shot noise of the
// dark charge besides, in that proportion in the variance of the mean too.
func (p *plan) evenShares(l *loaded) []float64 {
	if l == nil {
		return nil
	}
	var out []float64
	for a, amp := range p.sensor.Amps {
		noise := p.traces[a].NoiseDN * amp.GainEPerDN
		offset := noise * noise / float64(max(amp.Overscan.Width(), 1))
		dark := 0.0
		if d := p.masters.dark; d != nil && d.BiasKappa > 0 {
			dark = max(0, d.typicalEPerS) / d.BiasKappa
		}
		out = append(out, l.typicalVar*offset/(offset+noise*noise+dark))
	}
	return out
}

// common holds what the errors of a frame's pixels have in common, as standard
// uncertainties in electrons of a pixel with F = 1 on a straight response;
// typical ones: medians over the frame or master, of the amplifier that has
// most.
type common struct {
	row         float64 // of the offset, common to a row
	rows        int     // that share overscan
	frame       float64 // of the mean offset, common to the frame
	column      float64 // of the smear, common to a column
	masterPixel float64 // of a pixel, from the bias and dark masters
	masterFlat  float64 // of a pixel, from the flat: relative to its value
	masterRow   float64 // common to a row, in the masters
}

func (p *plan) common() common {
	var c common
	ht := p.ht
	if p.rowHT != nil {
		ht = float64(p.rowHT[len(p.rowHT)/2])
	}
	shares := p.together()
	for a, amp := range p.sensor.Amps {
		g2 := amp.GainEPerDN * amp.GainEPerDN
		read := amp.Region.Intersect(p.sensor.Image).Shift(0, -p.sensor.Image.Y0)
		row := g2 * typical(p.traces[a].Variance[read.Y0:read.Y1])
		if row != row {
			continue // none of its overscan arrived, so its pixels have no value
		}
		c.row = max(c.row, math.Sqrt(row))
		c.frame = max(c.frame, math.Sqrt(g2*p.traces[a].MeanVariance()))
		pixel, inRow := 0.0, 0.0
		if b := p.masters.bias; b != nil {
			k := p.biasFactor()
			pixel += k * g2 * b.typicalVar
			inRow += k * (row*shares.Bias.OfFrame + g2*shares.Bias.EvenOf(a))
		}
		if d := p.masters.dark; d != nil {
			pixel += ht * ht * d.typicalVar
			inRow += ht * ht * (row*shares.Dark.OfFrame + shares.Dark.EvenOf(a))
		}
		c.masterPixel, c.masterRow = max(c.masterPixel, math.Sqrt(pixel)), max(c.masterRow, math.Sqrt(inRow))
		if !amp.Overscan.Empty() && p.sensor.Offset.FromOverscan {
			c.rows = p.sensor.Offset.SmoothRows
			if c.rows == 0 {
				c.rows = amp.Overscan.Height()
			}
		}
	}
	if p.smear != nil {
		c.column = math.Sqrt(typical(p.smear.Map.Variance))
	}
	if f := p.masters.flat; f != nil {
		c.masterFlat = math.Sqrt(f.typicalVar)
	}
	return c
}

// describeCommon writes what the errors of the pixels have in common to the
// product's primary header, in the product's unit: by band where pixels see
// different ones, with the number of the band behind the keyword.
func (p *plan) describeCommon(h *fitsutil.Header) error {
	w := cardWriter{h: h}
	figure := func(key string, v float64, comment string) {
		if finite(v) != nil { // a master without values has none
			w.set(key, v, comment)
		}
	}
	w.comment("What the random errors of pixels have in common, standard uncertainties,")
	w.comment("typical, in the unit of VALUE. It does not average down as single pixels")
	w.comment("do: see 'Averaging pixels' of the software's README.")
	c := p.common()
	w.set("UCROWS", c.rows, "rows that share the samples of an offset")
	figure("UMFLAT", c.masterFlat, "of a pixel, by the flat master, relative")
	lights := []calib.Light{calib.ElectronLight()}
	if !p.in.isLayer(p.in.Profile.Detectors[p.frame.Detector].Name) {
		var err error
		if lights, err = p.lights(); err != nil {
			return err
		}
	}
	for i, l := range lights {
		k, of, band := l.Scale, "", ""
		if p.rowFactor != nil && p.in.Profile.Output.Quantity != configs.Electrons {
			k *= float64(p.rowFactor[len(p.rowFactor)/2])
		}
		if len(lights) > 1 {
			of, band = fmt.Sprint(i+1), p.in.Profile.Bands[i].Name+": "
		}
		figure("UCROW"+of, k*c.row, band+"common to a row, by its offset")
		figure("UCFRAME"+of, k*c.frame, band+"common to the frame, by its offset")
		if p.smear != nil {
			figure("UCCOL"+of, k*c.column, band+"common to a column, by its smear")
		}
		figure("UMPIXEL"+of, k*c.masterPixel, band+"of a pixel, by bias and dark master")
		figure("UMROW"+of, k*c.masterRow, band+"common to a row, by the masters")
	}
	return w.err
}
