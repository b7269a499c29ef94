package pipeline

import (
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strconv"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"evenlight/calib"
	"evenlight/configs"
	"evenlight/fitsutil"
)

// benchSide is the side of the image in the benchmarks, pixels; the overscan
// adds 32 columns.
const benchSide = 4096

// benchInstrument is the demo camera with a large detector.
func benchInstrument(b *testing.B, more ...string) *Instrument {
	b.Helper()
	return benchInstrumentOf(b, benchSide, more...)
}

// benchInstrumentOf is the demo camera with a detector of the given side.
func benchInstrumentOf(b *testing.B, side int, more ...string) *Instrument {
	b.Helper()
	text, err := configs.Builtin("quillon")
	if err != nil {
		b.Fatal(err)
	}
	half, end := side/2+16, side+32
	set := []string{
		fmt.Sprintf("detectors.0.width=%d", end), fmt.Sprintf("detectors.0.height=%d", side),
		fmt.Sprintf("detectors.0.image={columns: [17, %d], rows: [1, %d]}", side+16, side),
		fmt.Sprintf("detectors.0.reference={columns: [%d, %d], rows: [%d, %d]}", side/4+1, 3*side/4, side/4+1, 3*side/4),
		fmt.Sprintf("detectors.0.amplifiers.0.region={columns: [1, %d], rows: [1, %d]}", half, side),
		fmt.Sprintf("detectors.0.amplifiers.0.overscan={columns: [1, 16], rows: [1, %d]}", side),
		fmt.Sprintf("detectors.0.amplifiers.1.region={columns: [%d, %d], rows: [1, %d]}", half+1, end, side),
		fmt.Sprintf("detectors.0.amplifiers.1.overscan={columns: [%d, %d], rows: [1, %d]}", end-15, end, side),
	}
	p, err := configs.Parse("quillon", text, configs.Overrides{Set: append(set, more...)})
	if err != nil {
		b.Fatal(err)
	}
	return NewInstrument(p)
}

// benchRaw writes a raw frame of noise about a level in DN above the offset.
func benchRaw(b *testing.B, path, kind string, seed uint64, level float64) {
	b.Helper()
	w, err := fitsutil.Create(path, fitsutil.CreateOptions{Overwrite: true})
	if err != nil {
		b.Fatal(err)
	}
	defer w.Abort()
	h := fitsutil.NewHeader()
	for _, c := range []struct {
		key   string
		value any
	}{{"BZERO", 32768}, {"OBSTYPE", kind}, {"EXPDUR", 2000.0}, {"FPATEMP", -10.0}, {"OBSTIME", "2031-03-14T06:00:00"}, {"FILTPOS", 2}, {"RDMODE", 0}, {"SOLDIST", 4.8e8}, {"TGTNAME", "Tessaly"}} {
		if kind == "ZERO" && c.key == "EXPDUR" {
			c.value = 0.0
		}
		if err := h.Set(c.key, c.value, ""); err != nil {
			b.Fatal(err)
		}
	}
	iw, err := w.AddImage(h, 16, benchSide+32, benchSide)
	if err != nil {
		b.Fatal(err)
	}
	// A long run of noise, read from a place that differs row by row.
	rng := rand.New(rand.NewPCG(seed, 7))
	noise := make([]float64, 1<<16)
	for i := range noise {
		noise[i] = rng.NormFloat64()
	}
	row := make([]uint16, benchSide+32)
	buf := make([]byte, 2*len(row))
	sigma := math.Hypot(3.6, math.Sqrt(level/2.1))
	for y := range benchSide {
		at := rng.IntN(len(noise))
		for x := range row {
			v, s := 318.0, 3.6
			if x >= 16 && x < benchSide+16 {
				v, s = 318+level, sigma
			}
			row[x] = uint16(math.Round(v + s*noise[(at+x)&(len(noise)-1)]))
		}
		fitsutil.EncodeUint16Offset(buf, row)
		if err := iw.WriteRows(0, y, 1, buf); err != nil {
			b.Fatal(err)
		}
	}
	if err := w.Commit(); err != nil {
		b.Fatal(err)
	}
}

// benchMasters writes the masters that a scene frame needs.
func benchMasters(b *testing.B, in *Instrument, dir string) {
	b.Helper()
	rng := rand.New(rand.NewPCG(5, 5))
	n := benchSide * benchSide
	fill := func(level, spread, variance float32) []plane {
		v, q := make([]float32, n), make([]float32, n)
		for i := range v {
			v[i], q[i] = level+spread*(rng.Float32()-0.5), variance
		}
		return []plane{{name: "VALUE", float: v}, {name: "VARIANCE", float: q}}
	}
	t := time.Date(2031, 3, 14, 5, 0, 0, 0, time.UTC)
	mask := make([]calib.Flags, n)
	for range n / 1000 {
		mask[rng.IntN(n)] = calib.Hot
	}
	one := []float64{1e-6, 1e-6}
	for _, m := range []struct {
		kind, band string
		planes     []plane
		tables     []table
	}{
		{MasterBias, "", fill(0, 3, 0.5), nil},
		{MasterDark, "", fill(2, 1, 0.01), nil},
		{MasterFlat, "green", fill(1, 0.001, 1e-6), nil}, // the raw frame is even too
		{MasterBadPixels, "", []plane{{name: "REASONS", flags: mask}}, nil},
		{MasterLinearity, "", nil, []table{{name: "CURVES", columns: []fitsutil.Column{
			{Name: "C2", Data: one}, {Name: "C3", Data: []float64{1e-11, 1e-11}}, {Name: "MAX_DN", Data: []float64{13000, 13000}}, {Name: "REL_UNCERT", Data: []float64{1e-4, 1e-4}},
		}}}},
	} {
		c := &masterContent{width: benchSide, height: benchSide, planes: m.planes, tables: m.tables, profile: in.Profile.Canonical()}
		c.info = Master{Kind: m.kind, Instrument: "quillon", Detector: "main", Mode: "normal", Band: m.band, Begin: t, End: t, TempMinK: 263, TempMaxK: 263.2, Frames: 20}
		c.record = Provenance{Software: Software, Version: Version, ProfileHash: in.Hash}
		if err := c.write(filepath.Join(dir, m.kind+".fits")); err != nil {
			b.Fatal(err)
		}
	}
}

// plainCopy reads a file and writes as many bytes as a product has, synced
// like one: what no program that makes such a product can do without.
func plainCopy(b *testing.B, src, dst string, size int64) {
	b.Helper()
	in, err := os.ReadFile(src)
	if err != nil {
		b.Fatal(err)
	}
	out, err := os.Create(dst)
	if err != nil {
		b.Fatal(err)
	}
	for size > 0 {
		n := min(size, int64(len(in)))
		if _, err := out.Write(in[:n]); err != nil {
			b.Fatal(err)
		}
		size -= n
	}
	if err := out.Sync(); err != nil {
		b.Fatal(err)
	}
	if err := out.Close(); err != nil {
		b.Fatal(err)
	}
}

func fileSize(b *testing.B, path string) int64 {
	b.Helper()
	st, err := os.Stat(path)
	if err != nil {
		b.Fatal(err)
	}
	return st.Size()
}

// medianRatio returns the median over pairs of a[i]/b[i].
func medianRatio(a, b []time.Duration) float64 {
	r := make([]float64, len(a))
	for i := range a {
		r[i] = a[i].Seconds() / b[i].Seconds()
	}
	return calib.Median(r)
}

// numpySeconds runs one of the scripts and returns the time that it took for
// the work itself, without starting Python.
func numpySeconds(b *testing.B, script string, args ...string) time.Duration {
	b.Helper()
	out, err := exec.Command("/usr/bin/python3", append([]string{filepath.Join("..", "scripts", script)}, args...)...).CombinedOutput()
	if err != nil {
		b.Logf("no comparison with numpy: %v: %s", err, out)
		return 0
	}
	fields := strings.Fields(string(out))
	s, err := strconv.ParseFloat(fields[len(fields)-1], 64)
	if err != nil {
		b.Fatalf("%s printed %q", script, out)
	}
	return time.Duration(s * float64(time.Second))
}

// BenchmarkFrameAgainstCopy takes one 4096 x 4096 frame of 16 bits from file
// to product: hash, all stages, checksums, sync; masters are in memory. Each
// run is paired with one that searches for cosmic-ray hits and with a plain copy,
// and one with the numpy script.
func BenchmarkFrameAgainstCopy(b *testing.B) {
	dir := b.TempDir()
	in := benchInstrument(b, "stages_off=[hits]")
	raw := filepath.Join(dir, "raw.fits")
	benchRaw(b, raw, "IMAGE", 1, 5000)
	benchMasters(b, in, dir)
	lib, err := OpenLibrary(dir)
	if err != nil {
		b.Fatal(err)
	}
	cache := newMasterCache(4 << 30)
	plainly := newCalibrator(in, lib, cache, runtime.NumCPU())
	searching := newCalibrator(benchInstrument(b), lib, cache, runtime.NumCPU())
	once := func(c *calibrator) string {
		o := c.calibrateFile(raw, dir, true, "")
		if len(o) != 1 || o[0].Err != nil {
			b.Fatal(o)
		}
		return o[0].Product
	}
	product := once(plainly) // brings the masters into memory
	size := fileSize(b, product)
	var own, plain, hits []time.Duration
	b.ReportAllocs()
	for b.Loop() {
		start := time.Now()
		once(plainly)
		own = append(own, time.Since(start))
		start = time.Now()
		once(searching)
		hits = append(hits, time.Since(start))
		start = time.Now()
		plainCopy(b, raw, filepath.Join(dir, "copy"), size)
		plain = append(plain, time.Since(start))
	}
	b.ReportMetric(medianRatio(own, plain), "times-copy")
	b.ReportMetric(medianRatio(hits, plain), "times-copy-with-hits")
	b.ReportMetric(float64(own[len(own)/2].Milliseconds()), "ms/frame")
	if n := numpySeconds(b, "calibrate_numpy.py", dir); n > 0 {
		b.ReportMetric(n.Seconds()/own[len(own)/2].Seconds(), "numpy-over-ours")
	}
}

// plainMean reads and decodes the same frames and averages them without any
// care, on one processor.
func plainMean(b *testing.B, paths []string) []float32 {
	b.Helper()
	n := (benchSide + 32) * benchSide
	sum := make([]float32, n)
	buf := make([]byte, 0)
	for _, p := range paths {
		f, err := os.Open(p)
		if err != nil {
			b.Fatal(err)
		}
		st, _ := f.Stat()
		if int64(cap(buf)) < st.Size() {
			buf = make([]byte, st.Size())
		}
		buf = buf[:st.Size()]
		if _, err := io.ReadFull(f, buf); err != nil {
			b.Fatal(err)
		}
		f.Close()
		data := buf[2880 : 2880+2*n]
		for i := range sum {
			sum[i] += float32(int(int16(binary.BigEndian.Uint16(data[2*i:]))) + 32768)
		}
	}
	for i := range sum {
		sum[i] /= float32(len(paths))
	}
	return sum
}

// peakMiB returns the process's peak resident memory.
func peakMiB(b *testing.B) float64 {
	b.Helper()
	text, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return 0
	}
	_, rest, _ := strings.Cut(string(text), "VmHWM:")
	kib, err := strconv.ParseFloat(strings.Fields(rest)[0], 64)
	if err != nil {
		b.Fatal(err)
	}
	return kib / 1024
}

// forgetPeak makes the peak of the process's memory begin anew: that of other
// benchmarks does not count.
func forgetPeak(b *testing.B) {
	b.Helper()
	debug.FreeOSMemory()
	if err := os.WriteFile("/proc/self/clear_refs", []byte("5"), 0); err != nil {
		b.Fatal(err)
	}
}

// BenchmarkMasterAgainstMean makes a bias master of 64 frames of 4096 x 4096
// within 1 GiB, paired with a plain mean of the same frames.
func BenchmarkMasterAgainstMean(b *testing.B) {
	const frames = 64
	dir := b.TempDir()
	in := benchInstrument(b, "masters.memory_mib=1024")
	var paths []string
	for i := range frames {
		p := filepath.Join(dir, fmt.Sprintf("raw%02d.fits", i))
		benchRaw(b, p, "ZERO", uint64(i), 0)
		paths = append(paths, p)
	}
	debug.SetMemoryLimit(1 << 30)
	defer debug.SetMemoryLimit(math.MaxInt64)
	var own, plain []time.Duration
	peak := 0.0
	for b.Loop() {
		runtime.GC()
		forgetPeak(b)
		start := time.Now()
		r, err := BuildMasters(in, paths, BuildOptions{OutDir: filepath.Join(dir, "out"), Workers: runtime.NumCPU(), Log: zap.NewNop()})
		if err != nil || len(r.Failures) > 0 {
			b.Fatal(err, r)
		}
		own = append(own, time.Since(start))
		peak = max(peak, peakMiB(b))
		start = time.Now()
		plainMean(b, paths)
		plain = append(plain, time.Since(start))
	}
	b.ReportMetric(medianRatio(own, plain), "times-mean")
	b.ReportMetric(own[len(own)/2].Seconds(), "s/master")
	b.ReportMetric(peak, "peak-MiB")
	if n := numpySeconds(b, "master_numpy.py", dir); n > 0 {
		b.ReportMetric(n.Seconds()/own[len(own)/2].Seconds(), "numpy-over-ours")
	}
}
