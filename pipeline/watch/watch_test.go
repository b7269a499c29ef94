package watch

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"testing"
	"time"

	"github.com/fsnotify/fsnotify"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"
)

// patience is how long a test waits for what must come; it is no figure of
// the watcher.
const patience = 30 * time.Second

// running is a watcher at work.
type running struct {
	*Watcher
	t     *testing.T
	logs  *observer.ObservedLogs
	ticks chan time.Time
}

// watching runs a watcher and takes its first change. It rescans when it is
// told to.
func watching(t *testing.T, prepare func(*Watcher), folders ...string) *running {
	t.Helper()
	core, logs := observer.New(zapcore.DebugLevel)
	w, err := New(folders, time.Hour, zap.New(core))
	if err != nil {
		t.Fatal(err)
	}
	ticks := make(chan time.Time)
	w.every = func(time.Duration) (<-chan time.Time, func()) { return ticks, func() {} }
	if prepare != nil {
		prepare(w)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		w.Run(ctx)
	}()
	t.Cleanup(func() {
		cancel()
		<-done
	})
	r := &running{w, t, logs, ticks}
	if c := r.next(); !c.All() || c.Why != WhyStart {
		t.Fatalf("the first change is %+v, want all at the start", c)
	}
	return r
}

// next waits for a change.
func (r *running) next() Change {
	r.t.Helper()
	select {
	case c, ok := <-r.Changes():
		if !ok {
			r.t.Fatal("the channel of changes is closed")
		}
		return c
	case <-time.After(patience):
		r.t.Fatal("no change is told")
	}
	return Change{}
}

// tells waits until each of the folders was told, and returns what came.
func (r *running) tells(folders ...string) []Change {
	r.t.Helper()
	var got []Change
	for missing := slices.Clone(folders); len(missing) > 0; {
		c := r.next()
		got = append(got, c)
		missing = slices.DeleteFunc(missing, func(f string) bool { return f == c.Folder })
	}
	return got
}

// tellsAll waits until everything is to be looked at for a reason.
func (r *running) tellsAll(why string) {
	r.t.Helper()
	for c := r.next(); !c.All() || c.Why != why; c = r.next() {
	}
}

// rescanNow lets the interval be over.
func (r *running) rescanNow() {
	r.t.Helper()
	for {
		select {
		case r.ticks <- time.Time{}:
			r.tellsAll(WhyRescan)
			return
		case <-r.Changes(): // of before
		case <-time.After(patience):
			r.t.Fatal("the watcher does not take the time")
		}
	}
}

// logged returns how often an event was logged.
func (r *running) logged(event string) int { return r.logs.FilterMessage(event).Len() }

func makeFolder(t *testing.T, parts ...string) string {
	t.Helper()
	path := filepath.Join(parts...)
	if err := os.MkdirAll(path, 0o777); err != nil {
		t.Fatal(err)
	}
	return path
}

func write(t *testing.T, parts ...string) string {
	t.Helper()
	path := filepath.Join(parts...)
	if err := os.WriteFile(path, []byte("x"), 0o666); err != nil {
		t.Fatal(err)
	}
	return path
}

func rename(t *testing.T, from, to string) {
	t.Helper()
	if err := os.Rename(from, to); err != nil {
		t.Fatal(err)
	}
}

func TestTheFolderOfWhatHappenedIsTold(t *testing.T) {
	t.Parallel()
	for _, test := range []struct {
		name   string
		happen func(t *testing.T, file string)
	}{
		{"a file grows", func(t *testing.T, file string) {
			f, err := os.OpenFile(file, os.O_APPEND|os.O_WRONLY, 0)
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			if _, err := f.WriteString("more"); err != nil {
				t.Fatal(err)
			}
		}},
		{"a file is removed", func(t *testing.T, file string) {
			if err := os.Remove(file); err != nil {
				t.Fatal(err)
			}
		}},
		{"a file gets another name", func(t *testing.T, file string) { rename(t, file, file+"2") }},
		{"a file becomes readable", func(t *testing.T, file string) {
			if err := os.Chmod(file, 0o640); err != nil {
				t.Fatal(err)
			}
		}},
		{"a file of a hostile name arrives", func(t *testing.T, file string) {
			write(t, filepath.Dir(file), "a 'quoted' \"name\"\nof two lines, \x01 \xff é 名.fits")
		}},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			top := t.TempDir()
			deep := makeFolder(t, top, "pass 1", "night\n2")
			file := write(t, deep, "a.fits")
			r := watching(t, nil, top)
			test.happen(t, file)
			for _, c := range r.tells(deep) {
				if c != (Change{Folder: deep, Why: WhyChanged}) {
					t.Errorf("%+v is told, where only %q changed", c, deep)
				}
			}
		})
	}
}

func TestPathsAreToldCleanedAndAsTheyWereGiven(t *testing.T) {
	t.Chdir(t.TempDir())
	makeFolder(t, "raw", "a")
	for given, want := range map[string]string{"./raw//": "raw/a", ".": "raw/a"} {
		r := watching(t, nil, given)
		write(t, "raw", "a", "1.fits")
		r.tells(want)
	}
}

func TestNewFoldersAreToldWithWhatTheyHold(t *testing.T) {
	t.Parallel()
	top, outside := t.TempDir(), t.TempDir()
	r := watching(t, nil, top)
	// Made elsewhere and moved here: no event tells of the files inside.
	deep := makeFolder(t, outside, "tree", "a", "b")
	write(t, deep, "1.fits")
	rename(t, filepath.Join(outside, "tree"), filepath.Join(top, "tree"))
	inside := filepath.Join(top, "tree", "a", "b")
	r.tells(top, filepath.Join(top, "tree"), filepath.Join(top, "tree", "a"), inside)
	write(t, inside, "2.fits")
	r.tells(inside)
}

func TestRenamedFoldersAreToldUnderBothNames(t *testing.T) {
	t.Parallel()
	top := t.TempDir()
	makeFolder(t, top, "old", "deep")
	r := watching(t, nil, top)
	rename(t, filepath.Join(top, "old"), filepath.Join(top, "new"))
	r.tells(filepath.Join(top, "old"), filepath.Join(top, "old", "deep"), filepath.Join(top, "new"), filepath.Join(top, "new", "deep"))
	// The watch set before the renaming would tell of the old name.
	write(t, top, "new", "deep", "1.fits")
	for _, c := range r.tells(filepath.Join(top, "new", "deep")) {
		if c.Folder != filepath.Join(top, "new", "deep") {
			t.Errorf("%+v is told, of a name that is gone", c)
		}
	}
}

func TestFolderThatIsRemovedAndMadeAgainIsWatched(t *testing.T) {
	t.Parallel()
	top := t.TempDir()
	sub := makeFolder(t, top, "a")
	r := watching(t, nil, top)
	for range 3 {
		if err := os.RemoveAll(sub); err != nil {
			t.Fatal(err)
		}
		makeFolder(t, sub)
		r.tells(top, sub)
	}
	write(t, sub, "1.fits")
	r.tells(sub)
}

func TestLinksAreNotFollowed(t *testing.T) {
	t.Parallel()
	top, outside := t.TempDir(), t.TempDir()
	makeFolder(t, outside, "deep")
	link := func(name string) {
		t.Helper()
		if err := os.Symlink(outside, filepath.Join(top, name)); err != nil {
			t.Fatal(err)
		}
	}
	link("before")
	r := watching(t, nil, top)
	link("after")
	r.tells(top)
	write(t, outside, "1.fits")
	write(t, outside, "deep", "1.fits")
	// Nothing tells of the outside before what happens inside.
	last := makeFolder(t, top, "last")
	for _, c := range r.tells(last) {
		if c.Folder != top && c.Folder != last {
			t.Errorf("%+v is told: a link was followed", c)
		}
	}
}

func TestFolderReplacedByALinkIsNotWatched(t *testing.T) {
	t.Parallel()
	top, outside := t.TempDir(), t.TempDir()
	sub := makeFolder(t, top, "a")
	r := watching(t, func(w *Watcher) {
		w.open = func() (*source, error) {
			s, err := listen()
			if err != nil {
				return nil, err
			}
			s.add = func(folder string) error {
				// The last moment at which the folder can be replaced.
				if folder == sub && os.Remove(sub) == nil {
					if err := os.Symlink(outside, sub); err != nil {
						return err
					}
				}
				return s.Add(folder)
			}
			return s, nil
		}
	}, top)
	write(t, outside, "1.fits")
	last := makeFolder(t, top, "last")
	for _, c := range r.tells(last) {
		if c.Folder != top && c.Folder != last {
			t.Errorf("%+v is told: a link was followed", c)
		}
	}
}

func TestWatchedFolderMayBeALink(t *testing.T) {
	t.Parallel()
	target, dir := t.TempDir(), t.TempDir()
	top := filepath.Join(dir, "raw")
	if err := os.Symlink(target, top); err != nil {
		t.Fatal(err)
	}
	sub := makeFolder(t, target, "a")
	r := watching(t, nil, top)
	write(t, sub, "1.fits")
	r.tells(filepath.Join(top, "a"))
}

func TestFileThatIsBeingWrittenNeitherFloodsNorStarves(t *testing.T) {
	t.Parallel()
	top := t.TempDir()
	busy, calm := makeFolder(t, top, "busy"), makeFolder(t, top, "calm")
	r := watching(t, nil, top)
	f, err := os.Create(filepath.Join(busy, "long.fits"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	stop, writes := make(chan struct{}), make(chan int)
	go func() {
		n := 0
		for {
			select {
			case <-stop:
				writes <- n
				return
			default:
				if _, err := f.WriteString("x"); err != nil {
					t.Error(err)
				}
				n++
				time.Sleep(time.Millisecond)
			}
		}
	}()
	write(t, calm, "short.fits")
	told := len(r.tells(calm, busy))
	told += len(r.tells(busy)) // it is told again while the writing goes on
	close(stop)
	if n := <-writes; told*10 > n {
		t.Errorf("%d writes and %d changes told", n, told)
	}
}

func TestAllIsToldAtEveryRescan(t *testing.T) {
	t.Parallel()
	w, err := New([]string{t.TempDir()}, 20*time.Millisecond, zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go w.Run(ctx)
	r := &running{Watcher: w, t: t}
	for range 3 {
		r.tellsAll(WhyRescan)
	}
}

func TestFolderThatIsMissingIsReportedOnceAndFoundWhenItComes(t *testing.T) {
	t.Parallel()
	top := filepath.Join(t.TempDir(), "mount", "raw")
	other := t.TempDir()
	r := watching(t, nil, top, other)
	for range 3 {
		r.rescanNow()
	}
	if n := r.logged(EventMissing); n != 1 {
		t.Errorf("%d events of the missing folder, want 1", n)
	}
	makeFolder(t, top)
	r.rescanNow()
	if n := r.logged(EventBack); n != 1 {
		t.Errorf("%d events of its return, want 1", n)
	}
	write(t, top, "1.fits")
	r.tells(top)
}

func TestFolderThatVanishesAndReturnsIsWatchedAgain(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	top, away := makeFolder(t, dir, "raw"), filepath.Join(dir, "away")
	sub := makeFolder(t, top, "a")
	r := watching(t, nil, top)
	for turn := 1; turn <= 2; turn++ {
		rename(t, top, away)
		r.tells(top, sub)
		rename(t, away, top)
		r.rescanNow()
		if missing, back := r.logged(EventMissing), r.logged(EventBack); missing != turn || back != turn {
			t.Errorf("%d events that it is missing and %d that it is back, want %d", missing, back, turn)
		}
		write(t, sub, fmt.Sprintf("%d.fits", turn))
		r.tells(sub)
	}
}

// limitedTo makes listening end in an error after so many watches.
func limitedTo(most *int, limit error) func(*Watcher) {
	return func(w *Watcher) {
		w.open = func() (*source, error) {
			if *most == 0 {
				return nil, limit
			}
			s, err := listen()
			if err != nil {
				return nil, err
			}
			left := *most
			s.add = func(folder string) error {
				if left--; left < 0 {
					return limit
				}
				return s.Add(folder)
			}
			return s, nil
		}
	}
}

func TestWithoutEnoughWatchesTheRescanFindsTheRest(t *testing.T) {
	t.Parallel()
	for name, most := range map[string]int{"no watch at all": 0, "one watch": 1} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			top := t.TempDir()
			makeFolder(t, top, "a", "b")
			r := watching(t, limitedTo(&most, syscall.ENOSPC), top)
			for range 3 {
				r.rescanNow()
			}
			if n := r.logged(EventLimited); n != 1 {
				t.Errorf("%d events of the limit, want 1", n)
			}
			if n := r.logged(EventRestored); n != 0 {
				t.Errorf("%d events that all is watched again, want none", n)
			}
		})
	}
}

func TestNewFolderBeyondTheLimitIsToldNevertheless(t *testing.T) {
	t.Parallel()
	top, outside, most := t.TempDir(), t.TempDir(), 1
	r := watching(t, limitedTo(&most, syscall.ENOSPC), top)
	makeFolder(t, outside, "tree", "a")
	rename(t, filepath.Join(outside, "tree"), filepath.Join(top, "tree"))
	r.tells(filepath.Join(top, "tree"), filepath.Join(top, "tree", "a"))
	if n := r.logged(EventLimited); n != 1 {
		t.Errorf("%d events of the limit, want 1", n)
	}
}

func TestWatchIsCompleteAgainWhenTheLimitIsRaised(t *testing.T) {
	t.Parallel()
	top, most := t.TempDir(), 1
	sub := makeFolder(t, top, "a")
	raised := false
	r := watching(t, func(w *Watcher) {
		limitedTo(&most, syscall.ENOSPC)(w)
		limited := w.open
		w.open = func() (*source, error) {
			if raised {
				return listen()
			}
			raised = true
			return limited()
		}
	}, top)
	r.rescanNow()
	if n := r.logged(EventRestored); n != 1 {
		t.Errorf("%d events that all is watched again, want 1", n)
	}
	write(t, sub, "1.fits")
	r.tells(sub)
}

func TestLostEventsAreLookedFor(t *testing.T) {
	t.Parallel()
	top := t.TempDir()
	opened := make(chan *source, 2)
	r := watching(t, func(w *Watcher) {
		w.open = func() (*source, error) {
			s, err := listen()
			opened <- s
			return s, err
		}
	}, top)
	(<-opened).troubles <- fsnotify.ErrEventOverflow
	r.tellsAll(WhyOverflow)
	sub := makeFolder(t, top, "a")
	r.tells(sub)
	write(t, sub, "1.fits")
	r.tells(sub)
}

// While the watcher is held up, more happens than the system's queue holds: the
// folder that is made last is found nevertheless, and watched.
func TestQueueThatOverflowsLosesNothing(t *testing.T) {
	text, err := os.ReadFile("/proc/sys/fs/inotify/max_queued_events")
	if err != nil {
		t.Skip("the length of the system's queue is not known:", err)
	}
	var length int
	if _, err := fmt.Sscan(string(text), &length); err != nil || length > 100_000 {
		t.Skipf("the system's queue holds %d events (%v): too many to fill here", length, err)
	}
	t.Parallel()
	top := t.TempDir()
	sub, last := filepath.Join(top, "first"), filepath.Join(top, "last")
	flood := func() {
		f, err := os.Create(filepath.Join(top, "1.fits"))
		if err != nil {
			t.Error(err)
			return
		}
		defer f.Close()
		// An event that is like the one before it is none: two kinds take turns.
		for i := 0; i < length+10_000; i += 2 {
			if _, err := f.WriteString("x"); err != nil {
				t.Error(err)
			}
			if err := f.Chmod(0o640); err != nil {
				t.Error(err)
			}
		}
		if err := os.MkdirAll(filepath.Join(last, "deep"), 0o777); err != nil {
			t.Error(err)
		}
	}
	flooded := false
	r := watching(t, func(w *Watcher) {
		w.open = func() (*source, error) {
			s, err := listen()
			if err != nil {
				return nil, err
			}
			s.add = func(folder string) error {
				if folder == sub && !flooded {
					flooded = true
					flood()
				}
				return s.Add(folder)
			}
			return s, nil
		}
	}, top)
	makeFolder(t, sub)
	r.tellsAll(WhyOverflow)
	if r.logged(EventLost) == 0 {
		t.Error("no event of the loss")
	}
	write(t, last, "deep", "1.fits")
	r.tells(filepath.Join(last, "deep"))
}

// Ten thousand files in one folder are one thing to be told, or a few.
func TestManyFilesInOneFolderAreOneChange(t *testing.T) {
	t.Parallel()
	const files = 10_000
	top := t.TempDir()
	r := watching(t, nil, top)
	for i := range files {
		write(t, top, fmt.Sprintf("%05d.fits", i))
	}
	last := makeFolder(t, top, "last")
	if n := len(r.tells(last)); n > files/1000 {
		t.Errorf("%d changes are told of %d files", n, files)
	}
}

func TestWatchThatTheSystemEndsIsSetAgainAtTheRescan(t *testing.T) {
	t.Parallel()
	top := t.TempDir()
	first := true
	r := watching(t, func(w *Watcher) {
		w.open = func() (*source, error) {
			s, err := listen()
			if err == nil && first {
				first = false
				err = s.Close()
			}
			return s, err
		}
	}, top)
	r.rescanNow()
	if n := r.logged(EventRestored); n != 1 {
		t.Errorf("%d events that all is watched again, want 1", n)
	}
	write(t, top, "1.fits")
	r.tells(top)
}

func TestUnreadableFolderIsReportedOnceAndEnteredWhenItOpens(t *testing.T) {
	t.Parallel()
	top := t.TempDir()
	closed := makeFolder(t, top, "closed")
	opens := 0
	r := watching(t, func(w *Watcher) {
		w.open = func() (*source, error) {
			s, err := listen()
			if err != nil {
				return nil, err
			}
			opens++
			allowed := opens == 5
			s.add = func(folder string) error {
				// The tests may run as a user whom no rights keep out.
				if folder == closed && !allowed {
					return syscall.EACCES
				}
				return s.Add(folder)
			}
			return s, nil
		}
	}, top)
	for range 3 {
		r.rescanNow()
	}
	if n := r.logged(EventUnreadable); n != 1 {
		t.Errorf("%d events of the unreadable folder, want 1", n)
	}
	r.rescanNow()
	write(t, closed, "1.fits")
	r.tells(closed)
}

func TestManyFoldersAreToldAsAll(t *testing.T) {
	var p pending
	now := time.Now()
	for i := range mostPending {
		p.add(fmt.Sprint(i), now)
	}
	if c, ready := p.next(now.Add(gather)); !ready || c.Folder != "0" {
		t.Errorf("%+v, want the first folder", c)
	}
	p.add("one more", now)
	if c, ready := p.next(now); !ready || !c.All() || c.Why != WhyMany {
		t.Errorf("%+v, want all", c)
	}
	if len(p.folders)+len(p.known) != 0 {
		t.Error("the folders are still held")
	}
}

func TestChangesOfAFolderAreToldOnceAndInOrder(t *testing.T) {
	var p pending
	t0 := time.Now()
	p.add("a", t0)
	p.add("b", t0.Add(gather/4))
	p.add("a", t0.Add(gather/2)) // puts nothing off
	if _, ready := p.next(t0.Add(gather - 1)); ready {
		t.Error("a change is told before it was gathered")
	}
	if d, waiting := p.wait(t0.Add(gather / 2)); !waiting || d != gather/2 {
		t.Errorf("it waits %v, want %v", d, gather/2)
	}
	var got []string
	for c, ready := p.next(t0.Add(2 * gather)); ready; c, ready = p.next(t0.Add(2 * gather)) {
		got = append(got, c.Folder)
		p.told()
	}
	if !slices.Equal(got, []string{"a", "b"}) {
		t.Errorf("told %q, want a and b", got)
	}
}

func TestNothingIsAwaitedWhileNothingIsPending(t *testing.T) {
	var p pending
	now := time.Now()
	for _, step := range []func(){func() {}, func() { p.all(WhyRescan); p.told() }, func() { p.add("a", now.Add(-2*gather)); p.told() }} {
		step()
		if _, ready := p.next(now); ready {
			t.Error("there is something to tell")
		}
		if d, waiting := p.wait(now); waiting {
			t.Errorf("it wakes up in %v", d)
		}
	}
}

func TestAllIncludesWhatElseIsPending(t *testing.T) {
	var p pending
	now := time.Now()
	p.add("a", now)
	p.lost(now)
	p.all(WhyRescan)
	p.add("b", now)
	if c, ready := p.next(now); !ready || c != (Change{Why: WhyRescan}) {
		t.Errorf("%+v, want all", c)
	}
	p.told()
	if c, ready := p.next(now.Add(time.Hour)); ready {
		t.Errorf("%+v is told besides", c)
	}
	if p.mustLook(now.Add(time.Hour)) {
		t.Error("what was lost is looked for besides")
	}
}

func TestWatcherThatCannotWorkIsRefused(t *testing.T) {
	for name, test := range map[string]struct {
		folders []string
		rescan  time.Duration
	}{
		"no folder":      {nil, time.Hour},
		"an empty name":  {[]string{"a", ""}, time.Hour},
		"no time":        {[]string{"a"}, 0},
		"a time below 0": {[]string{"a"}, -1},
	} {
		if _, err := New(test.folders, test.rescan, zap.NewNop()); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

func TestChangesEndWithTheWatcher(t *testing.T) {
	w, err := New([]string{t.TempDir()}, time.Hour, zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	go w.Run(ctx)
	cancel()
	for range w.Changes() {
	}
}
