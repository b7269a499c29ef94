package archive

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"

	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/ledger"
)

// Options says how an archive is worked on.
type Options struct {
	Workers int  // goroutines for the rows of one frame
	Check   bool // search the ledger for damage first, which reads all of it
	Log     *zap.Logger
	// Now is the clock; nil: time.Now. Only what is written to the ledger and
	// the journal depends on it.
	Now func() time.Time
	// Reload, if set, asks a service to end so that it can begin anew with
	// another configuration; Changed, if set, tells that there is one.
	Reload  <-chan os.Signal
	Changed func() bool
	// Beat, if set, is called ever so often while there is work.
	Beat func()
	// Progress, if set, is told of each file when it is done.
	Progress func(done, total int, name string)
}

// Archive is an archive that is open.
type Archive struct {
	cfg     *configs.Archive
	led     *ledger.Ledger
	opt     Options
	sources []*source
	masters *masters // nil: not looked at yet
	lanes   []*lane  // nil: to be made, with the masters as they are now
	rebuilt bool     // nothing was taken in since the ledger was made anew

	// aside makes lanes take turns at the entries of quarantine: files of several
	// contents can concern one entry.
	aside sync.Mutex
}

// source is a folder of raw frames and the camera that they are from.
type source struct {
	configs.Source
	in     *pipeline.Instrument
	how    ledger.Recipe
	recipe ledger.Hash // of how
	reads  string      // how its profile reads headers
}

// Open opens the ledger of an archive and reads the profiles of its sources.
// Errors are those of the ledger and the profiles, and that two sources give
// unlike profiles to one instrument, whose frames could then have two products.
func Open(ctx context.Context, cfg *configs.Archive, opt Options) (*Archive, error) {
	if opt.Now == nil {
		opt.Now = time.Now
	}
	a := &Archive{cfg: cfg, opt: opt}
	if err := a.readProfiles(); err != nil {
		return nil, err
	}
	led, err := ledger.Open(ctx, cfg.Ledger, ledger.Options{SkipCheck: !opt.Check})
	if err != nil {
		return nil, err
	}
	a.led = led
	return a, nil
}

func (a *Archive) beat() {
	if a.opt.Beat != nil {
		a.opt.Beat()
	}
}

// Close closes the ledger.
func (a *Archive) Close() error { return a.led.Close() }

// Ledger is the archive's ledger.
func (a *Archive) Ledger() *ledger.Ledger { return a.led }

func (a *Archive) readProfiles() error {
	of := map[string]*source{}
	for _, s := range a.cfg.Sources {
		p, _, err := s.LoadProfile() // whoever read the configuration has warned
		if err != nil {
			return fmt.Errorf("source %s: %w", s.Name, err)
		}
		in := pipeline.NewInstrument(p)
		if err := in.Check(); err != nil {
			return fmt.Errorf("source %s: %s: %w", s.Name, s.Profile, err)
		}
		hash, err := ledger.ParseHash(in.Hash)
		if err != nil {
			return fmt.Errorf("source %s: %w", s.Name, err)
		}
		how := ledger.Recipe{Profile: hash, Version: pipeline.Version, Text: string(p.Canonical())}
		reads, err := in.HeaderMap()
		if err != nil {
			return fmt.Errorf("source %s: %w", s.Name, err)
		}
		src := &source{Source: s, in: in, how: how, recipe: how.Hash(), reads: reads}
		if o := of[p.Instrument]; o != nil && o.in.Hash != in.Hash {
			return fmt.Errorf("sources %s and %s are of one instrument, %s, and their profiles differ: a frame would have two products; give both the same profile, or the instruments different names", o.Name, s.Name, p.Instrument)
		}
		of[p.Instrument] = src
		a.sources = append(a.sources, src)
	}
	return nil
}

// prepare makes what has to be there before anything is made: the folders, and
// the records of how products are made and of the masters. It is called with the
// turn in hand. It tells whether the masters changed since the last time.
func (a *Archive) prepare(ctx context.Context) (mastersChanged bool, err error) {
	for _, folder := range []string{a.cfg.Masters, a.cfg.Products, a.cfg.Earlier, a.cfg.Quarantine, a.cfg.Journal} {
		if err := os.MkdirAll(folder, 0o777); err != nil {
			return false, fmt.Errorf("folder of the archive: %w: make it, or allow writing to the folder that it lies in", err)
		}
	}
	for _, s := range a.sources {
		if _, err := a.led.AddRecipe(ctx, s.how); err != nil {
			return false, err
		}
	}
	if _, err := a.refreshMasters(ctx); err != nil || a.masters.recorded {
		return false, err
	}
	return true, a.recordMasters(ctx)
}

// ErrLedgerLost: the ledger is new and the archive is not.
var ErrLedgerLost = errors.New("the ledger is empty, and there are products: it was lost, or its address is wrong; correct the address, or make the ledger anew from the products' headers with 'evenlight ledger rebuild --archive FILE'")

// notUnmounted makes sure that ledger and products belong together: an empty
// ledger beside products was lost, and an empty folder of products that the
// ledger knows is one whose file system is not mounted.
func (a *Archive) notUnmounted(ctx context.Context) error {
	n, err := a.led.Stats(ctx)
	if err != nil {
		return err
	}
	runs, err := a.led.Runs(ctx, 1) // a run is recorded before its first product
	if err != nil {
		return err
	}
	some, err := anyProduct(a.cfg.Products)
	switch {
	case err != nil:
		return err
	case some && n.Frames == 0 && n.Products == 0 && len(runs) == 0:
		return ErrLedgerLost
	case !some && n.Products > 0:
		return fmt.Errorf("%s holds no product, and the ledger knows %d: see that its file system is mounted; if the products are really gone, move the ledger away and begin anew", a.cfg.Products, n.Products)
	}
	return nil
}

// anyProduct tells whether a FITS file lies in a folder or below it.
func anyProduct(folder string) (bool, error) {
	found := false
	err := filepath.WalkDir(folder, func(path string, e fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		if err == nil && e.Type().IsRegular() && pipeline.IsFITSName(path) {
			found = true
			return fs.SkipAll
		}
		return err
	})
	return found, err
}

// sourceOf finds the source that a raw file lies in; nil: none.
func (a *Archive) sourceOf(path string) *source {
	for _, s := range a.sources {
		if _, ok := below(s.Folder, path); ok {
			return s
		}
	}
	return nil
}

// sourceFor finds a source of an instrument; nil: none.
func (a *Archive) sourceFor(instrument string) *source {
	for _, s := range a.sources {
		if s.in.Profile.Instrument == instrument {
			return s
		}
	}
	return nil
}

// below returns the path of a file relative to a folder that it lies in. It
// looks at the names alone; both are absolute and clean.
func below(folder, path string) (string, bool) {
	rel, ok := strings.CutPrefix(path, strings.TrimSuffix(folder, string(filepath.Separator))+string(filepath.Separator))
	return rel, ok && rel != ""
}

// identity is what makes the product of a frame what it is.
func (s *source) identity(raw ledger.Hash, n pipeline.Need, plane int, inputs []pipeline.Input) (ledger.Identity, error) {
	id := ledger.Identity{What: pipeline.ProductFrame, Detector: n.Detector, Plane: plane, Recipe: s.recipe, Algorithm: pipeline.Version,
		Inputs: []ledger.Input{{Role: ledger.RoleRaw, SHA256: raw}}}
	for _, in := range inputs {
		if in.Role == ledger.RoleRaw {
			continue
		}
		var sha ledger.Hash // stays zero for a master that is missing
		if in.SHA256 != "" {
			var err error
			if sha, err = ledger.ParseHash(in.SHA256); err != nil {
				return id, fmt.Errorf("input %s: %w", in.Name, err)
			}
		}
		id.Inputs = append(id.Inputs, ledger.Input{Role: in.Role, SHA256: sha})
	}
	return id, nil
}

// wholeFile is the identity of an attempt on a file that fails as a whole: it is
// tried again when the recipe changes.
func (s *source) wholeFile(raw ledger.Hash) ledger.Hash {
	return ledger.ProductID(ledger.Identity{What: "raw file", Recipe: s.recipe, Algorithm: pipeline.Version, Inputs: []ledger.Input{{Role: ledger.RoleRaw, SHA256: raw}}})
}

// part is what the ledger keeps of a frame.
func (s *source) part(f *pipeline.Frame) ledger.Part {
	n := s.in.NeedOf(f)
	p := ledger.Part{Instrument: n.Instrument, Detector: n.Detector, Kind: f.Info.Kind, Mode: n.Mode, Band: n.Band, Begin: n.Time, TempK: n.TempK}
	if f.Planes > 1 {
		p.Plane = f.Plane + 1
	}
	return p
}

// needOf is what the choice of masters looks at in a part.
func needOf(p *ledger.Part) pipeline.Need {
	return pipeline.Need{Instrument: p.Instrument, Detector: p.Detector, Mode: p.Mode, Band: p.Band, Time: p.Begin, TempK: p.TempK}
}

func short(h ledger.Hash) string { return hex.EncodeToString(h[:6]) }
