package colour

import "math"

// trainingSpectra returns the reflectance spectra on which colour matrices
// are trained. They are formulas, not samples of anything:
//
//   - waves: 0.5 + 0.4 cos(2 pi k u + p), u from 0 at 380 nm to 1 at 780 nm,
//     k = 0.25, 0.5 ... 1.5 and eight phases p: broad colours of all hues;
//   - edges, rising and falling between 0.05 and 0.85, halfway at 400, 420 ...
//     740 nm, 80 % of the step over 30, 60 and 120 nm: minerals, pigments;
//   - humps of 0.7 on 0.1 and dips of 0.7 in 0.8, at 400, 420 ... 740 nm, of 60,
//     100 and 160 nm full width at half maximum: pigments, absorption bands.
//
// Outside 380 to 780 nm they keep the value at the end: what a camera sees
// there says nothing about colour.
func trainingSpectra() []*spectrum {
	var all []*spectrum
	for k := 0.25; k <= 1.5; k += 0.25 {
		for p := range 8 {
			all = append(all, shaped(func(nm float64) float64 {
				u := (nm - firstVisibleNM) / (lastVisibleNM - firstVisibleNM)
				return 0.5 + 0.4*math.Cos(2*math.Pi*k*u+float64(p)*math.Pi/4)
			}))
		}
	}
	for at := 400.0; at <= 740; at += 20 {
		for _, rise := range []float64{30, 60, 120} {
			slope := 2 * math.Log(9) / rise // from 10 % to 90 % over the rise
			edge := func(nm float64) float64 { return 1 / (1 + math.Exp(-slope*(nm-at))) }
			all = append(all,
				shaped(func(nm float64) float64 { return 0.05 + 0.8*edge(nm) }),
				shaped(func(nm float64) float64 { return 0.85 - 0.8*edge(nm) }))
		}
		for _, width := range []float64{60, 100, 160} {
			hump := func(nm float64) float64 { return math.Exp(-4 * math.Ln2 * square((nm-at)/width)) }
			all = append(all,
				shaped(func(nm float64) float64 { return 0.1 + 0.7*hump(nm) }),
				shaped(func(nm float64) float64 { return 0.8 - 0.7*hump(nm) }))
		}
	}
	return all
}

// shaped samples f on the grid; outside the visible range it is held.
func shaped(f func(nm float64) float64) *spectrum {
	var s spectrum
	for i := range s {
		s[i] = f(min(max(gridNM(i), firstVisibleNM), lastVisibleNM))
	}
	return &s
}

// onGrid extends a test colour to the grid; outside the visible range it is held.
func (c *testColour) onGrid() *spectrum {
	var s spectrum
	for i := range s {
		s[i] = c.reflectance[min(max(i-visibleAt, 0), visiblePoints-1)]
	}
	return &s
}
