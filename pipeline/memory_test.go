package pipeline_test

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"go.uber.org/zap"

	"evenlight/pipeline"
)

// liveBytes is the memory that is in use once all garbage is gone.
func liveBytes() int64 {
	runtime.GC()
	runtime.GC() // the first empties pools into the second's reach
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}

// TestCalibratingTakesNoMemoryPerFrame calibrates many copies of a frame and
// looks at the memory in use after the first few and after all. A frame leaves
// its report, some kilobytes; its samples alone would be half a megabyte and
// its product two and a half. At either moment another frame may be under way,
// with its raw file, a band of rows and the rings of two workers; that much may
// come on top, once. What one frame allocates while it passes is bounded too,
// far below one allocation a pixel.
func TestCalibratingTakesNoMemoryPerFrame(t *testing.T) {
	c := mustRun(t, quillon)
	frame, err := os.ReadFile(c.frames(t, "scene")[0])
	if err != nil {
		t.Fatal(err)
	}
	const warm, frames = 4, 64
	dir := t.TempDir()
	var files []string
	for i := range frames {
		p := filepath.Join(dir, fmt.Sprintf("copy%02d.fits", i))
		if err := os.WriteFile(p, frame, 0o666); err != nil {
			t.Fatal(err)
		}
		files = append(files, p)
	}
	var early, late int64
	var mallocs [2]uint64
	progress := func(done, total int, _ string) {
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		switch done {
		case warm:
			early, mallocs[0] = liveBytes(), m.Mallocs
		case total:
			late, mallocs[1] = liveBytes(), m.Mallocs
		}
	}
	s, err := pipeline.Calibrate(instrument(t, "quillon"), files, pipeline.RunOptions{
		MastersDir: c.masters, OutDir: t.TempDir(), Workers: 2, Log: zap.NewNop(), Progress: progress,
	})
	if err != nil || s.Counts.Done != frames {
		t.Fatal(err, s)
	}
	const report, underWay = 32 << 10, 3 << 20
	if grown := late - early; grown > (frames-warm)*report+underWay {
		t.Errorf("memory in use grew by %d bytes over %d frames", grown, frames-warm)
	}
	perFrame := (mallocs[1] - mallocs[0]) / (frames - warm)
	if perFrame > 512*512/10 {
		t.Errorf("%d allocations a frame of 512 x 512 pixels", perFrame)
	}
	t.Logf("grew by %d bytes over %d frames; %d allocations a frame", late-early, frames-warm, perFrame)
}
