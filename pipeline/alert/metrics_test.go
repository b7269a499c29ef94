package alert_test

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"

	"evenlight/configs"
	"evenlight/pipeline/alert"
	"evenlight/pipeline/ledger"
	"evenlight/pipeline/trend"
)

func write(t *testing.T, m alert.Metrics) []byte {
	t.Helper()
	path := filepath.Join(t.TempDir(), "figures.prom")
	must(t, alert.WriteMetrics(path, m))
	text, err := os.ReadFile(path)
	must(t, err)
	return text
}

// figure is one value that was read back, by its labels.
func figure(t *testing.T, text []byte, name string, labels map[string]string) (float64, bool) {
	t.Helper()
	parser := expfmt.NewTextParser(model.UTF8Validation)
	families, err := parser.TextToMetricFamilies(bytes.NewReader(text))
	must(t, err)
	for _, m := range families[name].GetMetric() {
		if hasLabels(m, labels) {
			// The parser knows no type for a counter, whose sample has another
			// name than its family.
			return m.GetGauge().GetValue() + m.GetUntyped().GetValue(), true
		}
	}
	return 0, false
}

func hasLabels(m *dto.Metric, want map[string]string) bool {
	if len(m.GetLabel()) != len(want) {
		return false
	}
	for _, l := range m.GetLabel() {
		if v, ok := want[l.GetName()]; !ok || v != l.GetValue() {
			return false
		}
	}
	return true
}

const hostile = "a\n\"b\" \\c\r\u2028{x=\"y\"} # EOF"

func TestMetricsFileHoldsEachFigure(t *testing.T) {
	series := map[string]string{"instrument": "quillon", "detector": "main", "mode": "full", "band": "green", "kind": "scene"}
	with := func(more ...string) map[string]string {
		all := map[string]string{}
		for k, v := range series {
			all[k] = v
		}
		for i := 0; i < len(more); i += 2 {
			all[more[i]] = more[i+1]
		}
		return all
	}
	text := write(t, alert.Metrics{
		Software: "evenlight", Version: "1.2",
		Frames:     ledger.Counts{Found: 10, Done: 7, Skipped: 2, Failed: 1, Warned: 3},
		Quarantine: 4,
		Alerts:     []ledger.Alert{{Rule: "quiet", Subject: "instrument=quillon"}, {Rule: hostile, Subject: hostile}},
		Arrivals:   map[string]time.Time{"quillon": time.Unix(1_900_000_000, 250_000_000), hostile: time.Unix(1, 0)},
		LastRun:    &ledger.Run{What: "intake", Outcome: "done", Ended: time.Unix(1_900_000_001, 0)},
		Free:       map[string]uint64{"products": 5 << 40},
		Levels:     []alert.Level{{Series: green, Metric: "noise_ratio", Time: time.Unix(1_800_000_000, 0), Value: 1.25}, {Series: green, Metric: "median", Value: math.Inf(1)}},
		Controls:   []alert.Control{{Series: green, Rule: "noise", Metric: "noise_ratio", Chart: trend.EWMA, Statistic: 1.1, Centre: 1, Lower: 0.9, Upper: 1.2}, {Series: green, Rule: "new", Metric: "noise_ratio", Chart: trend.Individuals, Statistic: math.NaN(), Centre: 1}},
	})
	chart := with("rule", "noise", "chart", "ewma", "metric", "noise_ratio")
	for _, want := range []struct {
		name   string
		labels map[string]string
		value  float64
	}{
		{"evenlight_build_info", map[string]string{"software": "evenlight", "version": "1.2"}, 1},
		{"evenlight_frames_total", map[string]string{"outcome": "found"}, 10},
		{"evenlight_frames_total", map[string]string{"outcome": "done"}, 7},
		{"evenlight_frames_total", map[string]string{"outcome": "skipped"}, 2},
		{"evenlight_frames_total", map[string]string{"outcome": "failed"}, 1},
		{"evenlight_frames_total", map[string]string{"outcome": "warned"}, 3},
		{"evenlight_quarantine_frames", nil, 4},
		{"evenlight_alert_active", map[string]string{"rule": "quiet", "subject": "instrument=quillon"}, 1},
		{"evenlight_alert_active", map[string]string{"rule": hostile, "subject": hostile}, 1},
		{"evenlight_last_arrival_timestamp_seconds", map[string]string{"instrument": "quillon"}, 1_900_000_000.25},
		{"evenlight_last_arrival_timestamp_seconds", map[string]string{"instrument": hostile}, 1},
		{"evenlight_last_run_end_timestamp_seconds", map[string]string{"run": "intake", "outcome": "done"}, 1_900_000_001},
		{"evenlight_folder_free_bytes", map[string]string{"folder": "products"}, 5 << 40},
		{"evenlight_product_metric", with("metric", "noise_ratio"), 1.25},
		{"evenlight_product_metric", with("metric", "median"), math.Inf(1)},
		{"evenlight_product_metric_timestamp_seconds", with("metric", "noise_ratio"), 1_800_000_000},
		{"evenlight_control_statistic", chart, 1.1},
		{"evenlight_control_centre", chart, 1},
		{"evenlight_control_lower", chart, 0.9},
		{"evenlight_control_upper", chart, 1.2},
	} {
		if got, ok := figure(t, text, want.name, want.labels); !ok || got != want.value {
			t.Errorf("%s%v is %v, %v, want %v\n%s", want.name, want.labels, got, ok, want.value, text)
		}
	}
	if _, ok := figure(t, text, "evenlight_control_statistic", with("rule", "new", "chart", "individuals", "metric", "noise_ratio")); ok {
		t.Error("a chart without points has a statistic")
	}
	if _, ok := figure(t, text, "evenlight_product_metric_timestamp_seconds", with("metric", "median")); ok {
		t.Error("a time that is not known is in the file")
	}
}

// OpenMetrics 1.0.0: the text ends with "# EOF\n", which stands nowhere before;
// a counter's samples end in _total and its family does not; each family has
// its lines together, after its type; there is no other white space.
func TestMetricsFileIsOpenMetrics(t *testing.T) {
	text := string(write(t, alert.Metrics{Software: "evenlight", Version: hostile + "\xff", Frames: ledger.Counts{Done: 1}}))
	body, ended := strings.CutSuffix(text, "# EOF\n")
	if !ended || strings.Contains("\n"+body, "\n# EOF") {
		t.Errorf("end mark missing or twice:\n%s", text)
	}
	if !strings.Contains(text, "# TYPE evenlight_frames counter\n") || !strings.Contains(text, "\nevenlight_frames_total{outcome=\"done\"} 1") {
		t.Errorf("counter:\n%s", text)
	}
	types := map[string]int{}
	current := ""
	for line := range strings.Lines(body) {
		fields := strings.Fields(line)
		switch {
		case strings.HasPrefix(line, "# TYPE "):
			current = fields[2]
			types[current]++
		case strings.HasPrefix(line, "# HELP "):
		case !strings.HasPrefix(line, current):
			t.Errorf("line of another family than %s: %s", current, line)
		}
	}
	for name, n := range types {
		if n != 1 || !strings.HasPrefix(name, "evenlight_") {
			t.Errorf("%d types of %s", n, name)
		}
	}
}

func TestMetricsFileIsTheSameForTheSameFigures(t *testing.T) {
	m := alert.Metrics{Arrivals: map[string]time.Time{}, Free: map[string]uint64{}}
	for _, name := range strings.Fields("quillon pellam brindle oxlip tarn fescue umber sallow gemel") {
		m.Arrivals[name], m.Free[name] = start, 1
	}
	first := write(t, m)
	for range 5 {
		if again := write(t, m); !bytes.Equal(again, first) {
			t.Fatalf("first\n%s\nagain\n%s", first, again)
		}
	}
}

func TestMetricsFileIsReplacedAsAWhole(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "figures.prom")
	must(t, alert.WriteMetrics(path, alert.Metrics{Quarantine: 1}))
	reader, err := os.Open(path)
	must(t, err)
	defer reader.Close()
	must(t, alert.WriteMetrics(path, alert.Metrics{Quarantine: 2}))
	var old bytes.Buffer
	_, err = old.ReadFrom(reader)
	must(t, err)
	if n, _ := figure(t, old.Bytes(), "evenlight_quarantine_frames", nil); n != 1 {
		t.Error("the file was changed under its reader")
	}
	entries, err := os.ReadDir(folder)
	must(t, err)
	if len(entries) != 1 {
		t.Errorf("left behind: %v", entries)
	}
	err = alert.WriteMetrics(filepath.Join(folder, "no", "figures.prom"), alert.Metrics{})
	if !errors.Is(err, fs.ErrNotExist) || !strings.Contains(err.Error(), "alerts.metrics_file") {
		t.Errorf("without a folder: %v", err)
	}
}

func TestGatherReadsTheStateOfTheArchive(t *testing.T) {
	l := newLedger(t)
	ctx := context.Background()
	measure(t, l, green, "noise_ratio", 0, append(steady(), 12.5)...)
	must(t, l.AddFrames(ctx, []ledger.Frame{{SHA256: of("broken"), Path: "/archive/broken.fits", Failure: "it is no FITS file", FailedAs: of("attempt")}}))
	run(t, l, start, ledger.Counts{Found: 40, Done: 31, Failed: 1, Skipped: 8})
	_, err := l.BeginRun(ctx, ledger.Run{What: "intake", Owner: "test", Started: at(5)}) // goes on
	must(t, err)
	_, err = l.RaiseAlert(ctx, "quiet", "instrument=quillon", "no new frame", start)
	must(t, err)
	e := env()
	e.Folders = map[string]string{"products": "/srv/products", "earlier": "/srv/earlier"}
	e.Free = func(folder string) (uint64, error) {
		if folder == "/srv/earlier" {
			return 0, fs.ErrNotExist
		}
		return 77, nil
	}
	rules := []configs.Rule{
		{Name: "noise", Kind: configs.RuleControl, Metric: "noise_ratio", Chart: configs.ChartIndividuals},
		{Name: "too early", Kind: configs.RuleControl, Metric: "noise_ratio", Chart: configs.ChartEWMA, Baseline: 500},
	}
	m, err := alert.Gather(ctx, l, rules, e)
	must(t, err)
	if m.Frames != (ledger.Counts{Found: 40, Done: 31, Failed: 1, Skipped: 8}) || m.Quarantine != 1 || len(m.Alerts) != 1 || len(m.Arrivals) != 1 || !m.Arrivals["quillon"].Equal(minute(30).Add(time.Hour)) {
		t.Errorf("gathered %+v", m)
	}
	if m.LastRun == nil || !m.LastRun.Started.Equal(start) || len(m.Free) != 1 || m.Free["products"] != 77 {
		t.Errorf("last run %+v, free %v", m.LastRun, m.Free)
	}
	if len(m.Levels) != 1 || m.Levels[0] != (alert.Level{Series: green, Metric: "noise_ratio", Time: minute(30), Value: 12.5}) {
		t.Errorf("levels %+v", m.Levels)
	}
	// 10 ± 3 x 2/1.128
	c := m.Controls
	if len(c) != 1 || c[0].Rule != "noise" || c[0].Statistic != 12.5 || c[0].Centre != 10 || math.Abs(c[0].Upper-10-6/1.128) > 1e-12 || math.Abs(c[0].Lower-10+6/1.128) > 1e-12 {
		t.Errorf("controls %+v", c)
	}
	must(t, l.Close())
	if _, err := alert.Gather(ctx, l, rules, e); err == nil {
		t.Error("a ledger that cannot be read has figures")
	}
}
