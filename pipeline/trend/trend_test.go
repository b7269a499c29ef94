package trend_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"

	"evenlight/pipeline/trend"
)

var start = time.Date(2031, 4, 5, 6, 7, 8, 0, time.UTC)

func samples(values ...float64) []trend.Sample {
	s := make([]trend.Sample, len(values))
	for i, v := range values {
		s[i] = trend.Sample{Time: start.Add(time.Duration(i) * time.Minute), Name: string(rune('a' + i%26)), Value: v}
	}
	return s
}

// near tells whether a number agrees with one that was printed with so many
// decimals.
func near(got, printed float64, decimals int) bool {
	return math.Abs(got-printed) <= 0.5*math.Pow10(-decimals)*(1+1e-9)
}

// flowRates are the data of NIST/SEMATECH e-Handbook 6.3.2.2, and the last ten
// of 6.3.2.4 (from memory; the figures that the handbook prints are checked
// below and agree with them).
var flowRates = []float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}

// e-Handbook 6.3.2.2, "Example of moving range": mean 50.81, mean moving range
// 1.8778, limits 55.8041 and 45.8159 (from memory).
func TestIndividualsAgreesWithHandbookExample(t *testing.T) {
	l, err := trend.Settings{Kind: trend.Individuals, Baseline: len(flowRates), Sigmas: 3}.Limits(samples(flowRates...))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		what         string
		got, printed float64
		decimals     int
	}{
		{"centre", l.Centre, 50.81, 2},
		{"mean moving range", l.Sigma * 1.128, 1.8778, 4},
		{"upper limit", l.Upper, 55.8041, 4},
		{"lower limit", l.Lower, 45.8159, 4},
	} {
		if !near(c.got, c.printed, c.decimals) {
			t.Errorf("%s is %.6f, the handbook prints %v", c.what, c.got, c.printed)
		}
	}
	if c := l.Chart(samples(flowRates...)); c.Out() || len(c.Suspects) != 0 {
		t.Error("the handbook finds its process in control")
	}
}

// e-Handbook 6.3.2.4, "Example of calculation of parameters for an EWMA control
// chart": EWMA_0 = 50, s = 2.0539, lambda = 0.3, limits 52.5884 and 47.4115
// (from memory). The handbook does not give the values that its 50 and 2.0539
// come from; two values with that mean and standard deviation stand for them.
// The statistic, to the two decimals of the handbook, was computed apart by the
// recursion in decimal arithmetic.
func TestEWMAAgreesWithHandbookExample(t *testing.T) {
	data := append([]float64{52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5}, flowRates...)
	printed := []float64{50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99}
	half := 2.0539 / math.Sqrt2
	l, err := trend.Settings{Kind: trend.EWMA, Baseline: 2, Sigmas: 3, Lambda: 0.3}.Limits(samples(50-half, 50+half))
	if err != nil {
		t.Fatal(err)
	}
	// The handbook rounds the root of 0.3/1.7 to 0.4201, so that its last digit
	// is uncertain by 3 x 2.0539 x 0.00005 = 0.0003.
	for _, c := range []struct{ got, printed float64 }{{l.Upper, 52.5884}, {l.Lower, 47.4115}} {
		if math.Abs(c.got-c.printed) > 0.00036 {
			t.Errorf("limit %.5f, the handbook prints %v", c.got, c.printed)
		}
	}
	c := l.Chart(samples(data...))
	for i, p := range c.Points {
		if !near(p.Statistic, printed[i], 2) {
			t.Errorf("statistic %d is %.4f, the handbook prints %.2f", i+1, p.Statistic, printed[i])
		}
	}
	if _, out := c.FirstOut(); out || len(c.Points) != len(printed) {
		t.Error("the handbook finds its process in control at all 20 points")
	}
}

func TestPointsThatAreOutAreDated(t *testing.T) {
	l := limits(t, trend.Settings{Kind: trend.Individuals, Baseline: 4, Sigmas: 3}, 9, 11, 9, 11) // limits 10 ± 3 x 2/1.128 = 10 ± 5.32
	tests := []struct {
		name   string
		values []float64
		first  int // point that is the first out; -1: none
		since  int // of the present run; -1: not out
	}{
		{"all is well", []float64{10, 15.31, 4.69, 9}, -1, -1},
		{"out and back", []float64{10, 15.33, 10}, 1, -1},
		{"out to the end", []float64{10, 20, 30}, 1, 1},
		{"out, back and out again", []float64{0, 10, 20, 0}, 0, 2},
		{"infinite", []float64{10, math.Inf(1)}, 1, 1},
		{"nothing", nil, -1, -1},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			in := samples(test.values...)
			c := l.Chart(in)
			p, found := c.FirstOut()
			if found != (test.first >= 0) || found && !p.Time.Equal(in[test.first].Time) {
				t.Errorf("first out: %v %v", p, found)
			}
			run := c.OutSince()
			if c.Out() != (test.since >= 0) || len(run) > 0 != (test.since >= 0) {
				t.Fatalf("out %v, with %d points", c.Out(), len(run))
			}
			if test.since >= 0 && (run[0].Name != in[test.since].Name || len(run) != len(in)-test.since) {
				t.Errorf("out since %v", run)
			}
		})
	}
}

func limits(t *testing.T, s trend.Settings, baseline ...float64) trend.Limits {
	t.Helper()
	l, err := s.Limits(samples(baseline...))
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func TestThereIsNoVerdictWithoutBaseline(t *testing.T) {
	individuals := trend.Settings{Kind: trend.Individuals, Baseline: 3, Sigmas: 3}
	tests := []struct {
		name     string
		settings trend.Settings
		baseline []float64
		want     error  // nil: any
		says     string // in the error
	}{
		{"too few", individuals, []float64{1, 2}, trend.ErrTooFew, "2 of 3"},
		{"too few with values", individuals, []float64{1, math.NaN(), 2}, trend.ErrTooFew, "2 of 3"},
		{"all alike", individuals, []float64{0.1, 0.1, 0.1}, trend.ErrNoSpread, "all 3 are 0.1"},
		{"all alike, moving average", trend.Settings{Kind: trend.EWMA, Baseline: 3, Sigmas: 3, Lambda: 0.2}, []float64{0.1, 0.1, 0.1}, trend.ErrNoSpread, "0.1"},
		{"infinite", individuals, []float64{1, math.Inf(1), 2}, trend.ErrNotFinite, ""},
		{"too large", individuals, []float64{math.MaxFloat64, math.MaxFloat64, 1}, trend.ErrNotFinite, ""},
		{"unknown chart", trend.Settings{Kind: "pie", Baseline: 3, Sigmas: 3}, nil, nil, "choose individuals or ewma"},
		{"baseline of one", trend.Settings{Kind: trend.Individuals, Baseline: 1, Sigmas: 3}, nil, nil, "at least 2"},
		{"no width", trend.Settings{Kind: trend.Individuals, Baseline: 3}, nil, nil, "above 0"},
		{"no weight", trend.Settings{Kind: trend.EWMA, Baseline: 3, Sigmas: 3}, nil, nil, "lambda above 0"},
		{"too much weight", trend.Settings{Kind: trend.EWMA, Baseline: 3, Sigmas: 3, Lambda: 1.1}, nil, nil, "at most 1"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			_, err := test.settings.Limits(samples(test.baseline...))
			if err == nil || test.want != nil && !errors.Is(err, test.want) || !strings.Contains(err.Error(), test.says) {
				t.Errorf("error %v", err)
			}
		})
	}
}

func TestOutlierInBaselineIsNamedAndKept(t *testing.T) {
	values := []float64{9, 11, 9, 11, 9, 11, 9, 11, 9, 11, 9, 11, 9, 11, 9, 11, 9, 11, 9, 60}
	for _, kind := range []trend.Kind{trend.Individuals, trend.EWMA} {
		l := limits(t, trend.Settings{Kind: kind, Baseline: len(values), Sigmas: 3, Lambda: 0.2}, values...)
		if len(l.Suspects) != 1 || l.Suspects[0].Value != 60 {
			t.Errorf("%s: suspects %v", kind, l.Suspects)
		}
		if l.Centre != stat.Mean(values, nil) {
			t.Errorf("%s: centre %v without the outlier", kind, l.Centre)
		}
	}
}

// With EWMA and lambda 1 nothing is remembered, which is a chart of
// individuals but for the way in which sigma is found.
func TestEWMAWithoutMemoryIsTheValueItself(t *testing.T) {
	l := limits(t, trend.Settings{Kind: trend.EWMA, Baseline: len(flowRates), Sigmas: 3, Lambda: 1}, flowRates...)
	if sd := stat.StdDev(flowRates, nil); math.Abs(l.Upper-l.Centre-3*sd) > 1e-12 {
		t.Errorf("half width %v, 3 s is %v", l.Upper-l.Centre, 3*sd)
	}
	for _, p := range l.Chart(samples(flowRates...)).Points {
		if p.Statistic != p.Value {
			t.Errorf("statistic %v of value %v", p.Statistic, p.Value)
		}
	}
}

func TestInfiniteValueDoesNotStayInMovingAverage(t *testing.T) {
	l := limits(t, trend.Settings{Kind: trend.EWMA, Baseline: 2, Sigmas: 3, Lambda: 0.2}, 9, 11)
	with := l.Chart(samples(12, math.Inf(-1), math.NaN(), 8))
	without := l.Chart(samples(12, 8))
	if len(with.Points) != 3 || !with.Points[1].Out || with.Points[2].Statistic != without.Points[1].Statistic {
		t.Errorf("points %v", with.Points)
	}
}

// The statistic after Memory points depends on those before by less than 1e-9
// of their distance.
func TestMemoryIsWhereOldSamplesStopCounting(t *testing.T) {
	for _, lambda := range []float64{0.01, 0.05, 0.2, 0.3, 0.9} {
		s := trend.Settings{Kind: trend.EWMA, Baseline: 2, Sigmas: 3, Lambda: lambda}
		m := s.Memory()
		if left := math.Pow(1-lambda, float64(m)); left >= 1e-9 {
			t.Errorf("lambda %v: after %d points %g is left", lambda, m, left)
		}
		if left := math.Pow(1-lambda, float64(m-1)); left < 1e-9*(1-1e-9) {
			t.Errorf("lambda %v: %d points are more than needed", lambda, m)
		}
	}
	if m := (trend.Settings{Kind: trend.EWMA, Lambda: 1}).Memory(); m != 1 {
		t.Errorf("lambda 1 remembers %d points", m)
	}
	if m := (trend.Settings{Kind: trend.Individuals}).Memory(); m != 0 {
		t.Errorf("individuals remember %d points", m)
	}
}

func TestLastKeepsStatisticsOfTheWholeChart(t *testing.T) {
	l := limits(t, trend.Settings{Kind: trend.EWMA, Baseline: 2, Sigmas: 3, Lambda: 0.2}, 9, 11)
	c := l.Chart(samples(flowRates...))
	for _, n := range []int{0, 3, 10, 11} {
		if last := c.Last(n).Points; !slices.Equal(last, c.Points[10-min(n, 10):]) {
			t.Errorf("last %d: %v", n, last)
		}
	}
}

// known are limits whose centre is 0 and whose sigma is 1 exactly: a baseline
// of two values with standard deviation 1, and a mean range of 1.128.
func known(t *testing.T, kind trend.Kind, lambda float64) trend.Limits {
	t.Helper()
	half := math.Sqrt(0.5)
	if kind == trend.Individuals {
		half = 1.128 / 2
	}
	return limits(t, trend.Settings{Kind: kind, Baseline: 2, Sigmas: 3, Lambda: lambda}, -half, half)
}

// normalTail is the share of normal values beyond z.
func normalTail(z float64) float64 { return 0.5 * math.Erfc(z/math.Sqrt2) }

// Of normal values 0.27 % lie beyond 3 sigma, one in 370. The number out is
// binomial.
func TestIndividualsCallFalselyAsOftenAsNormalTheorySays(t *testing.T) {
	const n = 400_000
	random := rand.New(rand.NewPCG(1, 2))
	values := make([]float64, n)
	for i := range values {
		values[i] = random.NormFloat64()
	}
	out := 0
	for _, p := range known(t, trend.Individuals, 0).Chart(samples(values...)).Points {
		if p.Out {
			out++
		}
	}
	rate := 2 * normalTail(3)
	if bound := 5 * math.Sqrt(n*rate*(1-rate)); math.Abs(float64(out)-n*rate) > bound {
		t.Errorf("%d of %d are out, theory says %.0f ± %.0f", out, n, n*rate, bound)
	}
}

// The mean moving range over 1.128 estimates sigma, with a relative variance of
// (2 pi/3 + sqrt(3) - 3)/(N-1) = 0.826/(N-1) for normal values (from memory; it
// follows from the correlation of neighbouring ranges).
func TestSigmaIsEstimatedFromMovingRange(t *testing.T) {
	const n = 100_000
	random := rand.New(rand.NewPCG(3, 4))
	values := make([]float64, n)
	for i := range values {
		values[i] = 7 + 2*random.NormFloat64()
	}
	l := limits(t, trend.Settings{Kind: trend.Individuals, Baseline: n, Sigmas: 3}, values...)
	// 1.128 for 2/sqrt(pi) is off by 0.03 %.
	if relative := l.Sigma/2 - 1; math.Abs(relative) > 5*math.Sqrt(0.826/(n-1))+0.0004 {
		t.Errorf("sigma is off by %g", relative)
	}
}

// runLengths counts the points to the first call, in runs with a shift.
func runLengths(l trend.Limits, shift float64, runs int) (mean, sd float64) {
	random := rand.New(rand.NewPCG(5, 6))
	lengths := make([]float64, runs)
	chunk := make([]float64, 16)
	for i := range lengths {
		after := l // the statistic goes on from chunk to chunk
		for {
			for j := range chunk {
				chunk[j] = shift + random.NormFloat64()
			}
			c := after.Chart(samples(chunk...))
			at := slices.IndexFunc(c.Points, func(p trend.Point) bool { return p.Out })
			if at >= 0 {
				lengths[i] += float64(at + 1)
				break
			}
			lengths[i] += float64(len(chunk))
			after.Centre = c.Points[len(chunk)-1].Statistic
		}
	}
	return stat.MeanStdDev(lengths, nil)
}

// meanRunLength of an EWMA chart by the method of a Markov chain (Brook &
// Evans 1972, Biometrika 59, 539; from memory): the range between the limits
// is cut into cells, and the mean length from cell i solves L = 1 + P L.
func meanRunLength(lambda, half, shift float64) float64 {
	const cells = 201
	width := 2 * half / cells
	centre := func(i int) float64 { return -half + (float64(i)+0.5)*width }
	a := mat.NewDense(cells, cells, nil)
	ones := mat.NewVecDense(cells, nil)
	for i := range cells {
		ones.SetVec(i, 1)
		for j := range cells {
			low := (centre(j)-width/2-(1-lambda)*centre(i))/lambda - shift
			high := (centre(j)+width/2-(1-lambda)*centre(i))/lambda - shift
			a.Set(i, j, normalTail(high)-normalTail(low))
			if i == j {
				a.Set(i, j, 1+a.At(i, j))
			}
		}
	}
	var l mat.VecDense
	if err := l.SolveVec(a, ones); err != nil {
		panic(err)
	}
	return l.AtVec(cells / 2)
}

// A shift of 1 sigma is found by individuals after 1/(P(z>2)+P(z<-4)) = 43.9
// points in the mean, and by EWMA after about 10.
func TestEWMAFindsSmallShiftFarSooner(t *testing.T) {
	const runs, lambda = 4000, 0.2
	individuals := 1 / (normalTail(2) + normalTail(4))
	ewma := meanRunLength(lambda, 3*math.Sqrt(lambda/(2-lambda)), 1)
	if ewma > individuals/3 {
		t.Errorf("theory: %.1f points against %.1f", ewma, individuals)
	}
	for _, c := range []struct {
		kind   trend.Kind
		theory float64
	}{{trend.Individuals, individuals}, {trend.EWMA, ewma}} {
		mean, sd := runLengths(known(t, c.kind, lambda), 1, runs)
		// The chain with 201 cells is exact to 0.1 %.
		if bound := 5*sd/math.Sqrt(runs) + 0.001*c.theory; math.Abs(mean-c.theory) > bound {
			t.Errorf("%s: %.2f points in the mean, theory says %.2f ± %.2f", c.kind, mean, c.theory, bound)
		}
	}
}
