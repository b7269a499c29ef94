package pipeline

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"go.uber.org/zap"

	"evenlight/calib"
	"evenlight/calib/colour"
)

// PictureOptions says how band cubes become colour pictures.
type PictureOptions struct {
	OutDir    string // empty: beside each cube
	Overwrite bool
	Workers   int
	// RGB holds three bands or ratios of bands that are shown as red, green
	// and blue, as they are; empty: natural colour.
	RGB []string
	// Bands are those that natural colour is made of; empty: all that see
	// mostly visible light.
	Bands []string
	// Illuminant is the light in which the colours are to be seen: D65, sun
	// (a black body) or E; empty: D65.
	Illuminant string
	// White is a region that shows a neutral target, which becomes white;
	// nil: what a perfect diffuser facing the Sun would show is white.
	White *calib.Region
	// Stretch is how values are shown; nil: found from the picture.
	Stretch *colour.Stretch
	// Gamma is the curve of a stretch that is found from the picture, see
	// colour.Stretch.
	Gamma float64
	// StretchFrom names another picture's record, whose stretch is used.
	StretchFrom string
	// Hide names the flags with which a pixel is left out; nil: those with
	// which it is unusable.
	Hide []string
	// MarkMoved outlines what moved between the bands, in the preview only.
	MarkMoved bool
	// Probes are regions of uniform colour, to be measured.
	Probes []calib.Region
	// PreviewPx bounds the preview's longer side, pixels; 0: 1024.
	PreviewPx int
	// PNGLevel is the compression of the files, as in compress/zlib.
	PNGLevel int
	Log      *zap.Logger // nil: nothing is logged
	Progress func(done, total int, what string)
}

// defaultPreviewPx is the longer side of a preview, pixels.
const defaultPreviewPx = 1024

// Endings of a picture's files; they follow the stem of the cube's name.
const (
	colourEnding  = "-colour.png"
	previewEnding = "-preview.png"
	recordEnding  = "-colour.json"
)

// MakePictures makes the pictures of some cubes. A cube that fails is reported
// and the others go on. The error is one of the options; then nothing is made.
func MakePictures(files []string, opt PictureOptions) (*PictureSummary, error) {
	m, err := newPictureMaker(opt)
	if err != nil {
		return nil, err
	}
	out := &PictureSummary{Software: Software, Version: Version, Pictures: []MadePicture{}, Failures: []Failure{}}
	byStem := map[string]string{}
	for i, path := range files {
		r, err := m.makeOnce(path, byStem)
		if err != nil {
			out.Failures = append(out.Failures, Failure{path, err.Error()})
			m.opt.Log.Error(EventPictureFailed, zap.String("cube", path), zap.Error(err))
		} else {
			out.Pictures = append(out.Pictures, MadePicture{m.folder(path), r})
			m.log(path, r)
		}
		if opt.Progress != nil {
			opt.Progress(i+1, len(files), path)
		}
	}
	return out, nil
}

// MakePicture makes the picture of one band cube, or of one calibrated frame
// in grey: a 16-bit PNG of all pixels, an 8-bit PNG to look at, and the record
// of how both were made, which the PNGs carry too. The same cube and options
// give the same bytes, whatever the number of workers.
func MakePicture(path string, opt PictureOptions) (*PictureReport, error) {
	m, err := newPictureMaker(opt)
	if err != nil {
		return nil, err
	}
	return m.make(path)
}

// pictureMaker makes pictures by options that were checked.
type pictureMaker struct {
	opt        PictureOptions
	illuminant colour.Illuminant
	hide       calib.Flags
	stretch    *colour.Stretch // nil: from the picture
	from       string          // name of the record that it was taken from
}

func newPictureMaker(opt PictureOptions) (*pictureMaker, error) {
	m := &pictureMaker{opt: opt, stretch: opt.Stretch}
	if m.opt.Log == nil {
		m.opt.Log = zap.NewNop()
	}
	if opt.PreviewPx == 0 {
		m.opt.PreviewPx = defaultPreviewPx
	}
	m.opt.Workers = max(1, opt.Workers)
	if err := m.checkChoices(); err != nil {
		return nil, err
	}
	var err error
	if m.illuminant, err = illuminantOf(opt.Illuminant); err != nil {
		return nil, err
	}
	if m.hide, err = flagsOf(opt.Hide); err != nil {
		return nil, err
	}
	if opt.StretchFrom != "" {
		r, err := ReadPictureReport(opt.StretchFrom)
		if err != nil {
			return nil, fmt.Errorf("stretch: %w", err)
		}
		s := r.Stretch.stretch()
		m.stretch, m.from = &s, filepath.Base(opt.StretchFrom)
	}
	if m.stretch == nil {
		return m, checkStretch(colour.Stretch{High: colour.FullRange().High, Gamma: opt.Gamma})
	}
	return m, checkStretch(*m.stretch)
}

func (m *pictureMaker) checkChoices() error {
	o := &m.opt
	switch {
	case len(o.RGB) != 0 && len(o.RGB) != 3:
		return fmt.Errorf("%d bands or ratios for a false-colour picture: name three, for red, green and blue", len(o.RGB))
	case len(o.RGB) != 0 && len(o.Bands) != 0:
		return errors.New("bands of natural colour are named and a false-colour picture is asked for: choose one")
	case o.Stretch != nil && o.StretchFrom != "":
		return fmt.Errorf("a stretch is given and %s has another: choose one", o.StretchFrom)
	case o.PreviewPx < 0:
		return fmt.Errorf("a preview of %d pixels: name a number from 1", o.PreviewPx)
	case o.PNGLevel < -2 || o.PNGLevel > 9:
		return fmt.Errorf("PNG compression level %d: choose -2 to 9", o.PNGLevel)
	}
	return nil
}

// checkStretch lets the encoder check a stretch.
func checkStretch(s colour.Stretch) error {
	_, err := colour.NewEncoder(s)
	return err
}

// illuminantOf returns a light by its name.
func illuminantOf(name string) (colour.Illuminant, error) {
	switch name {
	case "", "D65":
		return colour.D65(), nil
	case "sun":
		return colour.Blackbody(colour.SunTemperatureK), nil
	case "E":
		return colour.EqualEnergy(), nil
	}
	return colour.Illuminant{}, fmt.Errorf("illuminant %q: choose D65, sun (a black body of %d K) or E", name, int(colour.SunTemperatureK))
}

// flagsOf returns the bits of flags by their names.
func flagsOf(names []string) (calib.Flags, error) {
	if names == nil {
		return calib.Unusable, nil
	}
	var bits calib.Flags
	var known []string
	for _, f := range calib.FlagTable() {
		known = append(known, f.Name)
		if slices.Contains(names, f.Name) {
			bits |= 1 << f.Bit
		}
	}
	for _, n := range names {
		if !slices.Contains(known, n) {
			return 0, fmt.Errorf("no flag %q to hide: there are %s", n, strings.Join(known, ", "))
		}
	}
	return bits, nil
}

// makeOnce refuses a cube whose picture would take the name of one that this
// run made.
func (m *pictureMaker) makeOnce(path string, byStem map[string]string) (*PictureReport, error) {
	place := filepath.Join(m.folder(path), pictureStem(path))
	if other, ok := byStem[place]; ok {
		return nil, fmt.Errorf("%s: its picture would take the name of that of %s: give them different folders", path, other)
	}
	byStem[place] = path
	return m.make(path)
}

// folder is where a cube's picture goes.
func (m *pictureMaker) folder(path string) string {
	if m.opt.OutDir != "" {
		return m.opt.OutDir
	}
	return filepath.Dir(path)
}

// pictureStem is the name that a picture's files are built on.
func pictureStem(path string) string { return strings.TrimSuffix(fileStem(path), "-cube") }

// make makes one picture; errors name the cube, once.
func (m *pictureMaker) make(path string) (*PictureReport, error) {
	r, err := m.picture(path)
	if err != nil && !strings.Contains(err.Error(), path) {
		err = fmt.Errorf("%s: %w", path, err)
	}
	return r, err
}

func (m *pictureMaker) picture(path string) (*PictureReport, error) {
	dir, stem := m.folder(path), pictureStem(path)
	files := PictureFiles{Colour: stem + colourEnding, Preview: stem + previewEnding, Record: stem + recordEnding}
	if err := m.mayWrite(dir, files); err != nil {
		return nil, err
	}
	in, err := openPictureInput(path)
	if err != nil {
		return nil, err
	}
	mix, err := m.palette(in)
	if err != nil {
		return nil, err
	}
	full, err := m.mixed(mix)
	if err != nil {
		return nil, err
	}
	stretch, err := m.stretchOf(full, mix)
	if err != nil {
		return nil, err
	}
	encoder, err := colour.NewEncoder(stretch)
	if err != nil {
		return nil, err
	}
	full.Encode(encoder, m.opt.Workers)
	small, marked := m.preview(full, mix, encoder)
	r := m.report(in, mix, full, small, stretch)
	r.Files, r.Preview.Marked = files, marked
	if r.Probes, err = m.probes(mix); err != nil {
		return nil, err
	}
	r.warn(in, mix)
	return r, m.write(dir, r, mix, full, small)
}

// mayWrite finds out early whether files are in the way.
func (m *pictureMaker) mayWrite(dir string, files PictureFiles) error {
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return fmt.Errorf("output folder: %w", err)
	}
	if m.opt.Overwrite {
		return nil
	}
	for _, name := range []string{files.Colour, files.Preview, files.Record} {
		path := filepath.Join(dir, name)
		if _, err := os.Lstat(path); err == nil {
			return fmt.Errorf("%s: %w: name another folder or allow overwriting", path, fs.ErrExist)
		}
	}
	return nil
}

// mixed works out linear red, green and blue of all pixels.
func (m *pictureMaker) mixed(mix *palette) (*colour.Picture, error) {
	mixer, err := colour.NewMixer(mix.rgb, mix.white, m.hide)
	if err != nil {
		return nil, err
	}
	p := colour.NewPicture(mix.rasters[0].Width, mix.rasters[0].Height)
	p.Plain = nil // the preview is made apart
	return p, p.Mix(mixer, mix.rasters, m.opt.Workers)
}

// stretchOf is the stretch that was given, or one that suits the picture.
// Natural colour keeps black at zero, as light that is taken off would change
// the hues; channels of different meaning have limits of their own.
func (m *pictureMaker) stretchOf(p *colour.Picture, mix *palette) (colour.Stretch, error) {
	if m.stretch != nil {
		return *m.stretch, nil
	}
	at := colour.DefaultPercentiles()
	at.PerChannel = mix.mode == modeFalse && mix.whiteKind == whiteNone
	s, err := colour.AutoStretch(p, at)
	if mix.mode == modeNatural && s.High[0] > 0 { // also where all pixels are alike
		s.Low, err = [3]float64{}, nil
		s.Source += "; black at 0"
	}
	if err != nil {
		return s, fmt.Errorf("%w: give --stretch LOW:HIGH", err)
	}
	s.Gamma = m.opt.Gamma
	return s, nil
}

func (m *pictureMaker) log(path string, r *PictureReport) {
	m.opt.Log.Info(EventPictureDone, zap.String("cube", path), zap.String("picture", filepath.Join(m.folder(path), r.Files.Colour)), zap.String("mode", r.Mode))
	for _, w := range r.Warnings {
		m.opt.Log.Warn(EventPictureWarning, zap.String("cube", path), zap.String("warning", w))
	}
}

// covariance is that of the values of some bands.
type covariance [][]float64

func newCovariance(n int) covariance {
	c := make(covariance, n)
	for i := range c {
		c[i] = make([]float64, n)
	}
	return c
}

// identity is the correlation of independent values.
func identity(n int) covariance {
	c := newCovariance(n)
	for i := range c {
		c[i][i] = 1
	}
	return c
}

// of is the variance of a linear combination of the values (JCGM 100:2008,
// 5.2.2; exact, as it is linear).
func (c covariance) of(row []float64) float64 {
	sum := 0.0
	for i, a := range row {
		for j, b := range row {
			sum += a * b * c[i][j]
		}
	}
	return sum
}

// root is a standard uncertainty; rounding must not make it NaN.
func root(variance float64) float64 { return math.Sqrt(max(0, variance)) }
