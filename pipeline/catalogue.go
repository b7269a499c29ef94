package pipeline

import (
	"cmp"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"evenlight/configs"
	"evenlight/fitsutil"
)

// KindCharacterisation is the kind of an entry that is no master.
const KindCharacterisation = "characterisation"

// Entry is a file of a library with what was decided about its content.
type Entry struct {
	Kind       string    `json:"kind"` // of master, or characterisation
	Name       string    `json:"name"`
	Path       string    `json:"path"`
	SHA256     string    `json:"sha256"`
	Instrument string    `json:"instrument"`
	Detector   string    `json:"detector"`
	Mode       string    `json:"mode,omitempty"`
	Band       string    `json:"band,omitempty"`
	Begin      time.Time `json:"begin"` // first and last exposure
	End        time.Time `json:"end"`
	Frames     int       `json:"frames,omitempty"`
	// Identity is the sha256 that a characterisation states of itself, which
	// profiles and products hold.
	Identity string `json:"identity,omitempty"`

	State string `json:"state"` // accepted, withdrawn, undecided
	// Barred says why the content may serve no frame; empty: it may.
	Barred string `json:"barred,omitempty"`
	// From and To are the validity of an acceptance; absent: open.
	From         time.Time  `json:"from,omitzero"`
	To           time.Time  `json:"to,omitzero"`
	Supersedes   []string   `json:"supersedes,omitempty"`    // SHA-256
	SupersededBy []string   `json:"superseded_by,omitempty"` // SHA-256
	Decisions    []Decision `json:"decisions"`               // about it, in the order of time
}

// Entries lists what is in the library, sorted by kind, instrument, detector,
// mode, band, time and name. It reads each file for its content.
func (l *Library) Entries() ([]Entry, error) {
	all := []Entry{}
	for _, m := range l.Masters {
		sha, err := l.Content(m)
		if err != nil {
			return nil, err
		}
		all = append(all, Entry{Kind: m.Kind, Name: m.Name(), Path: m.Path, SHA256: sha, Instrument: m.Instrument, Detector: m.Detector,
			Mode: m.Mode, Band: m.Band, Begin: m.Begin.UTC(), End: m.End.UTC(), Frames: m.Frames})
	}
	for _, c := range l.Characterisations {
		sha, _, err := fitsutil.HashFile(c.Path)
		if err != nil {
			return nil, err
		}
		all = append(all, Entry{Kind: KindCharacterisation, Name: filepath.Base(c.Path), Path: c.Path, SHA256: sha,
			Instrument: c.Instrument, Detector: c.Detector, Mode: c.Mode, Begin: c.Begin, End: c.End, Identity: c.Identity})
	}
	for i := range all {
		l.Decisions.describe(&all[i])
	}
	slices.SortFunc(all, Entry.compare)
	return all, nil
}

func (a Entry) compare(b Entry) int {
	return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Instrument, b.Instrument), cmp.Compare(a.Detector, b.Detector),
		cmp.Compare(a.Mode, b.Mode), cmp.Compare(a.Band, b.Band), a.Begin.Compare(b.Begin), cmp.Compare(a.Path, b.Path))
}

// describe fills in what was decided.
func (d *Decisions) describe(e *Entry) {
	var by *Decision
	e.Decisions = d.About(e.SHA256)
	if e.State, by = d.State(e.SHA256); e.State == StateAccepted {
		e.From, e.To, e.Supersedes = by.From, by.To, by.Supersedes
	}
	if no := d.bars(e.SHA256); no.why != isAllowed {
		e.Barred = no.text()
	}
	for _, over := range d.SupersededBy(e.SHA256) {
		e.SupersededBy = append(e.SupersededBy, over.SHA256)
	}
}

// InForce is the acceptance or withdrawal that holds; nil: none.
func (e *Entry) InForce() *Decision {
	for i := len(e.Decisions) - 1; i >= 0; i-- {
		if e.Decisions[i].What != DecisionNote {
			return &e.Decisions[i]
		}
	}
	return nil
}

// minDigits is how many digits of a SHA-256 stand for it at least.
const minDigits = 6

// FindEntry returns the one of some entries that a word names: its path, its
// file name, or six or more digits of its SHA-256, or of the identity that a
// characterisation states.
func FindEntry(all []Entry, word string) (*Entry, error) {
	for _, fits := range []func(e *Entry) bool{
		func(e *Entry) bool { return filepath.Clean(e.Path) == filepath.Clean(word) },
		func(e *Entry) bool { return e.Name == word },
		func(e *Entry) bool {
			digits := strings.ToLower(word)
			return len(word) >= minDigits && (strings.HasPrefix(e.SHA256, digits) || strings.HasPrefix(e.Identity, digits))
		},
	} {
		var found []*Entry
		for i := range all {
			if fits(&all[i]) {
				found = append(found, &all[i])
			}
		}
		switch {
		case len(found) == 0:
			continue
		case slices.ContainsFunc(found, func(e *Entry) bool { return e.SHA256 != found[0].SHA256 }):
			return nil, fmt.Errorf("%q names %s and %s: name one by its path, or by more digits of its SHA-256", word, found[0].Path, found[1].Path)
		}
		return found[0], nil
	}
	return nil, fmt.Errorf("%q is neither a file name in the library nor the beginning of a SHA-256 there: 'evenlight library list' shows both", word)
}

// AbsentEntry is that of a content which the library no longer holds, or does
// not hold yet, named by its whole SHA-256; nil: the word is no such.
func (l *Library) AbsentEntry(word string) *Entry {
	if !isSHA256(word) {
		return nil
	}
	e := &Entry{SHA256: word}
	l.Decisions.describe(e)
	for _, d := range e.Decisions {
		e.Name = cmp.Or(d.Name, e.Name)
	}
	return e
}

// Made is a file that was made with a master.
type Made struct {
	Path   string `json:"path"`
	Kind   string `json:"kind"`
	SHA256 string `json:"sha256"`
}

// MadeWith lists the masters of the library that a content went into, also by
// way of other masters, in the order of the library. A master that does not tell
// what it was made of is listed in unreadable.
func (l *Library) MadeWith(sha256 string) (made []Made, unreadable []error) {
	inputs := make([][]Input, len(l.Masters))
	contents := make([]string, len(l.Masters))
	for i, m := range l.Masters {
		p, err := ReadProvenance(m.Path)
		if err == nil {
			contents[i], err = l.Content(m)
		}
		if err != nil {
			unreadable = append(unreadable, err)
			continue
		}
		inputs[i] = p.Inputs
	}
	within := map[string]bool{sha256: true}
	taken := make([]bool, len(l.Masters))
	for more := true; more; {
		more = false
		for i := range inputs {
			if !taken[i] && slices.ContainsFunc(inputs[i], func(in Input) bool { return within[in.SHA256] }) {
				within[contents[i]], taken[i], more = true, true, true
			}
		}
	}
	made = []Made{}
	for i, m := range l.Masters {
		if taken[i] {
			made = append(made, Made{m.Path, m.Kind, contents[i]})
		}
	}
	return made, unreadable
}

// Use is a product in which a content is.
type Use struct {
	Product string `json:"product"`
	// Through names the master, or the frame of a cube, by way of which the
	// content is in the product; empty: the product's header lists it.
	Through string `json:"through,omitempty"`
}

// FindUses goes through the headers of some files for the calibrated frames that
// were made with a content, or with one of the masters that it went into, and for
// the cubes of such frames. A FITS file that this software did not write is
// listed in unreadable.
func FindUses(sha256 string, made []Made, files []string) (uses []Use, unreadable []error) {
	uses = []Use{}
	var cubes []*Provenance
	for _, path := range files {
		p, err := ReadProvenance(path)
		if err != nil {
			unreadable = append(unreadable, err)
			continue
		}
		switch p.What {
		case whatFrame:
			if through, ok := usedIn(p.Inputs, sha256, made); ok {
				uses = append(uses, Use{path, through})
			}
		case whatCube:
			cubes = append(cubes, p)
		}
	}
	if len(cubes) == 0 {
		return uses, unreadable
	}
	frames, errs := contentsOf(uses)
	for _, p := range cubes {
		if through, ok := usedIn(p.Inputs, sha256, frames); ok {
			uses = append(uses, Use{p.File, through})
		}
	}
	return uses, append(unreadable, errs...)
}

// FindUsesOfSensor goes through some files for the calibrated frames whose
// profile took the figures of a characterisation with a given identity.
func FindUsesOfSensor(identity string, files []string) (uses []Use, unreadable []error) {
	uses = []Use{}
	for _, path := range files {
		switch took, err := tookSensor(path, identity); {
		case err != nil:
			unreadable = append(unreadable, err)
		case took:
			uses = append(uses, Use{Product: path})
		}
	}
	return uses, unreadable
}

func tookSensor(path, identity string) (bool, error) {
	p, err := ReadProvenance(path)
	if err != nil || p.What != whatFrame {
		return false, err
	}
	f, err := fitsutil.Open(path)
	if err != nil {
		return false, err
	}
	defer f.Close()
	text, err := readProfile(f)
	if err != nil {
		return false, fmt.Errorf("%s: %w", path, err)
	}
	q, err := configs.Parse(path+" (profile)", text, configs.Overrides{})
	if err != nil {
		return false, err
	}
	return slices.ContainsFunc(q.Detectors, func(d configs.Detector) bool {
		return d.Name == p.Detector && d.Characterised != nil && d.Characterised.SHA256 == identity
	}), nil
}

// contentsOf reads products for their contents.
func contentsOf(uses []Use) (out []Made, unreadable []error) {
	for _, u := range uses {
		sha, _, err := fitsutil.HashFile(u.Product)
		if err != nil {
			unreadable = append(unreadable, err)
			continue
		}
		out = append(out, Made{Path: u.Product, Kind: whatFrame, SHA256: sha})
	}
	return out, unreadable
}

func usedIn(inputs []Input, sha256 string, made []Made) (through string, ok bool) {
	has := func(sha string) bool {
		return slices.ContainsFunc(inputs, func(in Input) bool { return in.SHA256 == sha })
	}
	if has(sha256) {
		return "", true
	}
	for _, m := range made {
		if has(m.SHA256) {
			return filepath.Base(m.Path), true
		}
	}
	return "", false
}

// Choice says which masters a scene frame would be made with.
type Choice struct {
	Raw      string    `json:"raw"`
	Detector string    `json:"detector"`
	Plane    int       `json:"plane,omitempty"` // of a cube, from 1
	Band     string    `json:"band,omitempty"`
	Time     time.Time `json:"time"`
	Masters  []Input   `json:"masters"`
	// Missing says which master is not there, and why; empty: all are.
	Missing string `json:"missing,omitempty"`
}

// Choose tells which masters of the library the scene frames in a raw file would
// be made with, from their headers alone. Frames of other kinds are passed over.
func (in *Instrument) Choose(lib *Library, path string) ([]Choice, error) {
	frames, errs := in.survey([]string{path}, 1)
	if len(errs[0]) > 0 {
		return nil, errs[0][0]
	}
	chooser := NewChooser(in, lib)
	var out []Choice
	for _, f := range frames {
		if f.Info.Kind != configs.KindScene {
			continue
		}
		n := in.need(f)
		c := Choice{Raw: path, Detector: n.Detector, Band: n.Band, Time: n.Time.UTC(), Masters: []Input{}}
		if f.Planes > 1 {
			c.Plane = f.Plane + 1
		}
		inputs, missing := chooser.Inputs(n, nil)
		for _, input := range inputs {
			if input.SHA256 != "" {
				c.Masters = append(c.Masters, input)
			}
		}
		if missing != nil {
			c.Missing = missing.Error()
		}
		out = append(out, c)
	}
	return out, nil
}
