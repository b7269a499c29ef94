package archive_test

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"iter"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/archive"
	"evenlight/pipeline/ledger"
)

// benchFrames is how many frames the archive of the benchmark has; the issue of
// speed is one of a million (EVENLIGHT_BENCH_FRAMES=1000000).
func benchFrames(b *testing.B) int {
	b.Helper()
	text := os.Getenv("EVENLIGHT_BENCH_FRAMES")
	if text == "" {
		return 100_000
	}
	n, err := strconv.Atoi(text)
	must(b, err)
	return n
}

// BenchmarkPlan plans over many frames of the main camera with a real set of
// masters, once when all products are as they should be, and once when none is,
// because each flat is another. It prints the time for each frame, that of the
// processor too, which other work on the computer does not change much, and the
// most memory that the process had, the database's included.
func BenchmarkPlan(b *testing.B) {
	n := benchFrames(b)
	h := newHouse(b, "quillon", nil)
	begin := time.Now()
	records, err := h.Ledger().Rebuild(context.Background(), madeUp(b, h, n))
	must(b, err)
	b.Logf("%d records of %d frames in %v", records, n, time.Since(begin).Round(time.Millisecond))
	b.Run(fmt.Sprintf("current/frames=%d", n), func(b *testing.B) {
		benchmarkPlan(b, h, n, func(p *archive.Plan) bool { return p.Current == n && p.Stale == 0 })
	})
	h.newFlat("violet", "green", "red", "nir")
	b.Run(fmt.Sprintf("stale/frames=%d", n), func(b *testing.B) {
		benchmarkPlan(b, h, n, func(p *archive.Plan) bool {
			return p.Stale == n && p.Reasons[archive.ReasonMaster] == n && p.Bytes > 0 && p.Unknown == 0
		})
	})
}

func benchmarkPlan(b *testing.B, h *house, n int, right func(*archive.Plan) bool) {
	forgetPeak()
	before, _ := processorTime()
	for b.Loop() {
		if p := h.plan(archive.Selection{}); !right(p) {
			b.Fatalf("of %d frames %d are current and %d stale %v", n, p.Current, p.Stale, p.Reasons)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(n), "ns/frame")
	if after, ok := processorTime(); ok {
		b.ReportMetric(float64((after-before).Nanoseconds())/float64(b.N)/float64(n), "processor-ns/frame")
	}
	if peak, ok := peakMiB(); ok {
		b.ReportMetric(peak, "MiB-peak")
	}
}

// madeUp is an archive of n frames, one every two seconds from the campaign's
// first scene on, the bands by turns, each with the product that is foretold.
func madeUp(b *testing.B, h *house, n int) iter.Seq2[ledger.Record, error] {
	b.Helper()
	lib, err := pipeline.OpenLibrary(h.cfg.Masters)
	must(b, err)
	chooser := pipeline.NewChooser(h.c.in, lib)
	profile, err := ledger.ParseHash(h.c.in.Hash)
	must(b, err)
	recipe := ledger.Recipe{Profile: profile, Version: pipeline.Version, Text: string(h.c.in.Profile.Canonical())}
	first := firstScene(b, h)
	return func(yield func(ledger.Record, error) bool) {
		for i := range n {
			o, err := madeUpOutcome(i, first, chooser, recipe.Hash(), h)
			if !yield(ledger.Record{Recipe: &recipe, Outcome: o}, err) || err != nil {
				return
			}
		}
	}
}

// firstScene is what masters are chosen by for the campaign's first scene.
func firstScene(b *testing.B, h *house) pipeline.Need {
	b.Helper()
	probe := newHouse(b, "quillon", nil)
	raw := probe.arrive(h.c.scenes[0])[0]
	probe.pass()
	record, err := pipeline.NewProductReader().Read(probe.product(raw))
	must(b, err)
	return record.Frame
}

var benchBands = []string{"violet", "green", "red", "nir"}

func madeUpOutcome(i int, need pipeline.Need, chooser *pipeline.Chooser, recipe ledger.Hash, h *house) (*ledger.Outcome, error) {
	need.Band = benchBands[i%len(benchBands)]
	need.Time = need.Time.Add(time.Duration(i) * 2 * time.Second) // a million: 23 days, which the masters' limits allow
	raw := numbered("raw", i)
	inputs, err := chooser.Inputs(need, nil)
	if err != nil {
		return nil, err
	}
	id := ledger.Identity{What: pipeline.ProductFrame, Detector: need.Detector, Recipe: recipe, Algorithm: pipeline.Version,
		Inputs: []ledger.Input{{Role: ledger.RoleRaw, SHA256: raw}}}
	for _, in := range inputs {
		sha, err := ledger.ParseHash(in.SHA256)
		if err != nil {
			return nil, err
		}
		id.Inputs = append(id.Inputs, ledger.Input{Role: in.Role, SHA256: sha})
	}
	name := fmt.Sprintf("2031-%03d/%07d", i/43200, i)
	return &ledger.Outcome{
		Frame: &ledger.Frame{SHA256: raw, Path: filepath.Join(h.src, name+".fits"), Bytes: 500_000, Parts: []ledger.Part{{Instrument: need.Instrument,
			Detector: need.Detector, Kind: configs.KindScene, Mode: need.Mode, Band: need.Band, Begin: need.Time, TempK: need.TempK}}},
		Product: &ledger.Product{Identity: id, Path: filepath.Join(h.cfg.Products, "quillon", name+"-calibrated.fits"), SHA256: numbered("product", i),
			Bytes: 3_200_000, Took: 50 * time.Millisecond},
		Metrics: []ledger.Metric{{Name: "noise_ratio", Value: 1}, {Name: "good_fraction", Value: 0.99}},
	}, nil
}

// numbered is a hash of its own for each number.
func numbered(what string, i int) ledger.Hash {
	return sha256.Sum256(binary.LittleEndian.AppendUint64([]byte(what), uint64(i)))
}

// forgetPeak and peakMiB look at the most memory that the process had (proc(5)).
func forgetPeak() { _ = os.WriteFile("/proc/self/clear_refs", []byte("5"), 0) }

func peakMiB() (float64, bool) {
	f, err := os.Open("/proc/self/status")
	if err != nil {
		return 0, false
	}
	defer f.Close()
	for lines := bufio.NewScanner(f); lines.Scan(); {
		if rest, ok := strings.CutPrefix(lines.Text(), "VmHWM:"); ok {
			var kib float64
			_, err := fmt.Sscan(rest, &kib)
			return kib / 1024, err == nil
		}
	}
	return 0, false
}

// processorTime is what the process took of the processors (proc(5): utime and
// stime, in hundredths of a second on Linux).
func processorTime() (time.Duration, bool) {
	text, err := os.ReadFile("/proc/self/stat")
	if err != nil {
		return 0, false
	}
	// The name of the program, in parentheses, may hold blanks.
	fields := strings.Fields(string(text[strings.LastIndexByte(string(text), ')')+1:]))
	if len(fields) < 13 {
		return 0, false
	}
	var user, system int64
	if _, err := fmt.Sscan(fields[11]+" "+fields[12], &user, &system); err != nil {
		return 0, false
	}
	return time.Duration(user+system) * 10 * time.Millisecond, true
}
