package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"time"

	"evenlight/pipeline/archive"
)

// writeJSONLine writes one object on one line.
func writeJSONLine(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	return e.Encode(v)
}

// reportText writes the report of a pass for people.
func reportText(r *archive.Report, p paint) string {
	var b strings.Builder
	c := r.Counts
	fmt.Fprintf(&b, "%s: %d found, %d done (%s), %s, %d skipped; %d there already, %d adopted, %d waiting\n",
		r.What, c.Found, c.Done, p.counted(c.Warned, p.look, "with warnings"), p.counted(c.Failed, p.bad, "failed"), c.Skipped, r.Known, r.Adopted, r.Waiting)
	if r.Quarantined+r.Returned+r.Gone > 0 {
		fmt.Fprintf(&b, "%d went to quarantine, %d came back from it, %d went away before they were read\n", r.Quarantined, r.Returned, r.Gone)
	}
	if r.Stopped != "" {
		fmt.Fprintf(&b, "%s: %s\n", p.bad("stopped"), visible(r.Stopped))
	}
	for _, m := range r.Missing {
		fmt.Fprintf(&b, "%s %s\n", p.bad("source"), visible(m))
	}
	failuresGist(&b, r.Failures, p)
	writeAlerts(&b, r.Alerts, p)
	framesGist(&b, r.Frames, p)
	return b.String()
}

func writeAlerts(b *strings.Builder, alerts []archive.AlertView, p paint) {
	for _, a := range alerts {
		fmt.Fprintf(b, "%s %s (%s) since %s: %s\n", p.bad("ALERT"), a.Rule, visible(a.Subject), a.First.UTC().Format(time.RFC3339), visible(a.Message))
	}
}

// visible shows what would move the cursor, or more, on a terminal.
func visible(s string) string {
	if !strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r == 0x7f || r == '\ufffd' }) {
		return s
	}
	q := fmt.Sprintf("%q", s)
	return q[1 : len(q)-1]
}

// rebuiltText says what a ledger was rebuilt from.
func rebuiltText(r *archive.Rebuilt) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d products, %d earlier versions, %d masters, %d runs and %d alerts are in the ledger\n", r.Products, r.Earlier, r.Masters, r.Runs, r.Alerts)
	for _, s := range r.Skipped {
		fmt.Fprintf(&b, "left out: %s\n", visible(s))
	}
	return b.String()
}

// planText writes a plan for people.
func planText(p *archive.Plan) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d scenes looked at: %d stale, %d as they should be, %d blocked by what they failed for, %d that cannot be made again now", p.Looked, p.Stale, p.Current, p.Blocked, p.Held)
	if p.Passed > 0 {
		fmt.Fprintf(&b, ", %d stale and not selected", p.Passed)
	}
	b.WriteString("\n")
	if p.Stale == 0 {
		return b.String()
	}
	b.WriteString("reasons:")
	for _, r := range archive.Reasons() {
		if n := p.Reasons[r]; n > 0 {
			fmt.Fprintf(&b, " %s %d", r, n)
		}
	}
	fmt.Fprintf(&b, "\n%-16s %-14s %-14s %-10s %10s %10s\n", "instrument", "detector", "mode", "band", "scenes", "stale")
	for _, g := range p.Groups {
		if g.Stale > 0 {
			fmt.Fprintf(&b, "%-16s %-14s %-14s %-10s %10d %10d\n", g.Instrument, g.Detector, g.Mode, g.Band, g.Looked, g.Stale)
		}
	}
	if p.Unknown < p.Stale {
		fmt.Fprintf(&b, "estimated from what like products took: %s, %.2f GiB", time.Duration(p.Seconds*float64(time.Second)).Round(time.Second/10), float64(p.Bytes)/(1<<30))
		if p.Free >= 0 {
			fmt.Fprintf(&b, " (%.1f GiB are free)", float64(p.Free)/(1<<30))
		}
		b.WriteString("\n")
	}
	if p.Unknown > 0 {
		fmt.Fprintf(&b, "no estimate for %d of them: nothing of their kind was made yet\n", p.Unknown)
	}
	return b.String()
}

// shownSetAside bounds the entries of quarantine that a status lists.
const shownSetAside = 20

// statusText writes a status for people, what needs attention first.
func statusText(s *archive.Status, p paint) string {
	var b strings.Builder
	writeAlerts(&b, s.Alerts, p)
	for i, q := range s.Quarantine {
		if i == shownSetAside {
			fmt.Fprintf(&b, "%d more in quarantine; --json lists them all\n", len(s.Quarantine)-i)
			break
		}
		fmt.Fprintf(&b, "%s %s\n    %s\n", p.bad("in quarantine"), visible(q.Entry), visible(q.Reason))
	}
	if len(s.Alerts)+len(s.Quarantine) > 0 {
		b.WriteString("\n")
	}
	fmt.Fprintf(&b, "ledger %s (tables of version %d)\n", s.Ledger, s.Tables)
	fmt.Fprintf(&b, "%d raw files, %d products, %d earlier versions, %d masters\n", s.Frames, s.Products, s.Earlier, s.Masters)
	for _, kind := range sortedKeys(s.Parts) {
		fmt.Fprintf(&b, "  %-12s %d\n", kind, s.Parts[kind])
	}
	for _, i := range sortedKeys(s.Arrivals) {
		fmt.Fprintf(&b, "last new frame of %s: %s\n", i, s.Arrivals[i])
	}
	if len(s.Runs) > 0 {
		fmt.Fprintf(&b, "\n%6s %-10s %-20s %-20s %8s %8s %8s %s\n", "run", "what", "started", "ended", "found", "done", "failed", "outcome")
	}
	for _, r := range s.Runs {
		ended, outcome := "-", r.Outcome
		if !r.Ended.IsZero() {
			ended = r.Ended.UTC().Format(time.RFC3339)
		} else {
			outcome = "goes on, or broke off"
		}
		if r.Failed > 0 {
			outcome = p.bad(outcome)
		}
		fmt.Fprintf(&b, "%6d %-10s %-20s %-20s %8d %8d %8d %s\n", r.ID, r.What, r.Started.UTC().Format(time.RFC3339), ended, r.Found, r.Done, r.Failed, outcome)
	}
	return b.String()
}
