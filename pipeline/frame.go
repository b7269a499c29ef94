package pipeline

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"path/filepath"
	"strings"

	"evenlight/calib"
	"evenlight/configs"
	"evenlight/fitsutil"
)

// maxRawBytes bounds what one raw file may take in memory, inflated.
const maxRawBytes = 8 << 30

// Frame is one exposure of one detector: one HDU of a file, or one plane of
// a cube.
type Frame struct {
	Path     string
	SHA256   string // of the file as it lies on the disk; empty if only surveyed
	Detector int    // index into the profile's detectors
	Plane    int    // of a cube, from 0
	Planes   int
	Info     configs.FrameInfo

	sensor *calib.Sensor
	file   *fitsutil.File
	hdu    *fitsutil.HDU
	header *fitsutil.Header
}

// Name is the frame's file name.
func (f *Frame) Name() string { return filepath.Base(f.Path) }

// Stem is the name that products of the frame are built on: the file's name
// without its FITS ending, with detector and plane where there are several.
func (f *Frame) Stem(p *configs.Profile) string { return fileStem(f.Path) + f.suffix(p) }

// ProductName is the name of the frame's product in an archive, where the raw
// file has the given name: that name, without its ending if it is .fits, and so
// unlike that of any other raw file's product; a hash shortens a name that is too long.
func (f *Frame) ProductName(p *configs.Profile, raw string) string {
	name := strings.TrimSuffix(raw, ".fits") + f.suffix(p)
	if len(name) > longestStem {
		sum := sha256.Sum256([]byte(name))
		name = name[:longestStem-17] + "~" + hex.EncodeToString(sum[:8])
	}
	return name + productEnding
}

// longestStem leaves room, of the 255 bytes that file systems allow, for the
// endings of products, of their earlier versions and of unfinished files.
const longestStem = 200

// suffix tells detectors and planes of one file apart.
func (f *Frame) suffix(p *configs.Profile) string {
	s := ""
	if len(p.Detectors) > 1 {
		s += "-" + p.Detectors[f.Detector].Name
	}
	if f.Planes > 1 {
		s += fmt.Sprintf("-plane%03d", f.Plane+1)
	}
	return s
}

// fileStem is a file's name without its FITS ending.
func fileStem(path string) string {
	s := filepath.Base(path)
	for _, end := range []string{".gz", ".fits", ".fit", ".fts"} {
		if len(s) > len(end) && strings.EqualFold(s[len(s)-len(end):], end) {
			s = s[:len(s)-len(end)]
		}
	}
	return s
}

// FrameError is a frame that could not be treated, and why.
type FrameError struct {
	Path     string
	Detector string // empty: the whole file
	Err      error
}

func (e *FrameError) Error() string {
	where := e.Path
	if e.Detector != "" {
		where += " (detector " + e.Detector + ")"
	}
	// Errors of the layers below may begin with the file's name already.
	return where + ": " + strings.TrimPrefix(e.Err.Error(), e.Path+": ")
}

func (e *FrameError) Unwrap() error { return e.Err }

// frameError says which frame an error is about.
func (in *Instrument) frameError(f *Frame, err error) error {
	e := &FrameError{Path: f.Path, Err: err}
	if len(in.Profile.Detectors) > 1 {
		e.Detector = in.Profile.Detectors[f.Detector].Name
	}
	return e
}

// framesIn finds the frames of an open file and reads their headers. A
// detector that cannot be read is an error of its own; the others go on.
func (in *Instrument) framesIn(path, sha string, file *fitsutil.File) ([]*Frame, []error) {
	var frames []*Frame
	var errs []error
	for i := range in.Profile.Detectors {
		d := &in.Profile.Detectors[i]
		got, err := in.detectorFrames(path, sha, file, i)
		if err != nil {
			e := &FrameError{Path: path, Err: err}
			if len(in.Profile.Detectors) > 1 {
				e.Detector = d.Name
			}
			errs = append(errs, e)
			continue
		}
		frames = append(frames, got...)
	}
	return frames, errs
}

func (in *Instrument) detectorFrames(path, sha string, file *fitsutil.File, i int) ([]*Frame, error) {
	d := &in.Profile.Detectors[i]
	h, err := file.Find(d.HDU)
	if err != nil {
		return nil, err
	}
	header := inherit(file, h)
	if err := notOwn(file); err != nil {
		return nil, err
	}
	info, err := in.describe(header, i)
	if err != nil {
		return nil, err
	}
	sensor, err := in.shape(i, h, info)
	if err != nil {
		return nil, err
	}
	frame := Frame{Path: path, SHA256: sha, Detector: i, Info: info, sensor: sensor, file: file, hdu: h, header: header}
	if d.Plane > 0 {
		if h.Planes() < d.Plane {
			return nil, fmt.Errorf("HDU %d has %d planes and detector %s is plane %d: correct plane, or hdu, in the profile, or leave this file out",
				h.Index, h.Planes(), d.Name, d.Plane)
		}
		frame.Plane, frame.Planes = d.Plane-1, 1
		return []*Frame{&frame}, nil
	}
	var frames []*Frame
	for p := range h.Planes() {
		one := frame
		one.Plane, one.Planes = p, h.Planes()
		frames = append(frames, &one)
	}
	return frames, nil
}

// describe reads a header as that of one detector.
func (in *Instrument) describe(h *fitsutil.Header, detector int) (configs.FrameInfo, error) {
	info, err := in.Profile.Describe(h)
	if band := in.Profile.BandOfDetector(detector); err == nil && band != "" && info.Kind != configs.KindBias && info.Kind != configs.KindDark {
		info.Band = band
	}
	return info, err
}

// notOwn refuses files that this software made.
func notOwn(file *fitsutil.File) error {
	h := file.HDUs()[0].Header
	software, _, _ := h.Text("SOFTWARE")
	what, _, _ := h.Text("PRODUCT")
	if software == Software && what != "" {
		return fmt.Errorf("it is a %s that %s made, not a raw frame: leave it out, and keep products and raw frames in folders of their own", what, Software)
	}
	return nil
}

// shape returns the sensor for the samples in an HDU, which must have the
// profile's size: a line scanner's any number of lines.
func (in *Instrument) shape(i int, h *fitsutil.HDU, info configs.FrameInfo) (*calib.Sensor, error) {
	d := &in.Profile.Detectors[i]
	width, height := d.Width, d.Height
	if d.LineScan != nil {
		width, height = d.Width/max(1, info.Binning), h.Height()
	}
	if info.Kind == configs.KindIgnore {
		width, height = h.Width(), h.Height() // its samples are never looked at
	}
	if h.Kind != fitsutil.ImageHDU || h.Width() != width || h.Height() != height || height < 1 {
		return nil, fmt.Errorf("HDU %d is %d x %d samples and the profile's detector %s is %d x %d: correct width and height, or hdu, in the profile, or leave this file out",
			h.Index, h.Width(), h.Height(), d.Name, width, height)
	}
	if info.Kind == configs.KindIgnore {
		return in.sensors[i], nil
	}
	return in.sensorFor(i, height, max(1, info.Binning))
}

// inherit returns the cards of an HDU, followed by those of the primary
// header that it lacks (the INHERIT convention, FITS Standard 4.0, appendix K).
func inherit(file *fitsutil.File, h *fitsutil.HDU) *fitsutil.Header {
	primary := file.HDUs()[0]
	if h == primary {
		return h.Header
	}
	merged := h.Header.Clone()
	for _, c := range primary.Header.Cards() {
		if _, ok := merged.Value(c.Key); ok || c.Key == "" || c.Key == "COMMENT" || c.Key == "HISTORY" {
			continue
		}
		// A card that the header cannot take is left to the primary header,
		// which the file keeps.
		_ = merged.Set(c.Key, c.Value, c.Comment)
	}
	return merged
}

// rawRows serves rows of a frame that lies in memory.
type rawRows struct {
	f   *Frame
	buf []byte
}

// above decodes columns x0 <= x < x1 of a row with an offset taken off, where
// the samples are in memory and whole numbers of so many bits.
func (r *rawRows) above(y, x0, x1 int, dst []float32, offset float32, bits int) bool {
	b, ok := r.f.file.RowsView(r.f.hdu, r.f.Plane, y, 1)
	return ok && r.f.hdu.Bitpix == 16 && r.f.hdu.DecodeAbove(dst, b[2*x0:2*x1], offset, bits)
}

// RawRow implements calib.RawRows.
func (r *rawRows) RawRow(y, x0, x1 int, dst []float32) ([]float32, error) {
	b, ok := r.f.file.RowsView(r.f.hdu, r.f.Plane, y, 1)
	if !ok {
		var err error
		if r.buf, err = r.f.file.ReadRows(r.f.hdu, r.f.Plane, y, 1, r.buf); err != nil {
			return nil, err
		}
		b = r.buf
	}
	return decode(r.f.hdu, b, x0, x1, dst)
}

func decode(h *fitsutil.HDU, row []byte, x0, x1 int, dst []float32) ([]float32, error) {
	size := int(math.Abs(float64(h.Bitpix))) / 8
	dst = dst[:x1-x0]
	return dst, h.DecodeFloat32(dst, row[x0*size:x1*size])
}

// measureOffsets finds the offset of each amplifier in a frame.
func measureOffsets(s *calib.Sensor, rows calib.RawRows, on bool) ([]calib.OffsetTrace, error) {
	if s.Codes != nil {
		rows = calib.Decompanded{Rows: rows, Sensor: s}
	}
	traces := make([]calib.OffsetTrace, len(s.Amps))
	for a := range s.Amps {
		if !s.Offset.FromOverscan || !on {
			traces[a] = calib.NoOffset(s.Image.Height())
			continue
		}
		var err error
		if traces[a], err = calib.MeasureOffset(s, a, rows); err != nil {
			return nil, err
		}
	}
	return traces, nil
}
