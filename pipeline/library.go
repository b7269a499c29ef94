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
	"time"

	"evenlight/configs"
)

// Library is the set of master frames in a folder.
type Library struct {
	Dir     string
	Masters []*Master
	// Unreadable lists files that look like masters and cannot be used.
	Unreadable []error
}

// OpenLibrary reads the headers of all master frames in dir and the folders
// below it. A file that cannot be read is listed, not fatal.
func OpenLibrary(dir string) (*Library, error) {
	l := &Library{Dir: dir}
	err := filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if !e.Type().IsRegular() || !IsFITSName(path) {
			return nil
		}
		m, err := readMaster(path)
		switch {
		case errors.Is(err, ErrNotMaster):
		case err != nil:
			l.Unreadable = append(l.Unreadable, err)
		default:
			l.Masters = append(l.Masters, m)
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("masters in %s: %w; name the folder that 'evenlight masters' wrote to", dir, err)
	}
	return l, nil
}

// add takes a new master in, replacing one of the same path.
func (l *Library) add(m *Master) {
	l.Masters = slices.DeleteFunc(l.Masters, func(o *Master) bool { return o.Path == m.Path })
	l.Masters = append(l.Masters, m)
}

// Need describes the frame for which a master is wanted.
type Need struct {
	Kind       string
	Instrument string
	Detector   string
	Mode       string
	Band       string // only flats and nothing else belong to a band
	Time       time.Time
	TempK      float64 // NaN: unknown
}

// Select returns the master for a frame. The rules: instrument, detector and
// mode agree, for a flat also the band; the time between the frame and the
// nearest exposure of the master, and the difference of temperature to the
// nearest of them, are within the limits. Among those the one nearest in time
// is taken; at equal time the nearest in temperature, then the one whose
// middle is nearer in time, then that of more frames, then the first by name.
// It depends on nothing but the frame, the library and the limits.
func (l *Library) Select(n Need, lim configs.Limits) (*Master, error) {
	return n.choose(l.Masters, lim, l.Dir)
}

// choose selects among some masters, which lie in dir.
func (n *Need) choose(masters []*Master, lim configs.Limits, dir string) (*Master, error) {
	var best candidate
	for _, m := range masters {
		if !n.fits(m) {
			continue
		}
		if best.m != nil && n.age(m) > best.age {
			continue
		}
		if c := n.judge(m); c.within(lim) && (best.m == nil || c.before(best)) {
			best = c
		}
	}
	if best.m != nil {
		return best.m, nil
	}
	missing := &MissingMasterError{Need: *n, Limits: lim, Dir: dir}
	for _, m := range masters {
		if n.fits(m) {
			missing.near = append(missing.near, n.judge(m))
		}
	}
	return nil, missing
}

// within tells whether a candidate is near enough.
func (c *candidate) within(lim configs.Limits) bool {
	return (lim.MaxAgeDays <= 0 || c.ageDays() <= lim.MaxAgeDays) && (lim.MaxTempDiffK <= 0 || c.tempK <= lim.MaxTempDiffK)
}

func (n *Need) fits(m *Master) bool {
	return m.Kind == n.Kind && m.Instrument == n.Instrument && m.Detector == n.Detector &&
		m.Mode == n.Mode && (n.Kind != MasterFlat || m.Band == n.Band)
}

// candidate is a master with its distances to a frame.
type candidate struct {
	m      *Master
	age    time.Duration // to the nearest exposure; 0 inside the range
	middle time.Duration // to the middle of the range
	tempK  float64
}

func (c candidate) ageDays() float64 { return c.age.Hours() / 24 }

func (n *Need) judge(m *Master) candidate {
	c := candidate{m: m, age: n.age(m)}
	c.middle = n.Time.Sub(m.Begin.Add(m.End.Sub(m.Begin) / 2)).Abs()
	if !math.IsNaN(n.TempK) && !math.IsNaN(m.TempMinK) {
		c.tempK = max(0, m.TempMinK-n.TempK, n.TempK-m.TempMaxK)
	}
	return c
}

// age is the time to the nearest exposure of a master.
func (n *Need) age(m *Master) time.Duration {
	if d := m.Begin.Sub(n.Time); d > 0 {
		return d
	}
	return max(0, n.Time.Sub(m.End))
}

// before orders candidates.
func (c candidate) before(o candidate) bool {
	switch {
	case c.age != o.age:
		return c.age < o.age
	case c.tempK != o.tempK:
		return c.tempK < o.tempK
	case c.middle != o.middle:
		return c.middle < o.middle
	case c.m.Frames != o.m.Frames:
		return c.m.Frames > o.m.Frames
	}
	return c.m.Name() < o.m.Name()
}

// MissingMasterError says that a needed master is not there.
type MissingMasterError struct {
	Need   Need
	Limits configs.Limits
	Dir    string
	near   []candidate // of the right kind, but outside the limits
}

func (e *MissingMasterError) Error() string {
	want := Master{Detector: e.Need.Detector, Mode: e.Need.Mode}
	if e.Need.Kind == MasterFlat {
		want.Band = e.Need.Band
	}
	msg := fmt.Sprintf("no %s master for %s", e.Need.Kind, want.place())
	section := strings.ReplaceAll(e.Need.Kind, "-", "_")
	if len(e.near) == 0 {
		return fmt.Sprintf("%s in %s: build one with 'evenlight masters', or switch its stage off in the profile", msg, e.Dir)
	}
	nearest := e.near[0]
	for _, c := range e.near[1:] {
		if c.before(nearest) {
			nearest = c
		}
	}
	return fmt.Sprintf("%s within the limits: the nearest, %s, is %.1f days and %.1f K away (limits %g days, %g K): build a nearer one, or widen selection.%s in the profile",
		msg, nearest.m.Name(), nearest.ageDays(), nearest.tempK, e.Limits.MaxAgeDays, e.Limits.MaxTempDiffK, section)
}

// IsFITSName tells whether a file name has one of the endings of FITS files.
func IsFITSName(path string) bool {
	name := strings.TrimSuffix(strings.ToLower(filepath.Base(path)), ".gz")
	if strings.HasPrefix(name, ".") {
		return false
	}
	switch filepath.Ext(name) {
	case ".fits", ".fit", ".fts":
		return true
	}
	return false
}

// FindFrames lists the FITS files among paths and in the folders among them,
// sorted, each once. Hidden files, such as files being written, are left out,
// and so are links inside of folders, since they may lead anywhere; a link that
// is named itself is followed.
func FindFrames(paths []string) ([]string, error) {
	var out []string
	for _, p := range paths {
		root := p
		if st, err := os.Stat(p); err == nil && st.IsDir() {
			root += string(filepath.Separator) // a link that was named leads to its folder
		}
		err := filepath.WalkDir(root, func(path string, e fs.DirEntry, err error) error {
			if err != nil {
				return err
			}
			if e.IsDir() {
				return nil
			}
			if path == p || (e.Type().IsRegular() && IsFITSName(path)) {
				out = append(out, filepath.Clean(path))
			}
			return nil
		})
		if err != nil {
			return nil, fmt.Errorf("input %s: %w", p, err)
		}
	}
	slices.Sort(out)
	return slices.Compact(out), nil
}
