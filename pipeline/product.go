package pipeline

import (
	"fmt"
	"math"
	"path/filepath"
	"time"

	"evenlight/calib"
	"evenlight/fitsutil"
)

// productFile is a calibrated frame that was written before.
type productFile struct {
	path, sha  string
	record     *Provenance
	raw        string // name of the raw frame
	rawSHA     string
	target     string
	unit       string
	time       time.Time // start of the exposure
	exposureS  float64
	detector   int // index into the profile's detectors
	widthPx    int
	heightPx   int
	lineTimeS  float64 // of a line scanner; else 0
	sunAU      float64 // distance of the target to the Sun; NaN: not known
	raster     *calib.Raster
	geometry   *geometry // how it was rectified; nil: it was not
	lagX, lagY float64   // correlation of neighbours' errors, once resampled
}

// name is the product's file name.
func (p *productFile) name() string { return filepath.Base(p.path) }

// readProductHeader reads what a product is, without its pixels.
func (in *Instrument) readProductHeader(path string) (*productFile, error) {
	f, err := fitsutil.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return in.productHeader(path, f)
}

func (in *Instrument) productHeader(path string, f *fitsutil.File) (*productFile, error) {
	h := f.HDUs()[0].Header
	record, err := provenanceOf(path, h)
	if err != nil {
		return nil, err
	}
	if record.What != whatFrame {
		return nil, fmt.Errorf("%s is a %s: name calibrated frames", path, record.What)
	}
	if record.Instrument != in.Profile.Instrument {
		return nil, fmt.Errorf("%s is of instrument %s and the profile is of %s: name its own profile", path, record.Instrument, in.Profile.Instrument)
	}
	r := cardReader{h: h, path: path}
	p := &productFile{path: path, record: record, target: r.optional("OBJECT"), time: r.time("DATE-BEG"), exposureS: r.number("XPOSURE"), detector: -1}
	p.sunAU = math.NaN()
	if _, ok := h.Value("SUNDIST"); ok {
		p.sunAU = r.number("SUNDIST")
	}
	if _, ok := h.Value("LINETIME"); ok {
		p.lineTimeS = r.number("LINETIME")
	}
	if r.err != nil {
		return nil, r.err
	}
	for i := range in.Profile.Detectors {
		if in.Profile.Detectors[i].Name == record.Detector {
			p.detector = i
		}
	}
	if p.detector < 0 {
		return nil, fmt.Errorf("%s is of detector %s, which the profile does not have: name the profile that it was made with", path, record.Detector)
	}
	for _, i := range record.Inputs {
		if i.Role == roleRaw {
			p.raw, p.rawSHA = i.Name, i.SHA256
		}
	}
	v, err := f.Find(extValue)
	if err != nil {
		return nil, err
	}
	p.widthPx, p.heightPx = v.Width(), v.Height()
	if err := in.fits(p, &r, v.Planes()); err != nil {
		return nil, err
	}
	p.unit, _, err = v.Header.Text("BUNIT")
	return p, err
}

// fits checks that a product has the place and size on the detector that the
// profile gives to images: another profile's products would be read wrongly.
func (in *Instrument) fits(p *productFile, r *cardReader, planes int) error {
	d := &in.Profile.Detectors[p.detector]
	im := region(d.Image)
	width, height, binning := im.Width(), im.Height(), 1
	if d.LineScan != nil {
		binning, height = max(1, r.optionalInt("BINNING")), p.heightPx
		width /= binning
	}
	column, row := r.optionalInt("TRIMCOL1"), r.optionalInt("TRIMROW1")
	if r.err != nil {
		return r.err
	}
	if p.widthPx != width || p.heightPx != height || planes != 1 || column != im.X0/binning+1 || row != im.Y0+1 {
		return fmt.Errorf("%s is %d x %d pixels in %d planes from raw column %d and row %d, and the profile's image of detector %s is %d x %d from column %d and row %d: make the product again, or name the profile that it was made with",
			p.path, p.widthPx, p.heightPx, planes, column, row, d.Name, width, height, im.X0/binning+1, im.Y0+1)
	}
	return nil
}

// readProduct reads a product whole and verifies its checksums.
func (in *Instrument) readProduct(path string, workers int) (*productFile, error) {
	data, sha, err := fitsutil.ReadAll(path, nil, maxRawBytes)
	if err != nil {
		return nil, err
	}
	f, err := openOwn(path, data)
	if err != nil {
		return nil, err
	}
	p, err := in.productHeader(path, f)
	if err != nil {
		return nil, err
	}
	p.sha = sha
	p.raster, err = readRaster(f, workers)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return p, nil
}

// readRaster decodes the three planes of a product that lies in memory.
func readRaster(f *fitsutil.File, workers int) (*calib.Raster, error) {
	var planes [3]*fitsutil.HDU
	for i, name := range []string{extValue, extUncertainty, extFlags} {
		h, err := f.Find(name)
		if err != nil {
			return nil, err
		}
		if i > 0 && (h.Width() != planes[0].Width() || h.Height() != planes[0].Height()) {
			return nil, fmt.Errorf("HDU %s is %d x %d pixels and %s is %d x %d: the product is damaged, make it again",
				name, h.Width(), h.Height(), extValue, planes[0].Width(), planes[0].Height())
		}
		planes[i] = h
	}
	width, height := planes[0].Width(), planes[0].Height()
	r := calib.NewRaster(width, height)
	err := parallel(workers, (height+bandRows-1)/bandRows, func(_, band int) error {
		y0, n := band*bandRows, min(bandRows, height-band*bandRows)
		return decodeBlock(f, planes, 0, y0, n, r)
	})
	return r, err
}

// decodeBlock decodes some rows of values, uncertainties and flags.
func decodeBlock(f *fitsutil.File, planes [3]*fitsutil.HDU, plane, y0, n int, r *calib.Raster) error {
	from, to := y0*r.Width, (y0+n)*r.Width
	if err := decodeRows(f, planes[0], plane, y0, n, r.Value[from:to]); err != nil {
		return err
	}
	variance := r.Variance[from:to]
	if err := decodeRows(f, planes[1], plane, y0, n, variance); err != nil {
		return err
	}
	for i, u := range variance {
		variance[i] = u * u
	}
	b, err := rowsOf(f, planes[2], plane, y0, n)
	if err != nil {
		return err
	}
	bits := make([]int32, to-from)
	if err := planes[2].DecodeInt32(bits, b); err != nil {
		return err
	}
	for i, v := range bits {
		r.Flags[from+i] = calib.Flags(v)
	}
	return nil
}

// rowsOf returns raw rows of an HDU, from memory where they lie there.
func rowsOf(f *fitsutil.File, h *fitsutil.HDU, plane, y0, n int) ([]byte, error) {
	if b, ok := f.RowsView(h, plane, y0, n); ok {
		return b, nil
	}
	return f.ReadRows(h, plane, y0, n, nil)
}

func decodeRows(f *fitsutil.File, h *fitsutil.HDU, plane, y0, n int, dst []float32) error {
	b, err := rowsOf(f, h, plane, y0, n)
	if err != nil {
		return err
	}
	return h.DecodeFloat32(dst, b)
}

// medianSNR is the median of value over uncertainty of evenly spread good
// pixels; 0 where there is none.
func medianSNR(r *calib.Raster) float64 {
	var some []float32
	for i := 0; i < len(r.Value); i += max(1, len(r.Value)/typicalSamples) {
		if r.Good(i) && r.Variance[i] > 0 {
			some = append(some, r.Value[i]/float32(math.Sqrt(float64(r.Variance[i]))))
		}
	}
	if len(some) == 0 {
		return 0
	}
	return float64(calib.Median(some))
}
