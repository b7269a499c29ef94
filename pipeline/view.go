package pipeline

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"evenlight/calib"
	"evenlight/configs"
	"evenlight/fitsutil"
)

// ProductView is a calibrated frame that is open: what it tells of itself, and
// its rows. It belongs to one goroutine.
type ProductView struct {
	*Provenance
	// Report has the figures that the product holds and the warnings that
	// follow from them. Masters have names and no ages, which Need.Use tells.
	Report *FrameReport
	Raw    Input // the raw frame
	Need   Need  // what its masters were chosen by
	// PeriodX and PeriodY are the distances of like pixels along rows and
	// columns: the size of a mosaic's pattern, else 1.
	PeriodX, PeriodY int
	Width, Height    int

	in     *Instrument
	file   *fitsutil.File
	planes [3]*fitsutil.HDU
	buf    []byte
	bits   []int32
}

// View opens a product for looking at it. Headers and figures are read and no
// pixel, and checksums are not verified ([ProductReader.Read] does that).
func (r *ProductReader) View(path string) (*ProductView, error) {
	f, err := fitsutil.Open(path)
	if err != nil {
		return nil, err
	}
	v, err := r.view(path, f)
	if err != nil {
		f.Close()
		return nil, err
	}
	return v, nil
}

func (r *ProductReader) view(path string, f *fitsutil.File) (*ProductView, error) {
	record, err := provenanceOf(path, f.HDUs()[0].Header)
	if err != nil {
		return nil, err
	}
	if record.What != whatFrame {
		return nil, fmt.Errorf("%s is a %s: %w", path, record.What, ErrNotProduct)
	}
	v := &ProductView{Provenance: record, PeriodX: 1, PeriodY: 1, file: f}
	if v.in, err = r.instrument(record, func() ([]byte, error) { return readProfile(f) }); err != nil {
		return nil, err
	}
	d := v.in.detector(record.Detector)
	if d < 0 {
		return nil, fmt.Errorf("%s is of detector %s, which its profile does not have", path, record.Detector)
	}
	if m := v.in.sensors[d].Map; m != nil {
		v.PeriodX, v.PeriodY = m.PeriodX, m.PeriodY
	}
	for i, name := range []string{extValue, extUncertainty, extFlags} {
		if v.planes[i], err = f.Find(name); err != nil {
			return nil, fmt.Errorf("%s: %w", path, err)
		}
		if a, b := v.planes[i], v.planes[0]; a.Width() != b.Width() || a.Height() != b.Height() {
			return nil, fmt.Errorf("%s: HDU %s is %d x %d pixels and %s is %d x %d: the product is damaged, make it again", path, name, a.Width(), a.Height(), extValue, b.Width(), b.Height())
		}
	}
	v.Width, v.Height = v.planes[0].Width(), v.planes[0].Height()
	if v.Width < 1 || v.Height < 1 {
		return nil, fmt.Errorf("%s: HDU %s has no pixels: the product is damaged, make it again", path, extValue)
	}
	return v, v.describe(d)
}

// describe makes the report of what the headers and the figures tell.
func (v *ProductView) describe(detector int) error {
	h, err := v.file.Find(extRaw)
	if err != nil {
		return fmt.Errorf("%s: %w", v.File, err)
	}
	info, err := v.in.describe(h.Header, detector)
	if err != nil {
		return fmt.Errorf("%s: %w", v.File, err)
	}
	figures, err := readFigures(v.file)
	if err != nil {
		return fmt.Errorf("%s: %w", v.File, err)
	}
	unit, _, err := v.planes[0].Header.Text("BUNIT")
	if err != nil {
		return fmt.Errorf("%s: %w", v.File, err)
	}
	v.Need = v.in.need(&Frame{Detector: detector, Info: info})
	r := &FrameReport{Product: v.File, Detector: v.Detector, Band: v.Band, Mode: v.Mode, Target: info.Target,
		Time: info.Time.UTC().Format(timeForm), ExposureS: info.ExposureS, Unit: unit,
		Fractions: map[string]float64{}, Warnings: []string{}}
	d := &v.in.Profile.Detectors[detector]
	for _, a := range d.Amplifiers {
		r.Amplifiers = append(r.Amplifiers, AmpReport{Name: a.Name})
	}
	r.setFigures(figures)
	for _, i := range v.Inputs {
		switch i.Role {
		case roleRaw:
			v.Raw, r.Raw = i, i.Name
		case roleBefore:
			if r.Before == "" {
				r.Before = i.Name
			}
		default:
			r.Masters = append(r.Masters, MasterUse{Kind: i.Role, Name: i.Name})
		}
	}
	r.warn(d, info.ChargeStages, r.residualLeft())
	v.Report = r
	return nil
}

// residualLeft is why the residual image of the frame before was left in, as
// far as the product tells.
func (r *FrameReport) residualLeft() error {
	if r.Fractions["residual-unsure"] > 0 {
		return errors.New("the QA summary of its run says why")
	}
	return nil
}

// setFigures is the inverse of Figures, for a report that has its amplifiers.
func (r *FrameReport) setFigures(figures []Figure) {
	for _, f := range figures {
		name, of, _ := strings.Cut(f.Name, ".")
		value := f.Value
		if finite(value) == nil {
			continue // nobody wrote that
		}
		var amp AmpReport // of none: a profile with other amplifiers
		a := &amp
		if i := slices.IndexFunc(r.Amplifiers, func(a AmpReport) bool { return a.Name == of }); i >= 0 {
			a = &r.Amplifiers[i]
		}
		switch name {
		case "offset_dn":
			a.OffsetDN = &value
		case "drift_dn":
			a.DriftDN = &value
		case "read_noise_e":
			a.ReadNoiseE = &value
		case "temperature_k":
			r.TempK = &value
		case "line_smear":
			r.LineSmear = &value
		case "hits":
			n := int(value)
			r.Hits = &n
		case "fill":
			r.setFill(of, int(value))
		case "flagged":
			if value > 0 {
				r.Fractions[of] = value
			}
		default:
			r.setLevel(name, of, value)
		}
	}
}

// setFill sets a number of filled pixels.
func (r *FrameReport) setFill(of string, n int) {
	if r.Fill == nil {
		r.Fill = &FillReport{}
	}
	switch of {
	case "filled":
		r.Fill.Filled = n
	case "left_saturated":
		r.Fill.Saturated = n
	case "left_deep":
		r.Fill.Deep = n
	case "left_few":
		r.Fill.Few = n
	}
}

// setLevel sets a level of the frame or, where of is not empty, of a band.
func (r *FrameReport) setLevel(name, of string, value float64) {
	background, median, good, noise := &r.Background, &r.Median, &r.Good, &r.NoiseRatio
	if of != "" {
		i := slices.IndexFunc(r.Bands, func(b BandReport) bool { return b.Name == of })
		if i < 0 {
			i, r.Bands = len(r.Bands), append(r.Bands, BandReport{Name: of})
		}
		b := &r.Bands[i]
		background, median, good, noise = &b.Background, &b.Median, &b.Good, &b.NoiseRatio
	}
	switch name {
	case "background":
		*background = &value
	case "median":
		*median = &value
	case "good_fraction":
		*good = value
	case "noise_ratio":
		*noise = &value
	}
}

// ReadRows reads n rows from row y0 on into slices of n times Width.
func (v *ProductView) ReadRows(y0, n int, value, uncertainty []float32, flags []calib.Flags) error {
	for i, dst := range [][]float32{value, uncertainty} {
		b, err := v.file.ReadRows(v.planes[i], 0, y0, n, v.buf)
		if err != nil {
			return err
		}
		v.buf = b
		if err := v.planes[i].DecodeFloat32(dst, b); err != nil {
			return err
		}
	}
	b, err := v.file.ReadRows(v.planes[2], 0, y0, n, v.buf)
	if err != nil {
		return err
	}
	v.buf = b
	if cap(v.bits) < len(flags) {
		v.bits = make([]int32, len(flags))
	}
	bits := v.bits[:len(flags)]
	if err := v.planes[2].DecodeInt32(bits, b); err != nil {
		return err
	}
	for i, f := range bits {
		flags[i] = calib.Flags(f)
	}
	return nil
}

// Close closes the file.
func (v *ProductView) Close() error { return v.file.Close() }

// RawRows are rows of the image part of a raw frame, as the camera coded them.
type RawRows struct {
	Width, Height int

	x0, y0 int
	rows   rawRows
}

// OpenRaw opens the raw frame that a product was made from, in a file that is
// taken to be it: its content is not compared.
func (v *ProductView) OpenRaw(path string) (*RawRows, error) {
	f, err := fitsutil.Open(path)
	if err != nil {
		return nil, err
	}
	frames, errs := v.in.framesIn(path, "", f)
	for _, frame := range frames {
		if v.in.Profile.Detectors[frame.Detector].Name != v.Detector || frame.Planes > 1 && frame.Plane+1 != v.Plane {
			continue
		}
		im := frame.sensor.Image
		return &RawRows{Width: im.Width(), Height: im.Height(), x0: im.X0, y0: im.Y0, rows: rawRows{f: frame}}, nil
	}
	f.Close()
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return nil, fmt.Errorf("%s holds no frame of detector %s", path, v.Detector)
}

// Row reads row y of the image, which counts from 0. NaN is a sample that never
// arrived and was marked as such by BLANK.
func (r *RawRows) Row(y int, dst []float32) ([]float32, error) {
	return r.rows.RawRow(r.y0+y, r.x0, r.x0+r.Width, dst)
}

// Close closes the file.
func (r *RawRows) Close() error { return r.rows.f.file.Close() }

// Use tells how far a master is from a frame. n.Kind is not looked at.
func (n Need) Use(m *Master) MasterUse {
	c := n.judge(m)
	use := MasterUse{Kind: m.Kind, Name: m.Name(), AgeDays: c.ageDays()}
	if !math.IsNaN(m.TempMinK) && !math.IsNaN(n.TempK) {
		use.TempDiffK = finite(c.tempK)
	}
	return use
}

// instrument returns the instrument of a product's profile, whose text is read
// when it is met first.
func (r *ProductReader) instrument(record *Provenance, text func() ([]byte, error)) (*Instrument, error) {
	if in := r.instruments[record.ProfileHash]; in != nil {
		return in, nil
	}
	b, err := text()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", record.File, err)
	}
	profile, err := configs.Parse(record.File+" (profile)", b, configs.Overrides{})
	if err != nil {
		return nil, err
	}
	if h := profile.Hash(); h != record.ProfileHash {
		return nil, fmt.Errorf("%s: the profile that it carries has hash %s and the header says %s", record.File, h, record.ProfileHash)
	}
	in := NewInstrument(profile)
	r.instruments[record.ProfileHash] = in
	return in, nil
}
