package pipeline

import (
	"errors"
	"fmt"

	"evenlight/fitsutil"
)

// ProductRecord is what a calibrated frame tells of itself.
type ProductRecord struct {
	*Provenance
	SHA256  string // of the file
	Bytes   int64
	Profile []byte // canonical text
	RawName string
	RawSHA  string
	Frame   Need   // what its masters were chosen by
	Kind    string // kind of the raw frame
	Figures []Figure
}

// ProductReader reads calibrated frames back. It keeps the profiles that it
// meets, since many products share one. It belongs to one goroutine.
type ProductReader struct {
	instruments map[string]*Instrument // by hash of the profile
	buf         []byte
}

// NewProductReader makes a reader.
func NewProductReader() *ProductReader { return &ProductReader{instruments: map[string]*Instrument{}} }

// ErrNotProduct is wrapped by the error for a file that is no calibrated frame.
var ErrNotProduct = errors.New("not a calibrated frame")

// Read reads a product whole, verifies the checksum of each of its HDUs, and
// returns what it tells of itself.
func (r *ProductReader) Read(path string) (*ProductRecord, error) {
	data, sha, err := fitsutil.ReadAll(path, r.buf, maxRawBytes)
	if err != nil {
		return nil, err
	}
	r.buf = data
	f, err := openOwn(path, data)
	if err != nil {
		return nil, err
	}
	record, err := provenanceOf(path, f.HDUs()[0].Header)
	if err != nil {
		return nil, err
	}
	if record.What != whatFrame {
		return nil, fmt.Errorf("%s is a %s: %w", path, record.What, ErrNotProduct)
	}
	p := &ProductRecord{Provenance: record, SHA256: sha, Bytes: int64(len(data))}
	for _, i := range record.Inputs {
		if i.Role == roleRaw {
			p.RawName, p.RawSHA = i.Name, i.SHA256
		}
	}
	if p.Profile, err = readProfile(f); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	if p.Figures, err = readFigures(f); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return p, r.describe(p, f)
}

// describe finds out, from the camera's own header, what the masters of a
// product were chosen by.
func (r *ProductReader) describe(p *ProductRecord, f *fitsutil.File) error {
	in, err := r.instrument(p.Provenance, func() ([]byte, error) { return p.Profile, nil })
	if err != nil {
		return err
	}
	h, err := f.Find(extRaw)
	if err != nil {
		return fmt.Errorf("%s: %w", p.File, err)
	}
	d := in.detector(p.Detector)
	if d < 0 {
		return fmt.Errorf("%s is of detector %s, which its profile does not have", p.File, p.Detector)
	}
	info, err := in.describe(h.Header, d)
	if err != nil {
		return fmt.Errorf("%s: %w", p.File, err)
	}
	p.Kind = info.Kind
	p.Frame = in.need(&Frame{Detector: d, Info: info})
	return nil
}

// ProductFrame is what a calibrated frame is called in its header and in lists
// of products.
const ProductFrame = whatFrame

// RoleBefore is the role of a frame whose residual image was taken off.
const RoleBefore = "frame before"

// ReadMaster reads what a master frame is. The error wraps [ErrNotMaster] for
// another kind of file.
func ReadMaster(path string) (*Master, error) { return readMaster(path) }
