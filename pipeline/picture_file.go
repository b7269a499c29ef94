package pipeline

import (
	"bytes"
	"encoding/json"
	"fmt"
	"image"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"evenlight/calib"
	"evenlight/calib/colour"
	"evenlight/configs"
	"evenlight/fitsutil"
)

// pictureInput is a band cube, or a calibrated frame as a cube of one band.
type pictureInput struct {
	path, sha  string
	f          *fitsutil.File
	record     *Provenance
	in         *Instrument
	unit       string
	target     string
	begin      string
	sunAU      float64 // NaN: not known
	names      []string
	lagX, lagY []float64 // correlation of neighbours' errors, by band
}

// openPictureInput reads a cube, verifies its checksums and reads its headers;
// the pixels are decoded later.
func openPictureInput(path string) (*pictureInput, error) {
	data, sha, err := fitsutil.ReadAll(path, nil, maxRawBytes)
	if err != nil {
		return nil, err
	}
	f, err := openOwn(path, data)
	if err != nil {
		return nil, err
	}
	p := &pictureInput{path: path, sha: sha, f: f, sunAU: math.NaN()}
	h := f.HDUs()[0].Header
	if p.record, err = provenanceOf(path, h); err != nil {
		return nil, err
	}
	if err := p.readInstrument(); err != nil {
		return nil, err
	}
	r := cardReader{h: h, path: path}
	p.target, p.begin = r.optional("OBJECT"), r.optional("DATE-BEG")
	if _, ok := h.Value("SUNDIST"); ok {
		p.sunAU = r.number("SUNDIST")
	}
	if r.err != nil {
		return nil, r.err
	}
	v, err := f.Find(extValue)
	if err != nil {
		return nil, err
	}
	if p.unit, _, err = v.Header.Text("BUNIT"); err != nil {
		return nil, err
	}
	switch p.record.What {
	case whatCube:
		err = p.readBands(h)
	case whatFrame:
		err = p.frameBand()
	default:
		err = fmt.Errorf("it is a %s: name band cubes or calibrated frames", p.record.What)
	}
	if err == nil && v.Planes() != len(p.names) {
		err = fmt.Errorf("HDU %s has %d planes for %d bands: the cube is damaged, make it again", extValue, v.Planes(), len(p.names))
	}
	return p, err
}

// readInstrument reads the profile that the cube carries.
func (p *pictureInput) readInstrument() error {
	text, err := readProfile(p.f)
	if err != nil {
		return err
	}
	profile, err := configs.Parse(p.path+" (profile)", text, configs.Overrides{})
	if err != nil {
		return err
	}
	p.in = NewInstrument(profile)
	if p.in.Hash != p.record.ProfileHash {
		return fmt.Errorf("the profile that it carries has hash %s and the header says %s: make it again", p.in.Hash, p.record.ProfileHash)
	}
	return nil
}

// readBands reads the names of a cube's bands and the correlation of
// neighbouring pixels in each.
func (p *pictureInput) readBands(h *fitsutil.Header) error {
	r := cardReader{h: h, path: p.path}
	for i := range r.count("NBANDS", maxBands) {
		p.names = append(p.names, r.text(fmt.Sprintf("BAND%02d", i+1)))
	}
	if r.err != nil {
		return r.err
	}
	bands, err := p.f.Find(extBands)
	if err != nil {
		return err
	}
	t, err := p.f.ReadTable(bands)
	if err != nil {
		return err
	}
	for _, c := range []struct {
		name string
		to   *[]float64
	}{{"LAG_X", &p.lagX}, {"LAG_Y", &p.lagY}} {
		i := slices.IndexFunc(t.Columns, func(o fitsutil.Column) bool { return o.Name == c.name })
		if i >= 0 {
			*c.to, _ = t.Columns[i].Data.([]float64)
		}
		if len(*c.to) != len(p.names) {
			return fmt.Errorf("HDU %s has no column %s of a number for each of %d bands: the cube is damaged, make it again", extBands, c.name, len(p.names))
		}
	}
	return nil
}

// maxBands is the number of bands that a cube's keywords can name.
const maxBands = 99

// frameBand names the one band of a calibrated frame.
func (p *pictureInput) frameBand() error {
	name := p.record.Band
	for i := range p.in.Profile.Detectors {
		d := &p.in.Profile.Detectors[i]
		if d.Name != p.record.Detector {
			continue
		}
		if d.Mosaic != nil || len(d.Strips) > 0 {
			return fmt.Errorf("the pixels of this frame see different bands: make a band cube of it with 'evenlight cube' first")
		}
		if name == "" {
			name = d.Band
		}
	}
	if name == "" && len(p.in.Profile.Bands) == 1 {
		name = p.in.Profile.Bands[0].Name
	}
	if name == "" {
		name = p.record.Detector
	}
	p.names, p.lagX, p.lagY = []string{name}, []float64{0}, []float64{0}
	return nil
}

// band is what the profile knows of a band; nil: nothing.
func (p *pictureInput) band(name string) *configs.Band {
	if name == "" {
		return nil
	}
	return p.in.band(name)
}

// load decodes the planes of some bands.
func (p *pictureInput) load(bands []int, workers int) ([]*calib.Raster, error) {
	var planes [3]*fitsutil.HDU
	for i, name := range []string{extValue, extUncertainty, extFlags} {
		h, err := p.f.Find(name)
		if err != nil {
			return nil, err
		}
		if i > 0 && !slices.Equal(h.Axes, planes[0].Axes) {
			return nil, fmt.Errorf("HDU %s has axes %v and %s %v: the cube is damaged, make it again", name, h.Axes, extValue, planes[0].Axes)
		}
		planes[i] = h
	}
	width, height := planes[0].Width(), planes[0].Height()
	out := make([]*calib.Raster, len(bands))
	for i := range out {
		out[i] = calib.NewRaster(width, height)
	}
	blocks := (height + bandRows - 1) / bandRows
	return out, parallel(workers, blocks*len(bands), func(_, job int) error {
		i, y0 := job/blocks, job%blocks*bandRows
		return decodeBlock(p.f, planes, bands[i], y0, min(bandRows, height-y0), out[i])
	})
}

// write writes both PNGs and, last, the record.
func (m *pictureMaker) write(dir string, r *PictureReport, mix *palette, full, small *colour.Picture) error {
	record, err := json.MarshalIndent(r, "", "  ")
	if err != nil {
		return err
	}
	notes, err := r.notes(mix)
	if err != nil {
		return err
	}
	images := []image.Image{full.Deep, small.Plain}
	files := make([]bytes.Buffer, len(images))
	err = parallel(m.opt.Workers, len(images), func(_, i int) error {
		return colour.EncodePNG(&files[i], images[i], notes, m.opt.PNGLevel)
	})
	if err != nil {
		return err
	}
	for _, f := range []struct {
		name    string
		content []byte
	}{{r.Files.Colour, files[0].Bytes()}, {r.Files.Preview, files[1].Bytes()}, {r.Files.Record, append(record, '\n')}} {
		if err := fitsutil.WriteFile(filepath.Join(dir, f.name), f.content, fitsutil.CreateOptions{Overwrite: m.opt.Overwrite}); err != nil {
			return err
		}
	}
	return nil
}

// ReadPictureReport reads the record of a picture.
func ReadPictureReport(path string) (*PictureReport, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	var r PictureReport
	if err := json.Unmarshal(text, &r); err != nil {
		return nil, fmt.Errorf("%s: %w: name the record of a picture, %s", path, err, "*"+recordEnding)
	}
	if r.Software != Software || r.Files.Record == "" || !strings.HasSuffix(r.Files.Record, recordEnding) {
		return nil, fmt.Errorf("%s is not the record of a picture: name a file %s", path, "*"+recordEnding)
	}
	return &r, nil
}
