package ledger_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"evenlight/pipeline/ledger"
)

var scenes = ledger.Series{Instrument: "quillon", Detector: "main", Mode: "full", Band: "green", Kind: "scene"}

// charted is a ledger of ten frames, recorded in disorder, whose metric is
// their number. That of frame 4 is not a number, frame 5 has none, frame 6 no
// product, and the product of frame 7 is missing.
func charted(t *testing.T, l *ledger.Ledger) {
	t.Helper()
	ctx := context.Background()
	made(t, l)
	for _, i := range []int{3, 9, 0, 4, 8, 1, 5, 7, 2, 6} {
		o := outcome(i)
		o.Metrics = []ledger.Metric{{"offset_dn", float64(i)}, {"always", 1}}
		switch i {
		case 4:
			o.Metrics[0].Value = math.NaN()
		case 5:
			o.Metrics = o.Metrics[1:]
		case 6:
			o.Product = nil
		}
		must(t, l.Record(ctx, o))
	}
	must(t, l.SetProductState(ctx, ledger.ProductID(identity(7)), ledger.Missing))
	for i, band := range map[int]string{20: "red", 21: "Green"} {
		o := outcome(i)
		o.Frame.Parts[0].Band = band
		must(t, l.Record(ctx, o))
	}
}

func TestThePointsOfAChartComeInTheOrderOfTime(t *testing.T) {
	at := func(i int) time.Time { return frame(i).Parts[0].Begin }
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		charted(t, l)
		for _, c := range []struct {
			from  time.Time
			n     int
			first bool
			want  []int
		}{
			{time.Time{}, 100, true, []int{0, 1, 2, 3, 8, 9}},
			{time.Time{}, 100, false, []int{0, 1, 2, 3, 8, 9}},
			{time.Time{}, 3, true, []int{0, 1, 2}},
			{time.Time{}, 3, false, []int{3, 8, 9}},
			{at(2), 3, true, []int{2, 3, 8}},
			{at(2).Add(1), 3, true, []int{3, 8, 9}},
			{at(3), 9, false, []int{3, 8, 9}},
			{at(8), 1, false, []int{9}},
			{at(10), 9, true, nil},
			{time.Time{}, 0, true, nil},
			{time.Time{}, -1, false, nil},
		} {
			points := got[[]ledger.MetricPoint](t)(l.MetricPoints(context.Background(), calibrated, "offset_dn", scenes, c.from, c.n, c.first))
			var is []int
			for _, p := range points {
				i := int(p.Value)
				is = append(is, i)
				if want := (ledger.MetricPoint{at(i), of("raw", i), frame(i).Name, ledger.ProductID(identity(i)), float64(i)}); p != want {
					t.Errorf("point %+v, want %+v", p, want)
				}
			}
			if !slices.Equal(is, c.want) {
				t.Errorf("from %v, %d, first %v: %v, want %v", c.from, c.n, c.first, is, c.want)
			}
		}
	})
}

func TestPointsOfOneMomentComeInOneOrder(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		made(t, l)
		var hashes []string
		for i := range 6 {
			o := outcome(i)
			o.Frame.Parts[0].Begin = start
			must(t, l.Record(context.Background(), o))
			hashes = append(hashes, of("raw", i).String())
		}
		slices.Sort(hashes)
		for _, first := range []bool{true, false} {
			want := hashes[2:]
			if first {
				want = hashes[:4]
			}
			for i, p := range got[[]ledger.MetricPoint](t)(l.MetricPoints(context.Background(), calibrated, "median_snr", scenes, time.Time{}, 4, first)) {
				if p.Frame.String() != want[i] {
					t.Errorf("first %v: point %d is of frame %v, want %s", first, i, p.Frame, want[i])
				}
			}
		}
	})
}

func TestWhatIsNotThereHasNoPointsAndNoNames(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		charted(t, l)
		nowhere := scenes
		nowhere.Mode = "half"
		for name, points := range map[string][]ledger.MetricPoint{
			"kind of product": got[[]ledger.MetricPoint](t)(l.MetricPoints(ctx, "picture", "offset_dn", scenes, time.Time{}, 9, true)),
			"metric":          got[[]ledger.MetricPoint](t)(l.MetricPoints(ctx, calibrated, "offset", scenes, time.Time{}, 9, true)),
			"series":          got[[]ledger.MetricPoint](t)(l.MetricPoints(ctx, calibrated, "offset_dn", nowhere, time.Time{}, 9, true)),
		} {
			if points != nil {
				t.Errorf("points of a %s that there is not: %+v", name, points)
			}
		}
		for _, names := range [][]string{got[[]string](t)(l.MetricNames(ctx, "picture", scenes)), got[[]string](t)(l.MetricNames(ctx, calibrated, nowhere))} {
			if names != nil {
				t.Errorf("names of metrics that there are not: %q", names)
			}
		}
	})
}

func TestTheNamesOfMetricsAreThoseOfTheLatestExposure(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		made(t, l)
		for _, i := range []int{2, 1} {
			o := outcome(i)
			o.Metrics = []ledger.Metric{{"b", 1}, {"a", math.NaN()}, {fmt.Sprint("of ", i), 1}}
			must(t, l.Record(ctx, o))
		}
		must(t, l.AddFrames(ctx, []ledger.Frame{frame(3)})) // has no product yet
		if names, want := got[[]string](t)(l.MetricNames(ctx, calibrated, scenes)), []string{"a", "b", "of 2"}; !slices.Equal(names, want) {
			t.Errorf("names %q, want %q", names, want)
		}
	})
}

func TestSeriesAreListedInOrder(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		charted(t, l)
		list := func(filter ledger.Filter) (all []ledger.Series) {
			must(t, l.EachSeries(ctx, filter, func(s ledger.Series) error {
				got[[]string](t)(l.MetricNames(ctx, calibrated, s)) // may be asked for meanwhile
				all = append(all, s)
				return nil
			}))
			return all
		}
		green, red := scenes, scenes
		green.Band, red.Band = "Green", "red"
		for name, c := range map[string]struct {
			ledger.Filter
			want []ledger.Series
		}{
			"all":           {ledger.Filter{}, []ledger.Series{green, scenes, red}},
			"band":          {ledger.Filter{Band: "red"}, []ledger.Series{red}},
			"time":          {ledger.Filter{From: frame(20).Parts[0].Begin}, []ledger.Series{green, red}},
			"time and end":  {ledger.Filter{From: frame(9).Parts[0].Begin, To: frame(20).Parts[0].Begin}, []ledger.Series{scenes}},
			"no instrument": {ledger.Filter{Instrument: "pellam"}, nil},
		} {
			if is := list(c.Filter); !slices.Equal(is, c.want) {
				t.Errorf("%s: %v, want %v", name, is, c.want)
			}
		}
		moved := frame(20)
		must(t, l.AddFrames(ctx, []ledger.Frame{moved})) // the profile was mended, and now it is green
		if is, want := list(ledger.Filter{}), []ledger.Series{green, scenes}; !slices.Equal(is, want) {
			t.Errorf("with a series that has no frames any more: %v, want %v", is, want)
		}
		enough := errors.New("enough")
		if err := l.EachSeries(ctx, ledger.Filter{}, func(ledger.Series) error { return enough }); !errors.Is(err, enough) {
			t.Errorf("error %v", err)
		}
	})
}

func TestArrivalsAreOfNewFramesAndNeverGoBack(t *testing.T) {
	at := func(hour int) time.Time { return start.Add(time.Duration(hour) * time.Hour) }
	seen := func(i, hour int) ledger.Frame {
		f := frame(i)
		f.Seen = at(hour)
		return f
	}
	unknown := frame(5)
	unknown.Seen = time.Time{}
	mute := seen(6, 90)
	mute.Parts = nil
	pair := seen(7, 8)
	for _, instrument := range []string{"pellam", "quillon"} {
		p := pair.Parts[0]
		p.Instrument, p.Detector = instrument, instrument
		pair.Parts = append(pair.Parts, p)
	}
	steps := []struct {
		what  string
		frame ledger.Frame
		want  map[string]time.Time
	}{
		{"the first", seen(1, 3), map[string]time.Time{"quillon": at(3)}},
		{"one while the clock has gone back", seen(2, 2), map[string]time.Time{"quillon": at(3)}},
		{"the first again", seen(1, 50), map[string]time.Time{"quillon": at(3)}},
		{"one that is later", seen(3, 4), map[string]time.Time{"quillon": at(4)}},
		{"one seen at no known time", unknown, map[string]time.Time{"quillon": at(4)}},
		{"one that tells no instrument", mute, map[string]time.Time{"quillon": at(4)}},
		{"one of two instruments", pair, map[string]time.Time{"quillon": at(8), "pellam": at(8)}},
	}
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		for _, s := range steps {
			must(t, l.Record(ctx, ledger.Outcome{Frame: &s.frame}))
			if is := got[map[string]time.Time](t)(l.Arrivals(ctx)); fmt.Sprint(is) != fmt.Sprint(s.want) {
				t.Errorf("after %s: %v, want %v", s.what, is, s.want)
			}
		}
	})
}

func TestMessagesWaitInOrderAndTheOldestOfTooManyGo(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		bodies := func() (all []string) {
			for i, p := range got[[]ledger.Post](t)(l.Posts(ctx)) {
				all = append(all, p.Body)
				if !p.Queued.Equal(start.Add(time.Duration(len(p.Body)))) {
					t.Errorf("message %d was queued at %v", i, p.Queued)
				}
			}
			return all
		}
		add := func(body string) { must(t, l.AddPost(ctx, body, start.Add(time.Duration(len(body))))) }
		add("a")
		add("{\"b\": \"\\n\"}")
		sent := got[[]ledger.Post](t)(l.Posts(ctx))
		must(t, l.DropPost(ctx, sent[1].ID))
		add("c")
		must(t, l.DropPost(ctx, sent[1].ID)) // again: and the new one has another number
		if is, want := bodies(), []string{"a", "c"}; !slices.Equal(is, want) {
			t.Errorf("messages %q, want %q", is, want)
		}
		for i := range 1001 {
			add(fmt.Sprint(i))
		}
		if is := bodies(); len(is) != 1000 || is[0] != "1" || is[999] != "1000" {
			t.Errorf("%d messages from %q to %q, want the last 1000", len(is), is[0], is[len(is)-1])
		}
		if err := l.AddPost(ctx, "\xff", start); err == nil {
			t.Error("bytes that are no text are kept")
		}
	})
}
