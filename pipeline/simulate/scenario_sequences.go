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
)

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
	m := c.p.Motion
	narrowest := c.narrowestStrip()
	if narrowest == 0 || m.RowsPerS == 0 {
		return
	}
	// 0.37 rows more: no whole number of rows, so that pixels do not fall
	// on the same places of the ground again.
	interval := time.Duration(math.Round(1e3*(math.Floor(0.8*narrowest)+0.37)/math.Abs(m.RowsPerS))) * time.Millisecond
	whites := whiteRadiances(c.p)
	ground := c.ground(whites)
	exposureS := min(c.groundExposureS(c.brightestRate(whites)), math.Floor(500*interval.Seconds())/1e3)
	q := &Sequence{Name: "strip", ColumnsPerS: m.ColumnsPerS, RowsPerS: m.RowsPerS}
	start := c.now
	for k := range stripFrames {
		c.now = start.Add(time.Duration(k) * interval)
		timeS := c.now.Sub(start).Seconds()
		step := Step{TimeS: timeS, ShiftX: m.ColumnsPerS * timeS, ShiftY: m.RowsPerS * timeS}
		f := c.lookAtAll(exposureS, func(width, height int) [][]float32 {
			return ground.Window(-step.ShiftX, -step.ShiftY, width, height)
		})
		q.take(f, step, stripTarget)
	}
	q.ground = c.groundBelow(ground, q)
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
