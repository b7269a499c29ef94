package hits

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

const frameSize = 256

// rate is the share of the pixels that were hit in which a flag is.
func rate(hit []float64, found []bool) float64 {
	n, k := 0, 0
	for i, e := range hit {
		if e > 0 {
			n++
			if found[i] {
				k++
			}
		}
	}
	return float64(k) / float64(n)
}

func TestRatesOfDetection(t *testing.T) {
	src := rand.NewPCG(5, 5)
	r := rand.New(src)
	backgrounds := []struct {
		name string
		im   image
	}{
		{"dark sky", newImage(frameSize, 1)},
		{"even ground", newImage(frameSize, 5000)},
		{"craters", ground(frameSize, 2, 10000, 4)},
	}
	levels := []float64{5, 6, 7, 8, 10, 15, 20, 30, 50}
	line := fmt.Sprintf("%-12s %-14s", "", "pixels found, %")
	for _, k := range levels {
		line += fmt.Sprintf("%6gσ", k)
	}
	t.Log(line)
	for _, b := range backgrounds {
		for _, s := range shapes {
			line := fmt.Sprintf("%-12s %-14s", b.name, s.name)
			for _, k := range levels {
				hit := strike(b.im, s, k)
				line += fmt.Sprintf("%7.1f", 100*rate(hit, find(t, observe(t, b.im, hit, nil, r, src), usual(2))))
			}
			t.Log(line)
		}
	}
}

func TestRatesOfFalseAlarms(t *testing.T) {
	src := rand.NewPCG(6, 6)
	r := rand.New(src)
	const frames = 8
	alarms := func(im image) float64 {
		n := 0
		for range frames {
			n += count(find(t, observe(t, im, nil, nil, r, src), usual(2)))
		}
		return float64(n)
	}
	for _, level := range []float64{0, 1, 10, 100, 10000} {
		t.Logf("noise at %5g e-: %.3g per pixel", level, alarms(newImage(frameSize, level))/(frames*frameSize*frameSize))
	}
	for _, w := range []float64{1.5, 2, 2.5, 3} {
		t.Logf("limb through points of %g pixels: %.3g per pixel", w, alarms(limb(frameSize, w, 20000))/(frames*frameSize*frameSize))
		t.Logf("craters through points of %g pixels: %.3g per pixel", w, alarms(ground(frameSize, w, 20000, 4))/(frames*frameSize*frameSize))
	}
	for _, w := range []float64{1.2, 1.5, 1.8, 2, 2.5, 3, 4} {
		im, n := newImage(frameSize, 20), 0
		for y := 8.0; y < frameSize-8; y += 16 {
			for x := 8.0; x < frameSize-8; x += 16 {
				im.addStar(x+r.Float64(), y+r.Float64(), w, math.Exp(math.Log(200)+r.Float64()*math.Log(1000)))
				n++
			}
		}
		t.Logf("stars of %g pixels: %.3g pixels flagged per star", w, alarms(im)/float64(frames*n))
	}
}
