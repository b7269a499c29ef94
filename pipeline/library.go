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
	"sync"
	"time"

	"go.uber.org/zap"

	"evenlight/configs"
	"evenlight/fitsutil"
)

// Library is the set of master frames in a folder, with what people decided
// about them.
type Library struct {
	Dir     string
	Masters []*Master
	// Characterisations are the files of measured properties of the sensor that
	// lie beside the masters.
	Characterisations []*CharacterisationFile
	// Decisions is nil where there are none.
	Decisions *Decisions
	// Unreadable lists files that look like masters or characterisations and
	// cannot be used.
	Unreadable []error

	contents contents
	fresh    map[*Master]bool // made just now, so that nobody can have accepted it yet
}

// OpenLibrary reads the headers of all master frames in dir and the folders
// below it, and the record of decisions in dir. A file that cannot be read is
// listed, not fatal; a record that cannot be read is, since a master that was
// withdrawn would serve without it.
func OpenLibrary(dir string) (*Library, error) {
	l := &Library{Dir: dir}
	err := filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if e.Type().IsRegular() {
			l.read(path)
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("masters in %s: %w; name the folder that 'evenlight masters' wrote to", dir, err)
	}
	if l.Decisions, err = ReadDecisions(dir); err != nil {
		return nil, fmt.Errorf("decisions about masters: %w", err)
	}
	return l, nil
}

// report logs what of a library could not be read.
func (l *Library) report(log *zap.Logger) {
	for _, e := range l.Unreadable {
		log.Warn(EventMasterUnread, zap.Error(e))
	}
	l.Decisions.ReportTorn(log, l.Dir)
}

// read takes in a file, if it is one of a library.
func (l *Library) read(path string) {
	var err error
	switch {
	case IsFITSName(path):
		var m *Master
		if m, err = readMaster(path); err == nil {
			l.Masters = append(l.Masters, m)
		}
	case isCharacterisationName(path):
		var c *CharacterisationFile
		if c, err = readCharacterisation(path); err == nil {
			l.Characterisations = append(l.Characterisations, c)
		}
	}
	if err != nil && !errors.Is(err, ErrNotMaster) {
		l.Unreadable = append(l.Unreadable, err)
	}
}

// add takes a master in that was made just now, replacing one of the same path.
func (l *Library) add(m *Master) {
	l.Masters = slices.DeleteFunc(l.Masters, func(o *Master) bool { return o.Path == m.Path })
	l.Masters = append(l.Masters, m)
	if l.fresh == nil {
		l.fresh = map[*Master]bool{}
	}
	l.fresh[m] = true
}

// Take takes a master in whose content is known.
func (l *Library) Take(m *Master, sha256 string) {
	l.Masters = append(l.Masters, m)
	l.contents.put(m, sha256)
}

// Content returns the SHA-256 of a master's file, which is read for it once.
func (l *Library) Content(m *Master) (string, error) { return l.contents.of(m) }

// contents remembers the contents of masters. Its zero value knows none. It may
// be used by several goroutines.
type contents struct {
	mu  sync.Mutex
	sha map[*Master]string
}

func (c *contents) put(m *Master, sha string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.sha == nil {
		c.sha = map[*Master]string{}
	}
	c.sha[m] = sha
}

func (c *contents) known(m *Master) (string, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	sha, ok := c.sha[m]
	return sha, ok
}

func (c *contents) of(m *Master) (string, error) {
	if sha, ok := c.known(m); ok {
		return sha, nil
	}
	sha, _, err := fitsutil.HashFile(m.Path)
	if err != nil {
		return "", fmt.Errorf("master %s cannot be used: %w", m.Name(), err)
	}
	c.put(m, sha)
	return sha, nil
}

// AsOf returns the library as it was on a date: without the decisions that were
// made later, and without the masters that were not there yet. A master was
// there from the time that a decision gives for it (Decision.Joined), and else
// from its last exposure, before which nobody can have made it: no file of a
// master tells when it was made.
func (l *Library) AsOf(date time.Time) (*Library, error) {
	then := &Library{Dir: l.Dir + " as of " + date.UTC().Format(time.DateTime), Decisions: l.Decisions.AsOf(date), Unreadable: l.Unreadable}
	for _, m := range l.Masters {
		since, err := l.since(m)
		if err != nil {
			return nil, err
		}
		if since.After(date) {
			continue
		}
		then.Masters = append(then.Masters, m)
		if sha, ok := l.contents.known(m); ok {
			then.contents.put(m, sha)
		}
	}
	for _, c := range l.Characterisations {
		if !c.End.After(date) {
			then.Characterisations = append(then.Characterisations, c)
		}
	}
	return then, nil
}

// since is the time from which a master was there.
func (l *Library) since(m *Master) (time.Time, error) {
	if l.Decisions.Empty() {
		return m.End, nil
	}
	sha, err := l.Content(m)
	if err != nil {
		return time.Time{}, err
	}
	return later(m.End, l.Decisions.Joined(sha)), nil
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
// nearest of them, are within the limits; no decision keeps the master from
// serving a frame of that time. Among those the one nearest in time is taken; at
// equal time the nearest in temperature, then the one whose middle is nearer in
// time, then that of more frames, then the first by name. It depends on nothing
// but the frame, the library and the limits.
func (l *Library) Select(n Need, lim configs.Limits) (*Master, error) {
	return l.choose(&n, l.Masters, lim)
}

// choose selects among some masters of the library.
func (l *Library) choose(n *Need, masters []*Master, lim configs.Limits) (*Master, error) {
	best := n.nearest(masters, lim)
	if best == nil {
		return nil, l.missing(n, lim)
	}
	no, err := l.refuses(best, n.Time)
	if err != nil {
		return nil, err
	}
	if no.why == isAllowed {
		return best, nil
	}
	return l.chooseAllowed(n, masters, lim)
}

// nearest finds the master that would serve if nothing was decided; nil: none.
func (n *Need) nearest(masters []*Master, lim configs.Limits) *Master {
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
	return best.m
}

// chooseAllowed goes through the masters from the nearest on until one may
// serve, so that no more contents are looked at than need be.
func (l *Library) chooseAllowed(n *Need, masters []*Master, lim configs.Limits) (*Master, error) {
	for _, c := range n.candidates(masters, lim) {
		no, err := l.refuses(c.m, n.Time)
		if err != nil {
			return nil, err
		}
		if no.why == isAllowed {
			return c.m, nil
		}
	}
	return nil, l.missing(n, lim)
}

// candidates lists the masters within the limits, the nearest first.
func (n *Need) candidates(masters []*Master, lim configs.Limits) []candidate {
	var all []candidate
	for _, m := range masters {
		if n.fits(m) {
			if c := n.judge(m); c.within(lim) {
				all = append(all, c)
			}
		}
	}
	slices.SortStableFunc(all, func(a, b candidate) int {
		switch {
		case a.before(b):
			return -1
		case b.before(a):
			return 1
		}
		return 0
	})
	return all
}

// refuses tells which decision keeps a master from serving frames of some time.
func (l *Library) refuses(m *Master, t time.Time) (refusal, error) {
	return l.ask(m, func(sha string) refusal { return l.Decisions.refuses(sha, t) })
}

// Bars tells whether a decision keeps a master from serving any frame.
func (l *Library) Bars(m *Master) (bool, error) {
	no, err := l.ask(m, l.Decisions.bars)
	return no.why != isAllowed, err
}

// ask asks the decisions about the content of a master, if there are any.
func (l *Library) ask(m *Master, about func(sha string) refusal) (refusal, error) {
	if l.Decisions.Empty() {
		return refusal{}, nil
	}
	sha, err := l.Content(m)
	if err != nil {
		return refusal{}, err
	}
	no := about(sha)
	if no.why == isUnaccepted && l.fresh[m] {
		// Whoever makes masters makes one of the other; what came of it is
		// accepted, or not, when it is there.
		return refusal{}, nil
	}
	return no, nil
}

// missing makes the error for a frame that no master may serve.
func (l *Library) missing(n *Need, lim configs.Limits) error {
	e := &MissingMasterError{Need: *n, Limits: lim, Dir: l.Dir}
	var within candidate
	for _, m := range l.Masters {
		if !n.fits(m) {
			continue
		}
		c := n.judge(m)
		if e.near.m == nil || c.before(e.near) {
			e.near = c
		}
		if c.within(lim) && (within.m == nil || c.before(within)) {
			within = c
		}
	}
	if within.m == nil {
		return e
	}
	var err error
	e.near = within
	if e.refusal, err = l.refuses(within.m, n.Time); err != nil {
		return err
	}
	return e
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
	c.middle = n.Time.Sub(m.middle()).Abs()
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

// MissingMasterError says that a needed master is not there, or may not serve.
type MissingMasterError struct {
	Need    Need
	Limits  configs.Limits
	Dir     string
	near    candidate // the nearest of the right kind, within the limits where there is one
	refusal refusal   // of the nearest within the limits
}

func (e *MissingMasterError) Error() string {
	want := Master{Detector: e.Need.Detector, Mode: e.Need.Mode}
	if e.Need.Kind == MasterFlat {
		want.Band = e.Need.Band
	}
	msg := fmt.Sprintf("no %s master for %s", e.Need.Kind, want.place())
	if e.refusal.why != isAllowed {
		return fmt.Sprintf("%s may serve: the nearest, %s, %s; %s", msg, e.near.m.Name(), e.refusal.text(), e.refusal.remedy())
	}
	if e.near.m == nil {
		return fmt.Sprintf("%s in %s: build one with 'evenlight masters', or switch its stage off in the profile", msg, e.Dir)
	}
	return fmt.Sprintf("%s within the limits: the nearest, %s, is %.1f days and %.1f K away (limits %g days, %g K): build a nearer one, or widen selection.%s in the profile",
		msg, e.near.m.Name(), e.near.ageDays(), e.near.tempK, e.Limits.MaxAgeDays, e.Limits.MaxTempDiffK, strings.ReplaceAll(e.Need.Kind, "-", "_"))
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
