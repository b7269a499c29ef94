package pipeline

import (
	"fmt"
	"math"
	"strings"

	"evenlight/calib/measure"
	"evenlight/configs"
)

// lampAlarm is the probability with which a steady lamp is called unsteady.
const lampAlarm = 1e-4

// leastDrift is the departure of a lamp, relative, below which it does no harm:
// it is far below what any linearity is asked for.
const leastDrift = 2e-4

// judgeLamp tells whether the lamp was steady over the frames of each step: of
// the ladder that is what the linearity rests on. Where it was not, pairs of
// flats still serve the photon transfer, since they are brought to one mean.
func (m *sensorMeasuring) judgeLamp() {
	if len(m.lit) == 0 {
		return
	}
	for _, kind := range []string{configs.KindLadder, configs.KindFlat} {
		series, frames, bands := m.levelsInTime(kind)
		hours := 0.0
		if n := len(frames); n > 0 {
			hours = frames[n-1].Info.Time.Sub(frames[0].Info.Time).Hours()
		}
		d, err := measure.TestDrift(series, lampAlarm)
		if err != nil || !d.Trending && !d.Scattered {
			continue
		}
		span := math.Abs(d.Trend.Value) * 3600 * hours
		if math.Max(span, d.Scatter) < leastDrift {
			continue
		}
		what := fmt.Sprintf("the lamp was not steady over frames of one exposure (%s%s): ", kind, prefixed(", band ", strings.Join(bands, ", ")))
		if d.Trending {
			what += fmt.Sprintf("a trend of %.2g %% an hour; ", 100*3600*d.Trend.Value)
		}
		what += fmt.Sprintf("a scatter of %.2g %%; ", 100*d.Scatter)
		if kind == configs.KindLadder {
			m.unsteady = true
			m.found.add(FoundLampDrift, frames, what+"no linearity is measured from them, the photon transfer is", "let the lamp warm up, and take the ladder again")
			continue
		}
		m.found.add(FoundLampDrift, nil, what+"pairs are brought to one mean, and nothing but their mean level is touched", "none is needed for photon transfer and PRNU")
	}
}

// levelsInTime is the level of each frame relative to the mean of its step, in
// the brightest cell of the step, at its time from the middle of the step:
// what is between the steps is for the linearity to tell.
func (m *sensorMeasuring) levelsInTime(kind string) (series []measure.Timed, frames []*calFrame, bands []string) {
	full := map[int]map[int]string{} // saturated pairs by cell: they stand still whatever the lamp does
	for _, l := range m.lamps {
		if l.kind != kind || len(l.frames) < 2 {
			continue
		}
		_, c := l.frames[0].brightestCell()
		if full[c] == nil {
			full[c] = m.saturatedPairs(c)
		}
		var pairs []litPair
		mean, middle := 0.0, 0.0
		for i, p := range m.lit[c] {
			if p.step == l && full[c][i] == "" {
				pairs = append(pairs, p)
				mean += p.pair.Mean.Value - m.zero[c].Value
				middle += p.timeS
			}
		}
		mean, middle = mean/float64(len(pairs)), middle/float64(len(pairs))
		if len(pairs) < 1 || !(mean > 0) {
			continue
		}
		if len(bands) == 0 || bands[len(bands)-1] != l.band {
			bands = append(bands, l.band)
		}
		for _, p := range pairs {
			// Of one frame the noise is that of the mean of two times root 2.
			u := math.Sqrt2 * m.levelU(p) / mean
			for i, v := range []float64{p.pair.MeanA, p.pair.MeanB} {
				t := p.frames[i].Info.Time.Sub(m.all[0].Info.Time).Seconds()
				series = append(series, measure.Timed{TimeS: t - middle, Mean: measure.Figure{Value: (v - m.zero[c].Value) / mean, U: u}})
			}
			frames = append(frames, p.frames...)
		}
	}
	return series, frames, bands
}
