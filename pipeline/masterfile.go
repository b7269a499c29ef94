package pipeline

import (
	"encoding/binary"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"time"

	"evenlight/calib"
	"evenlight/fitsutil"
)

// Kinds of master frame.
const (
	MasterBias      = "bias"
	MasterDark      = "dark"
	MasterFlat      = "flat"
	MasterLinearity = "linearity"
	MasterBadPixels = "bad-pixels"
)

// Master describes a master frame: what it is, and what it is valid for.
type Master struct {
	Kind       string    `json:"kind"`
	Instrument string    `json:"instrument"`
	Detector   string    `json:"detector"`
	Mode       string    `json:"mode,omitempty"`
	Band       string    `json:"band,omitempty"`
	Begin      time.Time `json:"begin"` // first and last exposure
	End        time.Time `json:"end"`
	TempMinK   float64   `json:"-"` // of the exposures; NaN: the camera reports none
	TempMaxK   float64   `json:"-"`
	Frames     int       `json:"frames"`
	Binning    int       `json:"binning,omitempty"` // of a line scanner
	Path       string    `json:"path"`

	// Normalisation is the relative standard uncertainty of a flat's mean
	// over the reference region.
	Normalisation float64 `json:"-"`

	// BiasKappa and BiasSHA256 describe a dark's dependence on the bias that
	// was taken off its frames (calib.BiasVarianceFactor).
	BiasKappa  float64 `json:"-"`
	BiasSHA256 string  `json:"-"`

	// EffectiveK is, of a dark, the temperature that stands for those of its
	// frames (calib.DarkLaw.EffectiveK); 0: not known.
	EffectiveK float64 `json:"-"`

	// MaskedDark is, of a line scanner's dark, the dark current of each
	// amplifier's masked pixels, e-/s at T0: the offset takes it off, so the
	// dark is relative to it, and its shot noise is in the pixels all the
	// same. Empty: none was found.
	MaskedDark []float64 `json:"-"`
}

// Name is the master's file name.
func (m *Master) Name() string { return filepath.Base(m.Path) }

// middle is the middle of the time of the exposures.
func (m *Master) middle() time.Time { return m.Begin.Add(m.End.Sub(m.Begin) / 2) }

// Place is what has to agree between a frame and a master.
func (m *Master) place() string {
	return strings.Join(nonEmpty("detector "+m.Detector, prefixed("mode ", m.Mode), prefixed("band ", m.Band)), ", ")
}

func prefixed(prefix, word string) string {
	if word == "" {
		return ""
	}
	return prefix + word
}

// timeForm is the ISO 8601 form of the FITS Standard 4.0, clause 9.1.1.
const timeForm = "2006-01-02T15:04:05.000"

func (m *Master) writeTo(h *fitsutil.Header) error {
	w := cardWriter{h: h}
	w.set("PRODUCT", "master "+m.Kind, "what this file is")
	w.set("MASTER", m.Kind, "kind of master frame")
	w.set("INSTRUME", m.Instrument, "instrument")
	w.set("DETECTOR", m.Detector, "detector")
	if m.Mode != "" {
		w.set("READMODE", m.Mode, "readout mode")
	}
	if m.Band != "" {
		w.set("BAND", m.Band, "spectral band")
	}
	w.set("DATE-BEG", m.Begin.UTC().Format(timeForm), "start of the first exposure, UTC")
	w.set("DATE-END", m.End.UTC().Format(timeForm), "start of the last exposure, UTC")
	if !math.IsNaN(m.TempMinK) {
		w.set("TEMPMIN", m.TempMinK, "[K] lowest detector temperature")
		w.set("TEMPMAX", m.TempMaxK, "[K] highest detector temperature")
	}
	if m.Binning > 0 {
		w.set("BINNING", m.Binning, "pixels that were added up on the chip, each way")
	}
	w.set("NFRAMES", m.Frames, "number of frames or masters that went in")
	if m.Kind == MasterDark {
		w.set("BIASKAPP", m.BiasKappa, "[s-1] mean 1/(h t) of the frames")
		w.set("BIASSHA", m.BiasSHA256, "SHA-256 of the bias taken off the frames")
		if m.EffectiveK > 0 {
			w.set("TEMPEFF", m.EffectiveK, "[K] temperature of mean ln h(T) of the frames")
		}
	}
	for a, d := range m.MaskedDark {
		w.set(fmt.Sprintf("MSKDRK%02d", a+1), d, "[electron s-1] dark current of masked pixels")
	}
	if m.Kind == MasterFlat {
		w.set("NORMUNC", m.Normalisation, "relative uncertainty of the mean being 1")
	}
	return w.err
}

// ErrNotMaster says that a FITS file is something else than a master frame.
var ErrNotMaster = fmt.Errorf("not a master frame")

func readMaster(path string) (*Master, error) {
	f, err := fitsutil.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	r := cardReader{h: f.HDUs()[0].Header, path: path}
	m := &Master{Path: path, Kind: r.optional("MASTER"), TempMinK: math.NaN(), TempMaxK: math.NaN()}
	if m.Kind == "" {
		return nil, ErrNotMaster
	}
	m.Instrument, m.Detector = r.text("INSTRUME"), r.text("DETECTOR")
	m.Mode, m.Band = r.optional("READMODE"), r.optional("BAND")
	m.Begin, m.End = r.time("DATE-BEG"), r.time("DATE-END")
	if _, ok := r.h.Value("TEMPMIN"); ok {
		m.TempMinK, m.TempMaxK = r.number("TEMPMIN"), r.number("TEMPMAX")
	}
	m.Frames, m.Binning = r.optionalInt("NFRAMES"), r.optionalInt("BINNING")
	if m.Kind == MasterDark {
		m.BiasKappa, m.BiasSHA256 = r.number("BIASKAPP"), r.text("BIASSHA")
		if _, ok := r.h.Value("TEMPEFF"); ok {
			m.EffectiveK = r.number("TEMPEFF")
		}
	}
	for a := 1; a < 100; a++ {
		key := fmt.Sprintf("MSKDRK%02d", a)
		if _, ok := r.h.Value(key); !ok {
			break
		}
		m.MaskedDark = append(m.MaskedDark, r.number(key))
	}
	if m.Kind == MasterFlat {
		m.Normalisation = r.number("NORMUNC")
	}
	return m, r.err
}

func (r *cardReader) time(key string) time.Time {
	t, err := time.Parse(timeForm, r.text(key))
	if err != nil {
		r.fail(key, fmt.Errorf("keyword %s: %w", key, err))
	}
	return t
}

// Extensions of bias and dark masters of a camera with masked rows: what these
// hold, one value a column.
const (
	extMasked    = "MASKED"
	extMaskedVar = "MASKED_VARIANCE"
)

// plane is one image of a file that is being written: rows of float32, int32
// or calib.Flags.
type plane struct {
	name, unit string
	comment    string
	float      []float32
	whole      []int32
	flags      []calib.Flags
	oneRow     bool // it has one row, whatever the others have
}

// table is one table of a file that is being written.
type table struct {
	name    string
	comment string
	zones   int // number of zones along a row, if its rows are zones; else 0
	columns []fitsutil.Column
}

// masterContent is all that goes into a master file.
type masterContent struct {
	info    Master
	record  Provenance
	width   int
	height  int
	planes  []plane
	tables  []table
	profile []byte
}

// write writes the master under its final name.
func (c *masterContent) write(path string) error {
	w, err := fitsutil.Create(path, fitsutil.CreateOptions{Overwrite: true})
	if err != nil {
		return err
	}
	defer w.Abort()
	h := fitsutil.NewHeader()
	if err := c.info.writeTo(h); err != nil {
		return err
	}
	if err := c.record.writeTo(h); err != nil {
		return err
	}
	if _, err := w.AddImage(h, 8); err != nil {
		return err
	}
	for _, p := range c.planes {
		height := c.height
		if p.oneRow {
			height = 1
		}
		if err := p.write(w, c.width, height); err != nil {
			return err
		}
	}
	for _, t := range c.tables {
		th, err := tableHeader(t.name, t.comment)
		if err != nil {
			return err
		}
		if t.zones > 0 {
			if err := th.Set("ZONECOLS", t.zones, "zones along a row of the detector"); err != nil {
				return err
			}
		}
		if err := w.AddTable(th, &fitsutil.Table{Columns: t.columns}); err != nil {
			return err
		}
	}
	if err := addProfile(w, c.profile); err != nil {
		return err
	}
	return w.Commit()
}

// tableHeader starts the header of a table.
func tableHeader(name, comment string) (*fitsutil.Header, error) {
	h := fitsutil.NewHeader()
	w := cardWriter{h: h}
	w.set("EXTNAME", name, "name of this extension")
	if comment != "" {
		w.comment(comment)
	}
	return h, w.err
}

// imageHeader starts the header of an image extension. BUNIT belongs to
// images only; a table has a unit for each column.
func imageHeader(name, unit, comment string) (*fitsutil.Header, error) {
	h, err := tableHeader(name, comment)
	if err != nil {
		return nil, err
	}
	return h, h.Set("BUNIT", unit, "unit of the values")
}

// writeBandBytes is the size of the pieces in which planes are written.
const writeBandBytes = 1 << 20

func (p *plane) write(w *fitsutil.Writer, width, height int) error {
	h, err := imageHeader(p.name, p.unit, p.comment)
	if err != nil {
		return err
	}
	const size = 4
	bitpix := 32
	switch {
	case p.float != nil:
		bitpix = -32
	case p.flags != nil:
		if err := describeFlags(h); err != nil {
			return err
		}
	}
	iw, err := w.AddImage(h, bitpix, width, height)
	if err != nil {
		return err
	}
	rows := max(1, writeBandBytes/(width*size))
	buf := make([]byte, rows*width*size)
	for y := 0; y < height; y += rows {
		n := min(rows, height-y)
		b := buf[:n*width*size]
		from, to := y*width, (y+n)*width
		switch {
		case p.float != nil:
			fitsutil.EncodeFloat32(b, p.float[from:to])
		case p.flags != nil:
			encodeFlags(b, p.flags[from:to])
		default:
			fitsutil.EncodeInt32(b, p.whole[from:to])
		}
		if err := iw.WriteRows(0, y, n, b); err != nil {
			return err
		}
	}
	return nil
}

// encodeFlags writes flags as 32-bit integers, high byte first.
func encodeFlags(dst []byte, src []calib.Flags) {
	dst = dst[:4*len(src)]
	for i, f := range src {
		binary.BigEndian.PutUint32(dst[4*i:], uint32(f))
	}
}

// describeFlags documents the bits in the header of a flag plane.
func describeFlags(h *fitsutil.Header) error {
	w := cardWriter{h: h}
	w.comment("Each pixel is the sum of the bits that hold; 0 is a good pixel.")
	for _, f := range calib.FlagTable() {
		w.set(fmt.Sprintf("FLAG%02d", f.Bit), f.Name, "")
		w.comment(fmt.Sprintf("bit %d (value %d): %s", f.Bit, 1<<f.Bit, f.Meaning))
	}
	return w.err
}

// addProfile keeps the profile's text in the file, so that what was done can
// be done again.
func addProfile(w *fitsutil.Writer, text []byte) error {
	h, err := tableHeader("PROFILE", "The profile as it was used, defaults and overrides included.")
	if err != nil {
		return err
	}
	lines := strings.Split(strings.TrimSuffix(string(text), "\n"), "\n")
	return w.AddTable(h, &fitsutil.Table{Columns: []fitsutil.Column{{Name: "LINE", Data: lines}}})
}

// readProfile returns the profile's text from a master or product.
func readProfile(f *fitsutil.File) ([]byte, error) {
	h, err := f.Find("PROFILE")
	if err != nil {
		return nil, err
	}
	t, err := f.ReadTable(h)
	if err != nil {
		return nil, err
	}
	lines, ok := t.Columns[0].Data.([]string)
	if !ok {
		return nil, fmt.Errorf("HDU PROFILE does not hold lines of text")
	}
	return []byte(strings.Join(lines, "\n") + "\n"), nil
}
