package page

import (
	"bytes"
	"encoding/csv"
	"strconv"
	"strings"
)

// csvOf writes a table (RFC 4180).
func csvOf(head []string, rows [][]string) ([]byte, error) {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	w.UseCRLF = true // as RFC 4180, section 2 has it
	if err := w.Write(head); err != nil {
		return nil, err
	}
	if err := w.WriteAll(rows); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// cell makes text of others fit for a table: hidden characters are shown, and an
// apostrophe stands before what a program for tables would take for a formula.
func cell(text string) string {
	text = show(text)
	if strings.HasPrefix(text, "=") || strings.HasPrefix(text, "+") || strings.HasPrefix(text, "-") || strings.HasPrefix(text, "@") {
		return "'" + text
	}
	return text
}

func number(v *float64) string {
	if v == nil {
		return ""
	}
	return real(*v)
}

func real(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

var frameHead = []string{"n", "name", "raw", "product", "instrument", "detector", "band", "mode", "target", "time", "exposure_s", "temperature_k", "unit",
	"background", "median", "good_fraction", "saturated", "noise_ratio", "oldest_master_days", "state", "warnings", "flags"}

func frameRow(f *Frame) []string {
	var flags []string
	for _, p := range f.Flags {
		flags = append(flags, p.Name+"="+real(p.Fraction))
	}
	return []string{strconv.Itoa(f.N), cell(f.Name), cell(f.Raw), cell(f.Product), cell(f.Instrument), cell(f.Detector), cell(f.Band), cell(f.Mode), cell(f.Target), f.Time,
		real(f.ExposureS), number(f.TempK), cell(f.Unit), number(f.Background), number(f.Median), number(f.Good), real(f.Saturated), number(f.NoiseRatio),
		number(f.OldestDays), f.State, cell(strings.Join(f.Warnings, "; ")), strings.Join(flags, " ")}
}

var masterHead = []string{"id", "kind", "name", "path", "sha256", "detector", "mode", "band", "first", "last", "inputs", "served", "oldest_days", "state"}

func masterRow(m *Master) []string {
	return []string{m.ID, cell(m.Kind), cell(m.Name), cell(m.Path), cell(m.SHA256), cell(m.Detector), cell(m.Mode), cell(m.Band), m.First, m.Last,
		strconv.Itoa(m.Inputs), strconv.Itoa(m.Served), number(m.OldestD), m.State}
}

var failureHead = []string{"raw", "name", "time", "reason", "remedy", "entry"}

func failureRow(f *Failure) []string {
	return []string{cell(f.Raw), cell(f.Name), f.Time, cell(f.Reason), cell(f.Remedy), cell(f.Entry)}
}

var trendHead = []string{"chart", "instrument", "detector", "mode", "band", "metric", "centre", "lower", "upper", "time", "n", "name", "value", "judged", "out"}

func trendRows(c *Chart, j *judged) [][]string {
	rows := make([][]string, len(j.points))
	for i, p := range j.points {
		rows[i] = []string{c.ID, cell(c.Instrument), cell(c.Detector), cell(c.Mode), cell(c.Band), cell(c.Metric), number(c.Centre), number(c.Lower), number(c.Upper),
			p.shown().Time, strconv.Itoa(p.n), cell(p.Name), real(p.Value), strconv.FormatBool(i >= j.after && j.problem == ""), strconv.FormatBool(j.out[i])}
	}
	return rows
}
