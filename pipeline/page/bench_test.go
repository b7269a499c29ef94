package page

import (
	"fmt"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"go.uber.org/zap"

	"evenlight/calib"
	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/demo"
)

// large makes the chip of the demo camera one of 2048 x 2048 pixels.
func large() []string {
	const side = 2048
	half, end := side/2+16, side+32
	return []string{"masters.min_frames=3",
		fmt.Sprintf("detectors.0.width=%d", end), fmt.Sprintf("detectors.0.height=%d", side),
		fmt.Sprintf("detectors.0.image={columns: [17, %d], rows: [1, %d]}", side+16, side),
		"detectors.0.reference={columns: [513, 1536], rows: [513, 1536]}",
		fmt.Sprintf("detectors.0.amplifiers.0.region={columns: [1, %d], rows: [1, %d]}", half, side),
		fmt.Sprintf("detectors.0.amplifiers.0.overscan={columns: [1, 16], rows: [1, %d]}", side),
		fmt.Sprintf("detectors.0.amplifiers.1.region={columns: [%d, %d], rows: [1, %d]}", half+1, end, side),
		fmt.Sprintf("detectors.0.amplifiers.1.overscan={columns: [%d, %d], rows: [1, %d]}", end-15, end, side)}
}

// BenchmarkPageAgainstRun makes the page of a run of 2048 x 2048 frames, files
// synced, paired with the run itself.
func BenchmarkPageAgainstRun(b *testing.B) {
	dir := b.TempDir()
	r, err := demo.Run(demo.Options{Dir: dir, Camera: "quillon", Seed: 7, Scale: 0.01, Workers: runtime.NumCPU(), Set: large(), Log: zap.NewNop()})
	if err != nil {
		b.Fatal(err)
	}
	in := pipeline.NewInstrument(mustProfile(b, filepath.Join(dir, demo.ProfileFile)))
	var files []string
	for _, f := range r.Run.Frames {
		files = append(files, f.Raw)
	}
	run := Run{Products: filepath.Join(dir, demo.ProductsDir), Masters: filepath.Join(dir, demo.MastersDir)}
	var ratios []float64
	var runs, pages time.Duration
	for b.Loop() {
		start := time.Now()
		if run.Summary, err = pipeline.Calibrate(in, files, pipeline.RunOptions{MastersDir: run.Masters, OutDir: run.Products, Overwrite: true, Workers: runtime.NumCPU(), Log: zap.NewNop()}); err != nil || run.Summary.Counts.Done != len(files) {
			b.Fatal(err, run.Summary)
		}
		took := time.Since(start)
		start = time.Now()
		p := mustMake(b, run, Options{Out: filepath.Join(dir, "page"), Workers: runtime.NumCPU()})
		made := time.Since(start)
		if p.Details[0].Problem != "" || len(p.Details[0].Plots) != 3 {
			b.Fatal(p.Details[0].Problem)
		}
		ratios = append(ratios, made.Seconds()/took.Seconds())
		runs, pages = runs+took, pages+made
	}
	n := float64(len(files) * len(ratios))
	b.ReportMetric(calib.Median(ratios), "page-over-run")
	b.ReportMetric(1000*runs.Seconds()/n, "ms-run/frame")
	b.ReportMetric(1000*pages.Seconds()/n, "ms-page/frame")
}

func mustProfile(b *testing.B, path string) *configs.Profile {
	b.Helper()
	p, err := configs.Load(path, configs.Overrides{})
	if err != nil {
		b.Fatal(err)
	}
	return p
}
