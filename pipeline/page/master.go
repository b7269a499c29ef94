package page

import (
	"cmp"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"evenlight/calib"
	"evenlight/fitsutil"
	"evenlight/pipeline"
)

// masterKey tells masters apart as the headers of products name them.
type masterKey struct{ kind, name, sha string }

// masterIndex knows where masters lie.
type masterIndex struct {
	byName map[[2]string][]*pipeline.Master // by kind and file name
	bySHA  map[string]*pipeline.Master
}

// indexOf makes an index of the masters in a folder. Their content is not
// hashed: masters are found by kind and name.
func indexOf(l *pipeline.Library) *masterIndex {
	x := &masterIndex{byName: map[[2]string][]*pipeline.Master{}}
	for _, m := range l.Masters {
		key := [2]string{m.Kind, m.Name()}
		x.byName[key] = append(x.byName[key], m)
	}
	return x
}

// find returns a master; nil: it is not known where it lies, or several bear its
// name.
func (x *masterIndex) find(k masterKey) *pipeline.Master {
	if m := x.bySHA[k.sha]; m != nil {
		return m
	}
	if all := x.byName[[2]string{k.kind, k.name}]; len(all) == 1 {
		return all[0]
	}
	return nil
}

// uses lists the masters that a product names, with the ages that the summary of
// its run states or else those that follow from the masters' own headers.
func (x *masterIndex) uses(v *pipeline.ProductView, summary *pipeline.FrameReport) []MasterUse {
	out := []MasterUse{}
	for _, in := range v.Inputs {
		if in.Role == v.Raw.Role || in.Role == pipeline.RoleBefore {
			continue
		}
		u := MasterUse{Kind: in.Role, Name: in.Name, SHA256: in.SHA256}
		if stated, ok := statedUse(summary, in); ok {
			u.AgeDays, u.TempDiffK = &stated.AgeDays, stated.TempDiffK
		} else if m := x.find(masterKey{in.Role, in.Name, in.SHA256}); m != nil {
			use := v.Need.Use(m)
			u.AgeDays, u.TempDiffK = &use.AgeDays, use.TempDiffK
		}
		out = append(out, u)
	}
	return out
}

func statedUse(r *pipeline.FrameReport, in pipeline.Input) (pipeline.MasterUse, bool) {
	if r != nil {
		for _, m := range r.Masters {
			if m.Kind == in.Role && m.Name == in.Name {
				return m, true
			}
		}
	}
	return pipeline.MasterUse{}, false
}

// masterList gathers the masters that frames used.
type masterList struct {
	lines map[masterKey]*Master
}

// add counts the masters of a frame and gives the uses the names of their lines.
func (l *masterList) add(f *Frame, uses []MasterUse) {
	for i := range uses {
		u := &uses[i]
		k := masterKey{u.Kind, u.Name, u.SHA256}
		m := l.lines[k]
		if m == nil {
			m = &Master{ID: fmt.Sprintf("m%03d", len(l.lines)+1), Kind: u.Kind, Name: u.Name, SHA256: u.SHA256, Detector: f.Detector, Mode: f.Mode}
			l.lines[k] = m
		}
		u.Master = m.ID
		m.Served++
		if u.AgeDays != nil && (m.OldestD == nil || *u.AgeDays > *m.OldestD) {
			age := *u.AgeDays
			m.OldestD = &age
		}
	}
}

// sorted lists the masters by kind and name.
func (l *masterList) sorted() []*Master {
	var out []*Master
	for _, m := range l.lines {
		out = append(out, m)
	}
	slices.SortFunc(out, func(a, b *Master) int {
		return cmp.Or(strings.Compare(a.Kind, b.Kind), strings.Compare(a.Name, b.Name), strings.Compare(a.SHA256, b.SHA256))
	})
	return out
}

// masterPlanes are the planes of masters that are shown.
var masterPlanes = [...]struct{ hdu, kind, title, of string }{
	{"VALUE", "value", "value", "the values"},
	{"VARIANCE", "uncertainty", "standard uncertainty", "the uncertainties"},
	{"SAMPLES", "samples", "samples kept", "the counts"},
	{"SCATTER", "scatter", "scatter of the samples, reduced chi-square", "the values"},
	{"DEPARTURE", "departure", "departure from the amplifier's curve", "the departures"},
	{"REASONS", "reasons", "bad pixels", ""},
}

// masterDetail reads a master's header and some of its rows. The line is filled
// with what the header tells.
func (w *worker) masterDetail(line *Master, index *masterIndex, out string) MasterDetail {
	d := MasterDetail{Images: []Image{}, Inputs: []Source{}}
	m := index.find(masterKey{line.Kind, line.Name, line.SHA256})
	if m == nil {
		line.State = StateBroken
		d.Master, d.Problem = *line, "it is not known where this master lies: name the folder of the masters with --masters"
		return d
	}
	line.Path, line.Link, line.State = m.Path, link(out, m.Path), StateGood
	line.Detector, line.Mode, line.Band, line.Inputs = m.Detector, m.Mode, m.Band, m.Frames
	line.First, line.Last = m.Begin.UTC().Format(time.RFC3339), m.End.UTC().Format(time.RFC3339)
	d.Command = provenanceCommand(m.Path)
	if err := w.lookAtMaster(m.Path, &d); err != nil {
		line.State, d.Problem = StateBroken, err.Error()
	}
	d.Master = *line
	return d
}

func (w *worker) lookAtMaster(path string, d *MasterDetail) error {
	record, err := pipeline.ReadProvenance(path)
	if err != nil {
		return err
	}
	d.Provenance = record.Text()
	for _, in := range record.Inputs {
		d.Inputs = append(d.Inputs, Source{in.Role, in.Name, in.SHA256})
	}
	f, err := fitsutil.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	for _, p := range masterPlanes {
		h, err := f.Find(p.hdu)
		if err != nil {
			continue // this kind of master has no such plane
		}
		if h.Width() < 1 || h.Height() < 1 {
			return fmt.Errorf("%s: HDU %s has no pixels", path, p.hdu)
		}
		im, err := w.planePicture(f, h, p.kind, p.title, p.of)
		if err != nil {
			return fmt.Errorf("%s: HDU %s: %w", path, p.hdu, err)
		}
		if im != nil {
			d.Images = append(d.Images, *im)
		}
	}
	return nil
}

// planePicture makes the picture of one plane of a master.
func (w *worker) planePicture(f *fitsutil.File, h *fitsutil.HDU, kind, title, of string) (*Image, error) {
	s := &w.sample
	s.lay(h.Width(), h.Height(), 1, 1)
	bits := make([]int32, s.width)
	var row []byte
	for i, y := range s.starts {
		var err error
		if row, err = f.ReadRows(h, 0, y, 1, row); err != nil {
			return nil, err
		}
		at := i * s.width
		if kind != "reasons" {
			if err := h.DecodeFloat32(s.value[at:at+s.width], row); err != nil {
				return nil, err
			}
			continue
		}
		if err := h.DecodeInt32(bits, row); err != nil {
			return nil, err
		}
		for x, b := range bits {
			s.flags[at+x] = calib.Flags(b)
		}
	}
	if kind == "reasons" {
		return s.flagImage(kind, title, s.flags)
	}
	if kind == "uncertainty" {
		for i, v := range s.value {
			s.value[i] = float32(math.Sqrt(float64(v)))
		}
		var err error
		if h, err = f.Find("VALUE"); err != nil { // whose unit is that of the root of the variance
			return nil, err
		}
	}
	unit, _, err := h.Header.Text("BUNIT")
	if err != nil {
		return nil, err
	}
	return s.picture(kind, title, unit, of, s.value, nil)
}

// baseName is the file name of a path that may come from another system.
func baseName(path string) string { return filepath.Base(filepath.ToSlash(path)) }
