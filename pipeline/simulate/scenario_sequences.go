package simulate

import (
	"math"
	"math/rand/v2"
	"time"
)

// The sequences of the invented campaign.
const (
	driftTarget = "Tessaly drift"
	cloudTarget = "Tessaly cloud"
	stripTarget = "Tessaly strip"
	pairTarget  = "Tessaly pair"
	wedgeTarget = "grey wedge"
)

// WedgeSequence is the name of the sequence that shows a grey wedge (see
// [GreyWedge]) in all bands.
const WedgeSequence = "wedge"

// sequences plans what [ScenarioOptions].Sequence asks for.
func (c *campaign) sequences() {
	switch {
	case c.all:
		c.wedgeOverStrips()
	case c.p.Stereo != nil:
		c.wedges()
	case len(c.p.Bands) > 1:
		c.driftSequences()
		c.wedges()
	}
}

// wedges plans a grey wedge in every band, one after another, which stands
// still before all detectors.
func (c *campaign) wedges() {
	c.pause(10 * time.Minute)
	q := &Sequence{Name: WedgeSequence}
	start := c.now
	for _, band := range c.p.Bands {
		white := whiteRadiance(c.p, band)
		step := Step{Band: band.Name, TimeS: c.now.Sub(start).Seconds()}
		f := c.look(Exposure{Band: band.Name, ExposureS: moonExposureS(c.fullE, responsivity(c.p, band.Name)*white)}, wedgeOf(white))
		q.take(f, step, wedgeTarget)
	}
}

// wedgeOf is [GreyWedge] in one band.
func wedgeOf(white float64) Scene {
	all := GreyWedge([]float64{white})
	return func(width, height int) []float32 { return all(width, height)[0] }
}

// groundExposureS is the time, in whole milliseconds, in which the brightest
// ground would gather 85 percent of full well at a light rate of white.
func (c *campaign) groundExposureS(rate float64) float64 {
	return whiteExposureS(c.fullE, rate*groundBrightest, lastRowDelayS(c.p))
}

func (c *campaign) ground(whites []float64) *Ground {
	return NewGround(c.opt.Seed, c.p.Bands, whites)
}

// driftSequences plans the ground in all bands, one after another: once with
// a camera whose pointing drifts, and once with a cloud besides.
func (c *campaign) driftSequences() {
	r := rand.New(newStream(c.opt.Seed, forPointing, 0, 0))
	c.driftSequence(&Sequence{Name: "drift"}, r, driftTarget)
	c.pause(10 * time.Minute)
	d := &c.p.Detectors[0]
	width, height := float64(d.Image.Columns[1]-d.Image.Columns[0]+1), float64(d.Image.Rows[1]-d.Image.Rows[0]+1)
	c.driftSequence(&Sequence{Name: "cloud", Cloud: &Cloud{
		SigmaPixels: min(width, height) / 50, Opacity: 0.3, Reflectance: 0.7,
		X: math.Round(0.4 * width), Y: math.Round(0.55 * height),
		ColumnsPerS: 0.24, RowsPerS: -0.11,
	}}, r, cloudTarget)
}

// driftSequence plans a frame in every band. Each but the first is shifted by
// up to 2.5 pixels either way, in steps of 0.01 pixels.
func (c *campaign) driftSequence(q *Sequence, r *rand.Rand, target string) {
	whites := whiteRadiances(c.p)
	ground := c.ground(whites)
	start := c.now
	for b := range c.p.Bands {
		band := c.p.Bands[b].Name
		step := Step{Band: band, TimeS: c.now.Sub(start).Seconds()}
		if b > 0 {
			step.ShiftX, step.ShiftY = math.Round(between(r, -250, 250))/100, math.Round(between(r, -250, 250))/100
		}
		step.CloudAt = q.Cloud.seenIn(&step)
		scene := func(width, height int) []float32 {
			seen := ground.Window(-step.ShiftX, -step.ShiftY, width, height)[b]
			if q.Cloud != nil {
				q.Cloud.over(seen, *step.CloudAt, whites[b], width)
			}
			return seen
		}
		f := c.look(Exposure{Band: band, ExposureS: c.groundExposureS(responsivity(c.p, band) * whites[b])}, scene)
		q.take(f, step, target)
	}
}

// seenIn returns where a frame shows the cloud; nil without a cloud.
func (c *Cloud) seenIn(step *Step) *Place {
	if c == nil {
		return nil
	}
	return &Place{X: c.X + c.ColumnsPerS*step.TimeS + step.ShiftX, Y: c.Y + c.RowsPerS*step.TimeS + step.ShiftY}
}

// take makes a frame part of the sequence.
func (q *Sequence) take(f *Planned, step Step, target string) {
	f.Sequence, f.Target = q, target
	step.Frame = f.Name
	q.Frames = append(q.Frames, step)
}

// stripFrames is the number of frames of a strip of ground.
const stripFrames = 12

// strip plans frames of the ground that moves over strips of filters, by 0.8
// of the narrowest strip from frame to frame. The frames are exposed so
// briefly, or follow the ground so well, that it does not blur.
func (c *campaign) strip() {
	interval := c.stripInterval(0.8)
	if interval == 0 {
		return
	}
	whites := whiteRadiances(c.p)
	ground := c.ground(whites)
	exposureS := min(c.groundExposureS(c.brightestRate(whites)), math.Floor(500*interval.Seconds())/1e3)
	q := c.pass(stripFrames, interval, &Sequence{Name: "strip"}, stripTarget, exposureS, func(step Step) BandScene {
		return func(width, height int) [][]float32 {
			return ground.Window(-step.ShiftX, -step.ShiftY, width, height)
		}
	})
	q.ground = c.groundBelow(ground, q)
}

// stripInterval is the time, in whole milliseconds, in which the ground moves
// by a part of the narrowest strip; 0 for a camera without strips, or without
// motion.
func (c *campaign) stripInterval(part float64) time.Duration {
	narrowest := c.narrowestStrip()
	if narrowest == 0 || c.p.Motion == nil || c.p.Motion.RowsPerS == 0 {
		return 0
	}
	// 0.37 rows more: no whole number of rows, so that pixels do not fall
	// on the same places of the ground again.
	return time.Duration(math.Round(1e3*(math.Floor(part*narrowest)+0.37)/math.Abs(c.p.Motion.RowsPerS))) * time.Millisecond
}

// pass plans the frames of a sequence, at equal intervals, of what moves over
// strips of filters at the rates of the profile.
func (c *campaign) pass(frames int, interval time.Duration, q *Sequence, target string, exposureS float64, seen func(step Step) BandScene) *Sequence {
	m := c.p.Motion
	q.ColumnsPerS, q.RowsPerS = m.ColumnsPerS, m.RowsPerS
	start := c.now
	for k := range frames {
		c.now = start.Add(time.Duration(k) * interval)
		timeS := c.now.Sub(start).Seconds()
		step := Step{TimeS: timeS, ShiftX: m.ColumnsPerS * timeS, ShiftY: m.RowsPerS * timeS}
		q.take(c.lookAtAll(exposureS, seen(step)), step, target)
	}
	return q
}

// wedgeOverStrips plans frames of a grey wedge that moves over strips of
// filters: so many that all strips see some of the same rows of it, which have
// no end.
func (c *campaign) wedgeOverStrips() {
	interval := c.stripInterval(0.97)
	if interval == 0 {
		return
	}
	c.pause(10 * time.Minute)
	whites := whiteRadiances(c.p)
	frames := 1 + int(math.Ceil(c.stripSpread()/(interval.Seconds()*math.Abs(c.p.Motion.RowsPerS))))
	exposureS := whiteExposureS(c.fullE, c.brightestRate(whites), lastRowDelayS(c.p))
	c.pass(frames, interval, &Sequence{Name: WedgeSequence}, wedgeTarget, exposureS, func(step Step) BandScene {
		return wedgeShifted(whites, step.ShiftX)
	})
}

// wedgeShifted is [GreyWedge] shifted along the columns. Its first and its last
// step have no end.
func wedgeShifted(whites []float64, shiftX float64) BandScene {
	scenes := make([]Scene, len(whites))
	for b, white := range whites {
		scenes[b] = func(width, height int) []float32 {
			out := make([]float32, width*height)
			for i := range out {
				step := math.Floor((float64(i%width) - shiftX + 0.5) * wedgeSteps / float64(width))
				out[i] = float32(white * wedgeReflectance(int(min(max(step, 0), wedgeSteps-1))))
			}
			return out
		}
	}
	return EachBand(scenes)
}

// stripSpread is the number of rows from the beginning of the first strip of
// filters to that of the last.
func (c *campaign) stripSpread() float64 {
	most := 0
	for i := range c.p.Detectors {
		strips := c.p.Detectors[i].Strips
		for _, a := range strips {
			for _, b := range strips {
				most = max(most, b.Rows[0]-a.Rows[0])
			}
		}
	}
	return float64(most)
}

// narrowestStrip is the least number of rows of a strip of filters; 0 for a
// camera without strips.
func (c *campaign) narrowestStrip() float64 {
	least := 0.0
	for i := range c.p.Detectors {
		for _, strip := range c.p.Detectors[i].Strips {
			if rows := float64(strip.Rows[1] - strip.Rows[0] + 1); least == 0 || rows < least {
				least = rows
			}
		}
	}
	return least
}

// groundBelow is all the ground that a sequence passes over, in whole pixels.
func (c *campaign) groundBelow(ground *Ground, q *Sequence) *groundTruth {
	d := &c.p.Detectors[0]
	var left, top, right, bottom float64
	for i := range q.Frames {
		left, right = min(left, -q.Frames[i].ShiftX), max(right, -q.Frames[i].ShiftX)
		top, bottom = min(top, -q.Frames[i].ShiftY), max(bottom, -q.Frames[i].ShiftY)
	}
	g := &groundTruth{ground: ground, column: int(math.Floor(left)), row: int(math.Floor(top))}
	g.width = d.Image.Columns[1] - d.Image.Columns[0] + 1 + int(math.Ceil(right)) - g.column
	g.height = d.Image.Rows[1] - d.Image.Rows[0] + 1 + int(math.Ceil(bottom)) - g.row
	for b := range c.p.Bands {
		g.bands = append(g.bands, c.p.Bands[b].Name)
	}
	return g
}

// The right eye of a stereo pair sees the ground eyeShift columns further on,
// and ridgeShift more on the crest of a ridge that runs along the middle row
// from side to side.
const eyeShift, ridgeShift = 3.4, 0.8

// pairs plans a frame in every band in which each eye has its own view of the
// ground.
func (c *campaign) pairs() {
	whites := whiteRadiances(c.p)
	ground := c.ground(whites)
	q := &Sequence{Name: "pair"}
	start := c.now
	for b := range c.p.Bands {
		band := c.p.Bands[b].Name
		timeS := c.now.Sub(start).Seconds()
		f := c.look(Exposure{Band: band, ExposureS: c.groundExposureS(responsivity(c.p, band) * whites[b])}, nil)
		f.Eyes = make([]Scene, len(c.p.Detectors))
		for i := range c.p.Detectors {
			d := &c.p.Detectors[i]
			step := Step{Detector: d.Name, Band: band, TimeS: timeS}
			if d.Name == c.p.Stereo.Right {
				step.ShiftX, step.RowShiftX = eyeShift, ridge(d.Image.Rows[1]-d.Image.Rows[0]+1)
			}
			f.Eyes[i] = func(width, height int) []float32 {
				return ground.window(step.leftEdge, -step.ShiftY, width, height)[b]
			}
			q.take(f, step, pairTarget)
		}
	}
}

// leftEdge is where a row of the frame begins on the ground.
func (s *Step) leftEdge(row int) float64 {
	if len(s.RowShiftX) == 0 {
		return -s.ShiftX
	}
	return -s.ShiftX - s.RowShiftX[row]
}

// ridge is the shift of each row that the height of the ground causes.
func ridge(rows int) []float64 {
	shift := make([]float64, rows)
	for y := range shift {
		sin := math.Sin(math.Pi * (float64(y) + 0.5) / float64(rows))
		shift[y] = ridgeShift * sin * sin
	}
	return shift
}
