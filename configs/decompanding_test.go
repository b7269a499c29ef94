package configs

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
)

func TestTablesOfCodes(t *testing.T) {
	for _, c := range []struct {
		name      string
		d         Decompanding
		dn, width []float64
	}{
		// By hand: (max_dn + 1) (k/codes)^2 = 16 (k/4)^2 = 0, 1, 4, 9, 16.
		{"square root", Decompanding{SquareRoot: &SquareRoot{Codes: 4, MaxDN: 15}}, []float64{0, 2, 6, 12}, []float64{1, 3, 5, 7}},
		// By hand: 6 (k/4)^2 = 0, 0.375, 1.5, 3.375, 6 rounds to 0, 0, 2, 3, 6, of
		// which the second becomes 1 so that its code stands for something.
		{"square root with codes that would stand for nothing", Decompanding{SquareRoot: &SquareRoot{Codes: 4, MaxDN: 5}}, []float64{0, 1, 2, 4}, []float64{1, 1, 1, 3}},
		{"as many codes as DN", Decompanding{SquareRoot: &SquareRoot{Codes: 3, MaxDN: 2}}, []float64{0, 1, 2}, []float64{1, 1, 1}},
		{"list without widths", Decompanding{DN: []float64{0, 1, 4, 10}}, []float64{0, 1, 4, 10}, []float64{1, 2, 4.5, 6}},
		{"list with widths", Decompanding{DN: []float64{0, 1, 4}, WidthDN: []float64{1, 2, 9}}, []float64{0, 1, 4}, []float64{1, 2, 9}},
	} {
		t.Run(c.name, func(t *testing.T) {
			dn, width := c.d.Table()
			if !slices.Equal(dn, c.dn) || !slices.Equal(width, c.width) {
				t.Errorf("got  %v, widths %v\nwant %v, widths %v", dn, width, c.dn, c.width)
			}
		})
	}
}

// squareRootEdge gives e_k for k > 0 by the definition in whole numbers: the
// largest of what rounding gives for any j up to k and the codes after it.
func squareRootEdge(k, codes, maxDN int) int {
	edge := 0
	for j := 1; j <= k; j++ {
		rounded := (2*(maxDN+1)*j*j + codes*codes) / (2 * codes * codes)
		edge = max(edge, rounded+k-j)
	}
	return max(edge, k)
}

func TestTheSquareRootRuleGivesEachDNToOneCode(t *testing.T) {
	for _, r := range []SquareRoot{{256, 4095}, {128, 1023}, {2, 1}, {7, 5000}, {255, 254}, {200, 300}} {
		t.Run(fmt.Sprint(r), func(t *testing.T) {
			dn, width := (&Decompanding{SquareRoot: &r}).Table()
			if len(dn) != r.Codes || len(width) != r.Codes {
				t.Fatalf("%d DN and %d widths for %d codes", len(dn), len(width), r.Codes)
			}
			first := 0
			for k := range dn {
				next := squareRootEdge(k+1, r.Codes, r.MaxDN)
				// The mean of the whole DN from first to next - 1, and their number.
				if want := float64(first+next-1) / 2; dn[k] != want || width[k] != float64(next-first) {
					t.Fatalf("code %d stands for %v DN, width %v; want %v, width %d", k, dn[k], width[k], want, next-first)
				}
				first = next
			}
			if first != r.MaxDN+1 {
				t.Errorf("the codes end at %d DN, not at %d", first-1, r.MaxDN)
			}
		})
	}
}

func TestTheStepsOfTheSquareRootRuleGrowAsTheShotNoise(t *testing.T) {
	_, width := (&Decompanding{SquareRoot: &SquareRoot{Codes: 256, MaxDN: 4095}}).Table()
	for k := 32; k < 256; k++ {
		// The slope of 4096 (k/256)^2 in the middle of the code; rounding moves
		// each of its two edges by at most half a DN.
		if want := 4096 * 2 * (float64(k) + 0.5) / (256 * 256); math.Abs(width[k]-want) > 1 {
			t.Errorf("code %d is %v DN wide, not %v", k, width[k], want)
		}
	}
}

func TestATableOfAllCodesOf16Bits(t *testing.T) {
	var dn, width strings.Builder
	for k := range 65_536 {
		fmt.Fprintf(&dn, "%d,", k)
		width.WriteString("1,")
	}
	text := edited(t, builtin(t, "oxlip"), "      square_root: {codes: 256, max_dn: 4095}\n",
		"      dn: ["+strings.TrimSuffix(dn.String(), ",")+"]\n      width_dn: ["+strings.TrimSuffix(width.String(), ",")+"]\n")
	text = edited(t, text, "adc_bits: 12 ", "adc_bits: 16 ")
	p, err := Parse("camera.yaml", []byte(text), Overrides{})
	if err != nil {
		t.Fatal(err)
	}
	if got, _ := p.Detectors[0].Decompanding.Table(); len(got) != 65_536 || got[65_535] != 65_535 {
		t.Errorf("the table has %d codes", len(got))
	}
}
