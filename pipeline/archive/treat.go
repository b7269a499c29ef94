package archive

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"go.uber.org/zap"

	"evenlight/configs"
	"evenlight/fitsutil"
	"evenlight/pipeline"
	"evenlight/pipeline/ledger"
)

// task is a raw file that something is to be made of.
type task struct {
	src  *source
	path string // where the raw file belongs
	read string // where it is read from: path, or its place in quarantine
	// folder, name and stamp are of the place that was looked at; an empty
	// stamp: none.
	place ledger.Place
	// old is what the place held before; zero: nothing that is known.
	old ledger.Hash
	// remake tells for which parts a product is made although there is a
	// current one; nil: for none.
	remake map[partKey]bool
	only   bool // nothing is made of its other parts
}

// partKey tells the parts of a raw file apart.
type partKey struct {
	detector string
	plane    int
}

// ending says what became of a raw file.
type ending struct {
	sha                          ledger.Hash
	done, adopted, known         int // products
	skipped, failed, warned      int // frames
	gone, changed                bool
	reports                      []pipeline.FrameReport
	failures                     []pipeline.Failure
	bytes                        int64 // written
	returned, quarantined, again bool
}

// lane is what one goroutine treats files with.
type lane struct {
	a      *Archive
	run    *run
	cal    map[*source]*pipeline.Calibrator
	see    *foresight
	reader *pipeline.ProductReader
}

// run is what all lanes of a run share.
type run struct {
	id        int64 // in the ledger
	open      *opener
	exposures map[*source]*pipeline.Exposures
	turn      *ledger.Turn
	missing   map[*source]bool // whose folders are not there: they are left alone
	total     int              // files of all batches together; 0: there is one batch
	done      int              // of them

	minFreeGiB float64 // room that is to stay free

	mu    sync.Mutex
	busy  map[ledger.Hash]*sync.Mutex // contents that a lane is at work on
	paths map[string]ledger.Hash      // of products that are being made, and of what
}

// claim takes the path of a product for a content until its file is done with;
// false if another has it.
func (r *run) claim(path string, raw ledger.Hash) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.paths == nil {
		r.paths = map[string]ledger.Hash{}
	}
	if has, ok := r.paths[path]; ok && has != raw {
		return false
	}
	r.paths[path] = raw
	return true
}

// unclaim gives back the paths of a content.
func (r *run) unclaim(raw ledger.Hash) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for path, has := range r.paths { // they are few
		if has == raw {
			delete(r.paths, path)
		}
	}
}

// hold makes lanes take turns at files of one content, and returns what ends a
// lane's.
func (r *run) hold(sha ledger.Hash) (release func()) {
	r.mu.Lock()
	if r.busy == nil {
		r.busy = map[ledger.Hash]*sync.Mutex{}
	}
	m := r.busy[sha]
	if m == nil {
		m = &sync.Mutex{}
		r.busy[sha] = m
	}
	r.mu.Unlock()
	m.Lock()
	return m.Unlock
}

// framesInFlight is the number of files treated at a time: while one is being
// synced to the disk, the other is calculated.
const framesInFlight = 2

// lanesFor returns what the goroutines of a run work with. Lanes share the
// masters in memory, and keep them from run to run.
func (a *Archive) lanesFor(r *run) []*lane {
	if a.lanes == nil {
		a.lanes = a.newLanes()
	}
	for _, l := range a.lanes {
		l.run, l.see = r, a.newForesight(r.exposures)
		for s, c := range l.cal {
			c.Follow(r.exposures[s])
		}
	}
	return a.lanes
}

func (a *Archive) newLanes() []*lane {
	lanes := make([]*lane, framesInFlight)
	for i := range lanes {
		lanes[i] = &lane{a: a, cal: map[*source]*pipeline.Calibrator{}, reader: pipeline.NewProductReader()}
	}
	for _, s := range a.sources {
		cals := pipeline.NewCalibrators(len(lanes), s.in, a.masters.lib, pipeline.CalibratorOptions{
			Workers: a.opt.Workers, CacheMiB: a.cfg.Intake.CacheMiB / len(a.sources),
			Open: func(path string) (*os.File, error) { return lanes[0].run.open.open(path) }})
		for i := range lanes {
			lanes[i].cal[s] = cals[i]
		}
	}
	return lanes
}

// treat makes what is to be made of a raw file and records it. An error is of
// the surroundings, such as a full disk: the file is as it was, and the run
// should stop.
func (l *lane) treat(ctx context.Context, t *task) (*ending, error) {
	l.a.beat()
	start := l.a.opt.Now()
	raw := l.cal[t.src].Open(t.read)
	if raw.SHA256 == "" {
		return l.unread(t, errors.Join(raw.Errs...))
	}
	sha, err := ledger.ParseHash(raw.SHA256)
	if err != nil {
		return nil, err
	}
	defer l.run.hold(sha)()
	defer l.run.unclaim(sha)
	end := &ending{sha: sha}
	frame, err := l.frame(ctx, t, raw, sha, start)
	if err != nil {
		return nil, err
	}
	// A failure of the file as a whole is recorded last: a product of a part of
	// it would take it away.
	whole := *frame
	whole.Failure, whole.FailedAs = "", ledger.Hash{}
	outcomes := []ledger.Outcome{{Frame: &whole}}
	for _, f := range raw.Frames {
		o, err := l.part(ctx, t, f, sha, end)
		if err != nil {
			// What was made of other parts is adopted the next time.
			return nil, err
		}
		if o != nil {
			outcomes = append(outcomes, *o)
		}
	}
	for _, err := range raw.Errs {
		end.fail(t, err.Error())
	}
	if len(raw.Errs) > 0 {
		outcomes = append(outcomes, ledger.Outcome{Frame: frame})
	}
	if err := l.a.led.Record(ctx, outcomes...); errors.Is(err, ledger.ErrUnfit) {
		return l.unfit(t, err), nil
	} else if err != nil {
		return nil, err
	}
	l.a.aside.Lock()
	defer l.a.aside.Unlock()
	if err := l.a.setAside(ctx, l.run.open, t, end, frame); err != nil {
		return nil, err
	}
	return end, l.placed(ctx, t, sha)
}

func (e *ending) fail(t *task, reason string) {
	e.failed++
	e.failures = append(e.failures, pipeline.Failure{Raw: t.path, Reason: reason})
}

// unread deals with a file that could not be read to its end.
func (l *lane) unread(t *task, err error) (*ending, error) {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return &ending{gone: true}, nil
	case errors.Is(err, fitsutil.ErrChanged):
		return &ending{changed: true}, nil
	case ofSurroundings(err):
		return nil, err
	}
	end := &ending{again: true}
	end.fail(t, err.Error())
	l.a.opt.Log.Error(EventFrameUnread, zap.String("raw", t.read), zap.Error(err))
	return end, nil
}

// unfit deals with a file that says of itself what no ledger can hold.
func (l *lane) unfit(t *task, err error) *ending {
	end := &ending{again: true}
	end.fail(t, err.Error())
	return end
}

// ofSurroundings tells whether an error says nothing of the file that was
// treated and everything of where that was tried.
func ofSurroundings(err error) bool {
	var write *pipeline.WriteError
	if errors.As(err, &write) || errors.Is(err, ledger.ErrTurnLost) {
		return true
	}
	for _, e := range []error{syscall.ENOSPC, syscall.EDQUOT, syscall.EROFS, syscall.EIO, syscall.EMFILE, syscall.ENFILE, syscall.ENOMEM, syscall.ESTALE} {
		if errors.Is(err, e) {
			return true
		}
	}
	return false
}

// frame is what the ledger will know of the raw file. Its path is the place
// that it has, as long as its content is there, else the new one.
func (l *lane) frame(ctx context.Context, t *task, raw *pipeline.RawFile, sha ledger.Hash, seen time.Time) (*ledger.Frame, error) {
	if info, err := os.Lstat(t.read); err == nil && l.a.rebuilt {
		seen = info.ModTime()
	}
	f := &ledger.Frame{SHA256: sha, Path: t.path, Bytes: raw.Bytes, Seen: seen}
	old, err := l.a.led.Frame(ctx, sha)
	switch {
	case errors.Is(err, ledger.ErrUnknown):
	case err != nil:
		return nil, err
	default:
		f.Seen = old.Seen
		if old.Path != "" && old.Path != t.path && l.a.holds(ctx, old.Path, sha) {
			f.Path = old.Path
		}
	}
	if l.a.taken(ctx, t, sha) {
		f.Path = t.read
	}
	for _, fr := range raw.Frames {
		if fr.Info.Kind != configs.KindIgnore { // nothing else is known of those
			f.Parts = append(f.Parts, t.src.part(fr))
		}
	}
	f.Parts = append(f.Parts, t.src.partsOfHeader(raw.Header)...)
	if len(raw.Errs) > 0 {
		var reasons []string
		for _, e := range raw.Errs {
			reasons = append(reasons, e.Error())
		}
		f.Failure, f.FailedAs = strings.ToValidUTF8(strings.Join(reasons, "; "), "?"), t.src.wholeFile(sha)
	}
	return f, nil
}

// taken tells whether a frame that is read from quarantine has lost its place to
// another content.
func (a *Archive) taken(ctx context.Context, t *task, sha ledger.Hash) bool {
	return t.read != t.path && isThere(t.path) && !a.holds(ctx, t.path, sha)
}

// holds tells whether a place still has the content that is known of it.
func (a *Archive) holds(ctx context.Context, path string, sha ledger.Hash) bool {
	places, err := a.led.PlacesOf(ctx, sha)
	if err != nil {
		return false
	}
	for _, p := range places {
		if filepath.Join(p.Folder, p.Name) != path {
			continue
		}
		info, err := os.Lstat(path)
		return err == nil && info.Mode().IsRegular() && strings.HasPrefix(p.Stamp, stampOf(info)+" ")
	}
	return false
}

// kindUnreadable is the kind of the parts of a file whose samples cannot be
// read.
const kindUnreadable = "unreadable"

// partsOfHeader are the parts of a file whose samples cannot be read, by its
// header: they may have left something in the frame after them.
func (s *source) partsOfHeader(info *configs.FrameInfo) []ledger.Part {
	if info == nil || info.Kind == configs.KindIgnore {
		return nil
	}
	var parts []ledger.Part
	for i := range s.in.Profile.Detectors {
		p := s.part(&pipeline.Frame{Detector: i, Info: *info})
		p.Kind = kindUnreadable
		parts = append(parts, p)
	}
	return parts
}

// part makes the product of one frame, if it is a scene and has none.
func (l *lane) part(ctx context.Context, t *task, f *pipeline.Frame, raw ledger.Hash, end *ending) (*ledger.Outcome, error) {
	p := t.src.part(f)
	if p.Kind != configs.KindScene {
		end.skipped++
		return nil, nil
	}
	key := partKey{p.Detector, p.Plane}
	if t.only && !t.remake[key] {
		return nil, nil
	}
	identity, missing, err := l.see.product(t.src, raw, &p)
	if err != nil {
		return nil, err
	}
	id := ledger.ProductID(identity)
	have, haveID, err := l.a.current(ctx, raw, p)
	if err != nil {
		return nil, err
	}
	if have != nil && (haveID == id || !t.remake[key]) && isWhole(have.Path, have.Bytes) {
		end.known++
		return nil, nil
	}
	if missing != nil {
		return l.failure(t, end, raw, p, id, &pipeline.FrameError{Path: t.path, Err: missing}), nil
	}
	path, err := l.pathFor(ctx, t, f, raw, have)
	if err != nil {
		return nil, err
	}
	o, err := l.adopt(ctx, t, path, identity, end)
	if o != nil || err != nil {
		return o, err
	}
	return l.make(t, f, raw, p, identity, path, end)
}

// current returns the current product of a part and its identity; nil if it has
// none.
func (a *Archive) current(ctx context.Context, raw ledger.Hash, p ledger.Part) (found *ledger.Product, id ledger.Hash, err error) {
	err = a.led.ProductsOf(ctx, raw, func(have ledger.Hash, _ string) error {
		product, _, err := a.led.Product(ctx, have)
		if err != nil {
			return err
		}
		// The frame may have served other products, too, as the frame before.
		itself := slices.Contains(product.Inputs, ledger.Input{Role: ledger.RoleRaw, SHA256: raw})
		if itself && product.What == pipeline.ProductFrame && product.Detector == p.Detector && product.Plane == p.Plane {
			found, id = &product, have
		}
		return nil
	})
	return found, id, err
}

// failure records that a product could not be made.
func (l *lane) failure(t *task, end *ending, raw ledger.Hash, p ledger.Part, wanted ledger.Hash, err error) *ledger.Outcome {
	end.fail(t, err.Error())
	return &ledger.Outcome{Failure: &ledger.Failure{Wanted: wanted, Frame: raw, Detector: p.Detector, Plane: p.Plane, Message: strings.ToValidUTF8(err.Error(), "?")}}
}

// pathFor is where the product of a frame goes: where the one that it has lies,
// also if the raw file has moved meanwhile; else where its name leads, unless
// the product of another content lies there that has not lost its place.
func (l *lane) pathFor(ctx context.Context, t *task, f *pipeline.Frame, raw ledger.Hash, have *ledger.Product) (string, error) {
	if have != nil {
		return have.Path, nil
	}
	path := l.a.productPath(t.src, t.path, f)
	apart := l.a.taken(ctx, t, raw) || !l.run.claim(path, raw)
	other, found, err := l.a.led.ProductAt(ctx, path)
	if err != nil {
		return "", err
	}
	if i := slices.IndexFunc(other.Inputs, func(in ledger.Input) bool { return in.Role == ledger.RoleRaw }); found && i >= 0 && !apart {
		apart, err = l.a.lives(ctx, t.path, raw, other.Inputs[i].SHA256)
	}
	if apart {
		path = strings.TrimSuffix(path, ".fits") + "~" + short(raw) + ".fits"
	}
	return path, err
}

// lives tells whether another content than the one that is at a place now is
// somewhere in the archive.
func (a *Archive) lives(ctx context.Context, place string, now, other ledger.Hash) (bool, error) {
	if other == now {
		return true, nil // another part of the same file
	}
	frame, err := a.led.Frame(ctx, other)
	if err != nil || frame.Path == "" {
		return false, err
	}
	return frame.Path != place && a.holds(ctx, frame.Path, other) || a.anotherPlace(ctx, place, other) != "" || isThere(a.entryOf(other)), nil
}

// productPath is where the product of a frame lies: below the folder of products
// in folders named as the raw file's. Unless the raw file's name ends in .fits
// all of it is kept, so that no two files have products of one name.
func (a *Archive) productPath(s *source, raw string, f *pipeline.Frame) string {
	rel, _ := below(s.Folder, raw)
	return filepath.Join(a.cfg.Products, s.Name, filepath.Dir(rel), f.ProductName(s.in.Profile, filepath.Base(raw)))
}

// adopt takes a product that is there and that the ledger does not know yet,
// because the process that made it was stopped, or because the ledger is new.
func (l *lane) adopt(ctx context.Context, t *task, path string, want ledger.Identity, end *ending) (*ledger.Outcome, error) {
	if !isThere(path) {
		return nil, nil
	}
	record, err := l.reader.Read(path)
	if err != nil {
		return nil, nil // it is made anew, and what lies there is kept aside
	}
	o, _, err := outcomeOf(record, path)
	if err != nil || ledger.ProductID(o.Product.Identity) != ledger.ProductID(want) {
		return nil, nil
	}
	if o.Kept, err = l.keptBefore(ctx, t, end.sha, path); err != nil {
		return nil, err
	}
	o.Product.Run = l.run.id
	if info, err := os.Lstat(path); err == nil {
		o.Product.Made = info.ModTime()
	}
	end.adopted++
	l.a.opt.Log.Info(EventFrameAdopted, zap.String("product", path))
	return o, nil
}

// keptBefore finds where the version was put whose place a product has taken
// that the ledger does not know yet; "" if it was not kept.
func (l *lane) keptBefore(ctx context.Context, t *task, raw ledger.Hash, path string) (kept string, err error) {
	rel, _ := below(l.a.cfg.Products, path)
	for _, sha := range []ledger.Hash{raw, t.old} {
		err := l.a.led.ProductsOf(ctx, sha, func(id ledger.Hash, at string) error {
			p, _, err := l.a.led.Product(ctx, id)
			if err != nil || at != path {
				return err
			}
			if to := l.a.earlierPath(rel, p.SHA256.String()); isThere(to) {
				kept = to
			}
			return nil
		})
		if err != nil {
			return "", err
		}
	}
	return kept, nil
}

// outcomeOf is what a product tells of itself, as the ledger records it, and the
// recipe that it was made by.
func outcomeOf(r *pipeline.ProductRecord, path string) (*ledger.Outcome, *ledger.Recipe, error) {
	sha, err := ledger.ParseHash(r.SHA256)
	if err != nil {
		return nil, nil, err
	}
	raw, err := ledger.ParseHash(r.RawSHA)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: its raw frame: %w", path, err)
	}
	profile, err := ledger.ParseHash(r.ProfileHash)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: its profile: %w", path, err)
	}
	how := &ledger.Recipe{Profile: profile, Version: r.Version, Text: string(r.Profile)}
	s := &source{recipe: how.Hash()}
	id, err := s.identity(raw, r.Frame, r.Plane, r.Inputs)
	if err != nil {
		return nil, nil, err
	}
	id.Algorithm = r.Version
	return &ledger.Outcome{Product: &ledger.Product{Identity: id, Path: path, SHA256: sha, Bytes: r.Bytes}, Metrics: metricsOf(r.Figures)}, how, nil
}

func metricsOf(figures []pipeline.Figure) []ledger.Metric {
	out := make([]ledger.Metric, len(figures))
	for i, f := range figures {
		out[i] = ledger.Metric{Name: f.Name, Value: f.Value}
	}
	return out
}

// make makes the product of a frame.
func (l *lane) make(t *task, f *pipeline.Frame, raw ledger.Hash, p ledger.Part, want ledger.Identity, path string, end *ending) (*ledger.Outcome, error) {
	start := time.Now() // for a duration, which no clock that is set can disturb
	if err := makeFolder(l.a.cfg.Products, filepath.Dir(path)); err != nil {
		return nil, &pipeline.WriteError{Path: path, Err: err}
	}
	kept := ""
	report, inputs, err := l.cal[t.src].Make(f, path, func() (err error) {
		if err := l.run.turn.Check(context.Background()); err != nil {
			return err
		}
		if kept, err = l.a.keepEarlier(path); err != nil {
			return &pipeline.WriteError{Path: path, Err: err}
		}
		return nil
	})
	if err != nil {
		if ofSurroundings(err) {
			return nil, err
		}
		return l.failure(t, end, raw, p, ledger.ProductID(want), err), nil
	}
	digits, size, err := fitsutil.HashFile(path)
	if err != nil {
		return nil, err
	}
	sha, err := ledger.ParseHash(digits)
	if err != nil {
		return nil, err
	}
	id, err := t.src.identity(raw, needOf(&p), p.Plane, inputs)
	if err != nil {
		return nil, err
	}
	end.done++
	end.bytes += size
	if len(report.Warnings) > 0 {
		end.warned++
	}
	report.Raw = t.path
	end.reports = append(end.reports, *report)
	return &ledger.Outcome{Kept: kept, Metrics: metricsOf(report.Figures()), Product: &ledger.Product{Identity: id, Path: path, SHA256: sha, Bytes: size,
		Made: l.a.opt.Now(), Took: time.Since(start) / framesInFlight, Run: l.run.id}}, nil
}

// placed records that a place was looked at, so that it is not looked at again.
func (l *lane) placed(ctx context.Context, t *task, sha ledger.Hash) error {
	if t.place.Stamp == "" {
		return nil
	}
	p := t.place
	p.SHA256 = sha
	if err := l.a.led.SetPlaces(ctx, p); err != nil || t.old.IsZero() || t.old == sha {
		return err
	}
	return l.a.replaced(ctx, t.path, t.old)
}
