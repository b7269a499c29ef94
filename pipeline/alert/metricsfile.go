package alert

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/common/expfmt"

	"evenlight/fitsutil"
	"evenlight/pipeline/ledger"
)

// WriteMetrics writes a file of OpenMetrics text
// (https://github.com/prometheus/OpenMetrics, version 1.0.0). It is replaced
// as a whole, so that a reader never sees a part of it. The order of the lines
// depends on the values only.
//
//	name                                          labels                                                         value
//	evenlight_build_info                          software, version                                              1
//	evenlight_frames_total                        outcome: found, done, skipped, failed, warned                  frames in all runs; those warned of are among those done
//	evenlight_quarantine_frames                                                                                  frames in quarantine
//	evenlight_alert_active                        rule, subject                                                  1 while the alert holds
//	evenlight_last_arrival_timestamp_seconds      instrument                                                     when the last new frame arrived
//	evenlight_last_run_end_timestamp_seconds      run, outcome                                                   when the last run ended
//	evenlight_folder_free_bytes                   folder                                                         bytes that can still be written
//	evenlight_product_metric                      metric, instrument, detector, mode, band, kind                 latest value, in the metric's own unit
//	evenlight_product_metric_timestamp_seconds    the same                                                       time of its exposure
//	evenlight_control_statistic                   rule, chart, metric, instrument, detector, mode, band, kind    latest value or moving average
//	evenlight_control_centre, _lower, _upper      the same                                                       centre and limits of the chart
//
// Times are seconds since 1970-01-01T00:00:00 UTC.
func WriteMetrics(path string, m Metrics) error {
	content, err := openMetrics(m)
	if err != nil {
		return fmt.Errorf("write the figures for %s: %w", path, err)
	}
	if err := fitsutil.WriteFile(path, content, fitsutil.CreateOptions{Overwrite: true}); err != nil {
		return fmt.Errorf("write the figures to %s: %w; check that the folder of alerts.metrics_file is there, may be written to and has room", path, err)
	}
	return nil
}

func openMetrics(m Metrics) ([]byte, error) {
	registry := prometheus.NewPedanticRegistry()
	if err := registry.Register(collector{m.gauges()}); err != nil {
		return nil, err
	}
	families, err := registry.Gather()
	if err != nil {
		return nil, err
	}
	format, err := expfmt.NewOpenMetricsFormat(expfmt.OpenMetricsVersion_1_0_0)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	encoder := expfmt.NewEncoder(&b, format)
	for _, f := range families {
		if err := encoder.Encode(f); err != nil {
			return nil, err
		}
	}
	err = encoder.(expfmt.Closer).Close() // writes the end mark
	return b.Bytes(), err
}

// family is one name with its values.
type family struct {
	name, help string
	kind       prometheus.ValueType
	labels     []string
	values     []value
}

// value is a number with the values of its labels.
type value struct {
	labels []string
	number float64
}

func (f *family) add(number float64, labels ...string) {
	clean := make([]string, len(labels))
	for i, l := range labels {
		clean[i] = strings.ToValidUTF8(l, "\ufffd")
	}
	f.values = append(f.values, value{clean, number})
}

// addTime adds a time, unless it is zero.
func (f *family) addTime(t time.Time, labels ...string) {
	if !t.IsZero() {
		f.add(float64(t.UnixMicro())/1e6, labels...)
	}
}

// collector hands families to a registry, which checks and sorts them.
type collector struct{ families []*family }

func (f *family) describe() *prometheus.Desc {
	return prometheus.NewDesc(f.name, f.help, f.labels, nil)
}

// Describe is part of [prometheus.Collector].
func (c collector) Describe(to chan<- *prometheus.Desc) {
	for _, f := range c.families {
		to <- f.describe()
	}
}

// Collect is part of [prometheus.Collector].
func (c collector) Collect(to chan<- prometheus.Metric) {
	for _, f := range c.families {
		of := f.describe()
		for _, v := range f.values {
			m, err := prometheus.NewConstMetric(of, f.kind, v.number, v.labels...)
			if err != nil {
				m = prometheus.NewInvalidMetric(of, err)
			}
			to <- m
		}
	}
}

// gauges makes the families of the figures.
func (m *Metrics) gauges() []*family {
	gauge := func(name, help string, labels ...string) *family {
		return &family{name: "evenlight_" + name, help: help, kind: prometheus.GaugeValue, labels: labels}
	}
	build := gauge("build_info", "The software that wrote this file.", "software", "version")
	build.add(1, m.Software, m.Version)
	quarantine := gauge("quarantine_frames", "Frames in quarantine.")
	quarantine.add(float64(m.Quarantine))
	active := gauge("alert_active", "1 while an alert holds.", "rule", "subject")
	for _, a := range m.Alerts {
		active.add(1, a.Rule, a.Subject)
	}
	arrival := gauge("last_arrival_timestamp_seconds", "When the last new frame of an instrument arrived.", "instrument")
	for instrument, t := range m.Arrivals {
		arrival.addTime(t, instrument)
	}
	run := gauge("last_run_end_timestamp_seconds", "When the last run ended.", "run", "outcome")
	if r := m.LastRun; r != nil {
		run.addTime(r.Ended, r.What, r.Outcome)
	}
	free := gauge("folder_free_bytes", "Bytes that can still be written to a folder.", "folder")
	for word, n := range m.Free {
		free.add(float64(n), word)
	}
	return slices.Concat([]*family{build, m.frames(), quarantine, active, arrival, run, free}, m.levels(gauge), m.controls(gauge))
}

func (m *Metrics) frames() *family {
	frames := &family{name: "evenlight_frames_total", help: "Frames in all runs.", kind: prometheus.CounterValue, labels: []string{"outcome"}}
	for _, of := range []struct {
		outcome string
		n       int
	}{{"found", m.Frames.Found}, {"done", m.Frames.Done}, {"skipped", m.Frames.Skipped}, {"failed", m.Frames.Failed}, {"warned", m.Frames.Warned}} {
		frames.add(float64(of.n), of.outcome)
	}
	return frames
}

type newFamily func(name, help string, labels ...string) *family

func (m *Metrics) levels(gauge newFamily) []*family {
	labels := append([]string{"metric"}, seriesLabels...)
	level := gauge("product_metric", "Latest value of a metric of products, in its own unit.", labels...)
	at := gauge("product_metric_timestamp_seconds", "When the frame of the latest value was exposed.", labels...)
	for _, l := range m.Levels {
		values := append([]string{l.Metric}, seriesValues(l.Series)...)
		level.add(l.Value, values...)
		at.addTime(l.Time, values...)
	}
	return []*family{level, at}
}

func (m *Metrics) controls(gauge newFamily) []*family {
	labels := append([]string{"rule", "chart", "metric"}, seriesLabels...)
	statistic := gauge("control_statistic", "Latest value or moving average of a control chart.", labels...)
	centre := gauge("control_centre", "Centre of a control chart.", labels...)
	lower := gauge("control_lower", "Lower limit of a control chart.", labels...)
	upper := gauge("control_upper", "Upper limit of a control chart.", labels...)
	for _, c := range m.Controls {
		values := append([]string{c.Rule, string(c.Chart), c.Metric}, seriesValues(c.Series)...)
		if !math.IsNaN(c.Statistic) {
			statistic.add(c.Statistic, values...)
		}
		centre.add(c.Centre, values...)
		lower.add(c.Lower, values...)
		upper.add(c.Upper, values...)
	}
	return []*family{statistic, centre, lower, upper}
}

var seriesLabels = []string{"instrument", "detector", "mode", "band", "kind"}

func seriesValues(s ledger.Series) []string {
	return []string{s.Instrument, s.Detector, s.Mode, s.Band, s.Kind}
}
