package pipeline

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"evenlight/calib"
)

// lineRuns are dark runs of a line scanner as intercepts sees them: blocks of
// so many lines at a dark time, each column with a bias and a dark of its own.
type lineRuns struct {
	ht     []float64 // s
	lines  []int
	noise  float64 // DN of one sample
	biasDN float64
	slope  float64 // DN/s
}

// draw makes blocks of so many columns. A mean of n lines scatters by 1/sqrt(n)
// of a sample.
func (l lineRuns) draw(rng *rand.Rand, columns int) (*frameSet, []lineBlock) {
	s := &frameSet{sensor: &calib.Sensor{Image: calib.Region{X1: columns, Y1: 1}}}
	var blocks []lineBlock
	for i, ht := range l.ht {
		b := lineBlock{frame: i, lines: l.lines[i], ht: ht, value: make([]float32, columns)}
		for x := range b.value {
			b.value[x] = float32(l.biasDN + l.slope*ht + l.noise/math.Sqrt(float64(b.lines))*rng.NormFloat64())
		}
		blocks = append(blocks, b)
	}
	return s, blocks
}

// lineSigmas is the width of the statistical bounds here: a true statement about
// normal noise fails it once in 150 000 seeds.
const lineSigmas = 4.5

// The variance of a least-squares intercept of n points with equal noise s is
// s^2 sum(x^2)/(n sum(x^2) - sum(x)^2). What is stated is known from n-2 degrees
// of freedom; the mean over many columns is known well.
func TestLineBiasIsTheInterceptAndAsGoodAsItSays(t *testing.T) {
	const columns = 20000
	for _, ht := range [][]float64{
		{1, 4, 16}, {1, 1, 1, 4, 4, 4, 16, 16, 16}, {0.5, 0.9, 1, 1.1}, {3, 3.1, 3.2, 3.3, 3.4, 5},
	} {
		t.Run(fmt.Sprint(ht), func(t *testing.T) {
			l := lineRuns{ht: ht, noise: 5, biasDN: -12, slope: 7}
			var sx, sxx float64
			for _, x := range ht {
				l.lines = append(l.lines, lineBlockRows)
				sx += x
				sxx += x * x
			}
			n := float64(len(ht))
			want := 5 * 5.0 / lineBlockRows * sxx / (n*sxx - sx*sx)
			s, blocks := l.draw(rand.New(rand.NewPCG(800, uint64(n))), columns)
			got, err := s.intercepts(blocks)
			if err != nil {
				t.Fatal(err)
			}
			var mean, square, stated float64
			for x, v := range got.Value {
				d := float64(v) + 12
				mean += d / columns
				square += d * d / columns
				stated += float64(got.Variance[x]) / columns
				if int(got.Samples[x]) != len(ht) {
					t.Fatalf("column %d has %d samples", x, got.Samples[x])
				}
			}
			if math.Abs(mean) > lineSigmas*math.Sqrt(want/columns) {
				t.Errorf("the mean bias is off by %.3g DN, want 0 within %.3g", mean, lineSigmas*math.Sqrt(want/columns))
			}
			if math.Abs(square/want-1) > lineSigmas*math.Sqrt(2.0/columns) {
				t.Errorf("the bias scatters with the variance %.4g, want %.4g", square, want)
			}
			// Three points leave one degree of freedom, whose relative variance is 2.
			if math.Abs(stated/want-1) > lineSigmas*math.Sqrt(2/(n-2)/columns) {
				t.Errorf("the stated variance is %.4g on average, want %.4g", stated, want)
			}
		})
	}
}

// Frames whose last block is of few lines are as good as those of whole
// blocks: the variance is no more than that of the best weights with the lines
// that are there, and the scatter is what is stated.
func TestLineBiasOfUnlikeBlocks(t *testing.T) {
	const columns = 5000
	l := lineRuns{noise: 5, biasDN: 3, slope: 2}
	var w, wx, wxx float64
	for _, ht := range []float64{1, 1, 4, 4, 16, 16} {
		for _, lines := range []int{lineBlockRows, 1} {
			l.ht, l.lines = append(l.ht, ht), append(l.lines, lines)
			k := float64(lines) / 25
			w += k
			wx += k * ht
			wxx += k * ht * ht
		}
	}
	best := wxx / (w*wxx - wx*wx)
	s, blocks := l.draw(rand.New(rand.NewPCG(801, 0)), columns)
	got, err := s.intercepts(blocks)
	if err != nil {
		t.Fatal(err)
	}
	var square, stated float64
	for x, v := range got.Value {
		d := float64(v) - 3
		square += d * d / columns
		stated += float64(got.Variance[x]) / columns
	}
	if square > 1.2*best {
		t.Errorf("the bias scatters with the variance %.4g, want %.4g or little more", square, best)
	}
	if math.Abs(stated/square-1) > lineSigmas*math.Sqrt((2+2.0/10)/columns) {
		t.Errorf("the stated variance is %.4g and the bias scatters with %.4g", stated, square)
	}
}

func TestLineBiasNeedsUnlikeDarkTimes(t *testing.T) {
	for name, ht := range map[string][]float64{
		"all alike": {2, 2, 2, 2, 2}, "nearly alike": {2, 2.5, 2.9}, "two blocks": {1, 16}, "no time": {0, 0, 0},
	} {
		l := lineRuns{ht: ht, lines: []int{9, 9, 9, 9, 9}, noise: 1}
		s, blocks := l.draw(rand.New(rand.NewPCG(802, 0)), 4)
		_, err := s.intercepts(blocks)
		if err == nil {
			t.Errorf("%s: a bias comes of it", name)
			continue
		}
		for _, part := range []string{fmt.Sprint(len(ht), " blocks"), "add dark runs", "longer"} {
			if !strings.Contains(err.Error(), part) {
				t.Errorf("%s: %q does not say %q", name, err, part)
			}
		}
	}
}

// The frame before is the last that began earlier and near enough in time, of
// the same detector, whatever the order of the files.
func TestFrameBeforeIsTheLastThatBeganEarlier(t *testing.T) {
	start := time.Date(2031, 3, 14, 6, 0, 0, 0, time.UTC)
	at := func(s float64) time.Time { return start.Add(time.Duration(s * float64(time.Second))) }
	one := func(path string, s float64) Exposure { return Exposure{Path: path, Need: Need{Time: at(s)}} }
	s := &sequence{[][]Exposure{{one("a", 0), one("b", 10), one("c", 10), one("d", 40)}, {}}}
	for _, c := range []struct {
		detector int
		time     float64
		want     string
		near     bool
	}{
		{0, 0, "", false}, // the first
		{0, 5, "a", true},
		{0, 10, "a", true}, // b and c began together
		{0, 10.001, "c", true},
		{0, 39.999, "c", true},
		{0, 69.999, "d", true},
		{0, 70, "d", false}, // too long ago
		{0, -5, "", false},
		{1, 20, "", false},
	} {
		got, near := s.before(c.detector, at(c.time), 30)
		if near != c.near || (near && got.Path != c.want) {
			t.Errorf("detector %d at %g s: %q, %t, want %q, %t", c.detector, c.time, got.Path, near, c.want, c.near)
		}
	}
	if _, near := (*sequence)(nil).before(0, start, 30); near {
		t.Error("a camera without residual images has a frame before")
	}
}
