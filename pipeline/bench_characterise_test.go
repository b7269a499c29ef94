package pipeline

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"evenlight/fitsutil"
)

// characteriseSide is the side of the image, pixels; the overscan adds 32
// columns.
const characteriseSide = 2048

// characteriseFrame is one frame of the benchmark's set.
type characteriseFrame struct {
	kind      string
	ms        float64
	tempC     float64
	level, sd float64 // of the image, DN above the offset
}

// characteriseFrames are 100 frames: 20 biases, 40 darks of two temperatures
// and two exposure times, 8 flats, 32 frames of a ladder.
func characteriseFrames() []characteriseFrame {
	var out []characteriseFrame
	add := func(n int, kind string, ms, tempC, level float64) {
		for range n {
			out = append(out, characteriseFrame{kind, ms, tempC, level, math.Hypot(3.6, math.Sqrt(level/2.1))})
		}
	}
	add(20, "ZERO", 0, -10, 0)
	for _, tempC := range []float64{-10, -4} {
		h := math.Exp2((tempC + 10) / 7.1)
		for _, s := range []float64{10, 40} {
			add(10, "SHUT", 1000*s, tempC, h*s)
		}
	}
	add(8, "LAMP", 600, -10, 7200)
	for _, s := range []float64{0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7} {
		add(4, "LAMPSEQ", 1000*s, -10, 12000*s)
	}
	return out
}

// writeCharacteriseFrames writes the set.
func writeCharacteriseFrames(b *testing.B, dir string) []string {
	b.Helper()
	rng := rand.New(rand.NewPCG(1, 8))
	noise := make([]float64, 1<<18)
	for i := range noise {
		noise[i] = rng.NormFloat64()
	}
	pattern := make([]float64, characteriseSide+32)
	for i := range pattern {
		pattern[i] = rng.NormFloat64()
	}
	row := make([]uint16, characteriseSide+32)
	buf := make([]byte, 2*len(row)*characteriseSide)
	var paths []string
	for i, f := range characteriseFrames() {
		for y := range characteriseSide {
			at := rng.IntN(len(noise))
			for x := range row {
				v, s := 318.0, 3.6
				if x >= 16 && x < characteriseSide+16 {
					v, s = 318+pattern[x]+f.level, f.sd
				}
				row[x] = uint16(math.Round(v + s*noise[(at+x)&(len(noise)-1)]))
			}
			fitsutil.EncodeUint16Offset(buf[2*len(row)*y:], row)
		}
		path := filepath.Join(dir, fmt.Sprintf("raw%03d.fits", i))
		w, err := fitsutil.Create(path, fitsutil.CreateOptions{})
		if err != nil {
			b.Fatal(err)
		}
		h := fitsutil.NewHeader()
		for _, c := range []struct {
			key   string
			value any
		}{{"BZERO", 32768}, {"OBSTYPE", f.kind}, {"EXPDUR", f.ms}, {"FPATEMP", f.tempC}, {"OBSTIME", time.Date(2031, 3, 14, 6, i, 0, 0, time.UTC).Format("2006-01-02T15:04:05")},
			{"FILTPOS", 2}, {"RDMODE", 0}, {"SOLDIST", 4.8e8}, {"TGTNAME", "none"}} {
			if err := h.Set(c.key, c.value, ""); err != nil {
				b.Fatal(err)
			}
		}
		iw, err := w.AddImage(h, 16, characteriseSide+32, characteriseSide)
		if err != nil {
			b.Fatal(err)
		}
		if err := iw.WriteRows(0, 0, characteriseSide, buf); err != nil {
			b.Fatal(err)
		}
		if err := w.Commit(); err != nil {
			b.Fatal(err)
		}
		paths = append(paths, path)
	}
	return paths
}

// readFrames reads frames the plain way, one after another: open, SHA-256,
// decode to float32.
func readFrames(b *testing.B, paths []string) float32 {
	b.Helper()
	var raw []byte
	var plane []float32
	last := float32(0)
	for _, p := range paths {
		data, _, err := fitsutil.ReadAll(p, raw, maxRawBytes)
		if err != nil {
			b.Fatal(err)
		}
		raw = data
		f, err := fitsutil.OpenBytes(p, data, 0)
		if err != nil {
			b.Fatal(err)
		}
		h := f.HDUs()[0]
		n := h.Width() * h.Height()
		if len(plane) != n {
			plane = make([]float32, n)
		}
		rows, ok := f.RowsView(h, 0, 0, h.Height())
		if !ok {
			b.Fatal("the samples are not in memory")
		}
		if err := h.DecodeFloat32(plane, rows); err != nil {
			b.Fatal(err)
		}
		last = plane[n-1]
	}
	return last
}

// BenchmarkCharacteriseAgainstReading measures a sensor from 100 frames of
// 2048 x 2048 pixels, paired with reading the same frames the plain way.
func BenchmarkCharacteriseAgainstReading(b *testing.B) {
	dir := b.TempDir()
	in := benchInstrumentOf(b, characteriseSide)
	paths := writeCharacteriseFrames(b, dir)
	var own, plain, ownCPU, plainCPU []time.Duration
	for b.Loop() {
		start := time.Now()
		before := processorTime(b)
		r, err := Characterise(in, paths, CharacteriseOptions{OutDir: filepath.Join(dir, "out"), Workers: runtime.NumCPU(), Log: zap.NewNop()})
		if err != nil || len(r.Made) != 1 || len(r.Failures) > 0 || r.Made[0].Cells[0].Gain == nil {
			b.Fatal(err, r)
		}
		own = append(own, time.Since(start))
		between := processorTime(b)
		start = time.Now()
		readFrames(b, paths)
		plain = append(plain, time.Since(start))
		ownCPU, plainCPU = append(ownCPU, between-before), append(plainCPU, processorTime(b)-between)
	}
	b.ReportMetric(medianRatio(own, plain), "times-reading")
	b.ReportMetric(medianRatio(ownCPU, plainCPU), "times-reading-cpu")
	b.ReportMetric(own[len(own)/2].Seconds(), "s/sensor")
	b.ReportMetric(plain[len(plain)/2].Seconds(), "s/reading")
	b.ReportMetric(peakMiB(b), "peak-MiB")
}

// processorTime is the processor time that the process has taken so far.
func processorTime(b *testing.B) time.Duration {
	b.Helper()
	text, err := os.ReadFile("/proc/self/stat")
	if err != nil {
		return 1
	}
	_, rest, _ := strings.Cut(string(text), ") ")
	fields := strings.Fields(rest)
	ticks := 0
	for _, f := range fields[11:13] { // utime and stime, 100 a second
		n, err := strconv.Atoi(f)
		if err != nil {
			b.Fatal(err)
		}
		ticks += n
	}
	return time.Duration(ticks) * 10 * time.Millisecond
}
