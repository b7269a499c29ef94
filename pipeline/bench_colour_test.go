package pipeline

import (
	"math/rand/v2"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"go.uber.org/zap"

	"evenlight/calib"
	"evenlight/calib/align"
	"evenlight/configs"
	"evenlight/fitsutil"
)

// colourSide is the side of the mosaic in the benchmark, pixels.
const colourSide = 2048

// benchMosaic writes a calibrated frame of a colour mosaic: a soft pattern,
// noise, and one bad pixel in a thousand.
func benchMosaic(b *testing.B, in *Instrument, path string) {
	b.Helper()
	rng := rand.New(rand.NewPCG(11, 3))
	r := calib.NewRaster(colourSide, colourSide)
	for i := range r.Value {
		x, y := i%colourSide, i/colourSide
		r.Value[i] = 0.01 * (1 + 0.3*float32((x/37+y/53)%5) + 0.02*float32(rng.NormFloat64()))
		r.Variance[i] = 4e-8
		if rng.IntN(1000) == 0 {
			r.Flags[i] = calib.Hot
		}
	}
	w, err := fitsutil.Create(path, fitsutil.CreateOptions{})
	if err != nil {
		b.Fatal(err)
	}
	defer w.Abort()
	h := fitsutil.NewHeader()
	record := &Provenance{Software: Software, Version: Version, What: whatFrame, Instrument: in.Profile.Instrument,
		Detector: in.Profile.Detectors[0].Name, ProfileHash: in.Hash, Inputs: []Input{{roleRaw, "raw.fits", "0"}}}
	cw := cardWriter{h: h}
	cw.set("PRODUCT", whatFrame, "")
	cw.set("INSTRUME", record.Instrument, "")
	cw.set("DETECTOR", record.Detector, "")
	cw.set("DATE-BEG", "2031-03-14T06:00:00.000", "")
	cw.set("XPOSURE", 0.1, "")
	cw.set("TRIMCOL1", in.Profile.Detectors[0].Image.Columns[0], "")
	cw.set("TRIMROW1", in.Profile.Detectors[0].Image.Rows[0], "")
	if cw.err == nil {
		cw.err = record.writeTo(h)
	}
	if cw.err == nil {
		_, cw.err = w.AddImage(h, 8)
	}
	if cw.err != nil {
		b.Fatal(cw.err)
	}
	set := &bandSet{unit: "W m-2 sr-1 nm-1", rasters: []*calib.Raster{r}}
	if err := writePlanes(w, set, 1); err != nil {
		b.Fatal(err)
	}
	if err := addProfile(w, in.Profile.Canonical()); err != nil {
		b.Fatal(err)
	}
	if err := w.Commit(); err != nil {
		b.Fatal(err)
	}
}

// BenchmarkMosaicAgainstCopy takes a calibrated 2048 x 2048 frame of a colour
// mosaic from file to a cube of three bands with value, uncertainty and flags:
// hash, interpolation, checksums, sync. Each run is paired with a plain copy
// that writes as many bytes.
func BenchmarkMosaicAgainstCopy(b *testing.B) {
	dir := b.TempDir()
	text, err := configs.Builtin("brindle")
	if err != nil {
		b.Fatal(err)
	}
	p, err := configs.Parse("brindle", text, configs.Overrides{Set: []string{
		"detectors.0.width=2064", "detectors.0.height=2048", "detectors.0.image.columns=[17, 2064]", "detectors.0.image.rows=[1, 2048]",
		"detectors.0.amplifiers.0.region={columns: [1, 2064], rows: [1, 1024]}", "detectors.0.amplifiers.0.overscan={columns: [1, 16], rows: [1, 1024]}",
		"detectors.0.amplifiers.1.region={columns: [1, 2064], rows: [1025, 2048]}", "detectors.0.amplifiers.1.overscan={columns: [1, 16], rows: [1025, 2048]}",
	}})
	if err != nil {
		b.Fatal(err)
	}
	in := NewInstrument(p)
	product := filepath.Join(dir, "mosaic-calibrated.fits")
	benchMosaic(b, in, product)
	opt := CubeOptions{OutDir: dir, Overwrite: true, Workers: runtime.NumCPU(), Kernel: align.Cubic, Log: zap.NewNop()}
	once := func() string {
		s, err := BuildCubes(in, []string{product}, opt)
		if err != nil || len(s.Cubes) != 1 {
			b.Fatal(err, s)
		}
		return s.Cubes[0].Cube
	}
	size := fileSize(b, once())
	var own, plain []time.Duration
	for b.Loop() {
		start := time.Now()
		once()
		own = append(own, time.Since(start))
		start = time.Now()
		plainCopy(b, product, filepath.Join(dir, "copy"), size)
		plain = append(plain, time.Since(start))
	}
	b.ReportMetric(medianRatio(own, plain), "times-copy")
	b.ReportMetric(float64(own[len(own)/2].Milliseconds()), "ms/cube")
}
