package demo

import (
	"fmt"
	"strings"
	"testing"

	"evenlight/configs"
)

// least is a scale at which a campaign has no more calibration frames than the
// profiles ask for: 5 bias frames and 5 flats.
const (
	least      = 0.1
	leastBias  = 5
	leastFlats = 5
)

// variant makes a camera of the left half of a built-in one, with parts of its
// profile's text replaced by others.
func variant(name, of string, colour bool, oldNew ...string) camera {
	if of == "oxlip" {
		oldNew = append(oldNew, narrower("[1, 520]")...)
	} else {
		oldNew = append(oldNew, narrower("[1, 256]", "[257, 512]")...)
	}
	builtin, err := configs.Builtin(of)
	if err != nil {
		panic(err)
	}
	text := string(builtin)
	for i := 0; i < len(oldNew); i += 2 {
		if strings.Count(text, oldNew[i]) != 1 {
			panic(fmt.Sprintf("%s: %q does not stand in the profile once", of, oldNew[i]))
		}
		text = strings.Replace(text, oldNew[i], oldNew[i+1], 1)
	}
	return camera{name: name, profile: of, text: text, biasFrames: leastBias, flatFrames: leastFlats,
		run: runOnce(strings.ReplaceAll(name, " ", "-"), Options{Camera: of, Profile: []byte(text), Scale: least, Colour: colour})}
}

// narrower returns the replacements that leave a camera of 528 columns its left
// half only; regions are the rows of its amplifiers.
func narrower(regions ...string) []string {
	out := []string{"width: 528", "width: 272", "image:     {columns: [17, 528]", "image:     {columns: [17, 272]",
		"reference: {columns: [145, 400]", "reference: {columns: [81, 208]"}
	for _, r := range regions {
		out = append(out, "region:   {columns: [1, 528], rows: "+r, "region:   {columns: [1, 272], rows: "+r)
	}
	return out
}

const (
	oxlipSmear      = "when: both, masked_rows: [513, 520]}"
	brindlePattern  = "        - [green, red]\n        - [blue, green]\n"
	brindleRolling  = "    rolling: {kind: reset"
	brindleSelector = "\nmasters: {min_frames"
)

// A pixel without a filter sees the bands' light together.
const clearBand = `  - name: clear
    wavelength_nm: 550
    responsivity: 4.0e6
    responsivity_relative_uncertainty: 0.02
    solar_irradiance: 1.83
    solar_irradiance_relative_uncertainty: 0.015
    response: [{nm: 400, relative: 0.3}, {nm: 450, relative: 0.7}, {nm: 500, relative: 0.9}, {nm: 550, relative: 1},
      {nm: 600, relative: 0.9}, {nm: 650, relative: 0.7}, {nm: 700, relative: 0.4}]
`

// widening lists the codes of 12 bits whose steps double from 256 DN on: 1, 2,
// 4, 8 and 16 DN wide.
func widening() string {
	var dn []string
	for from, width := 0.0, 1.0; from < 4096; {
		dn = append(dn, fmt.Sprint(from+(width-1)/2))
		if from += width; from == 256 || from == 512 || from == 1024 || from == 2048 {
			width *= 2
		}
	}
	return strings.Join(dn, ", ")
}

// widths are the steps' widths, which half the distance of a code's neighbours
// does not give where the width changes.
func widths() string {
	var w []string
	for from, width := 0.0, 1.0; from < 4096; {
		w = append(w, fmt.Sprint(width))
		if from += width; from == 256 || from == 512 || from == 1024 || from == 2048 {
			width *= 2
		}
	}
	return strings.Join(w, ", ")
}

// The variants of built-in cameras that tests look at. Smear that is worked out
// from the image has the noise of the sum of a column's light: 2e-6 s of each of
// 512 rows against 20 ms, sqrt(512 x 20000) x 1e-4 = 0.3 e-.
var (
	oxlipUnmasked = variant("smear from the image", "oxlip", false, oxlipSmear, "when: both}")
	oxlipAfter    = variant("smear after the exposure", "oxlip", false, oxlipSmear, "when: after}")
	clearMosaic   = variant("clear pixel and explicit codes", "brindle", true,
		brindlePattern, "        - [green, red]\n        - [blue, clear]\n",
		brindleSelector, clearBand+brindleSelector,
		brindleRolling, "    decompanding:\n      dn: ["+widening()+"]\n      width_dn: ["+widths()+"]\n"+brindleRolling)
	wideMosaic = variant("pattern of 4 x 4", "brindle", true,
		brindlePattern, "        - [green, red, green, blue]\n        - [red, green, blue, green]\n        - [green, blue, green, red]\n        - [blue, green, red, green]\n")
)

const solvedColumnE = 0.3

func TestUncertaintiesOfVariantsAreHonest(t *testing.T) {
	oxlipUnmasked, oxlipAfter, clearMosaic, wideMosaic := oxlipUnmasked, oxlipAfter, clearMosaic, wideMosaic
	oxlipUnmasked.columnE, oxlipAfter.columnE = solvedColumnE, solvedColumnE
	clearMosaic.lamp, wideMosaic.lamp = weakestLamp, weakestLamp
	for _, c := range []camera{oxlipUnmasked, oxlipAfter, clearMosaic, wideMosaic} {
		t.Run(c.name, func(t *testing.T) {
			heavy(t)
			checkPulls(t, mustRun(t, c.run), &c)
		})
	}
}

func TestOtherMosaicsAreInterpolatedBetterThanBilinear(t *testing.T) {
	for _, c := range []camera{clearMosaic, wideMosaic} {
		t.Run(c.name, func(t *testing.T) {
			heavy(t)
			r := mustRun(t, c.run)
			for _, o := range r.Colour.Mosaic.Between {
				if !(o.Sharp > o.Plain) {
					t.Errorf("%s: %.2f dB, bilinear %.2f dB", o.Band, o.Sharp, o.Plain)
				}
			}
			for _, g := range r.Colour.GreyPairs {
				honestOver(t, g.Name, &g, c.load(t), r, &c, 1)
			}
		})
	}
}
