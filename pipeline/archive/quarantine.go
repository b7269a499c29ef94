package archive

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"go.uber.org/zap"

	"evenlight/fitsutil"
	"evenlight/pipeline"
	"evenlight/pipeline/ledger"
)

// An entry of the quarantine is a folder named by the first digits of the
// SHA-256 of a raw file. It holds the file under its own name, and the reason.
// The file is a second name of the raw file where the file system allows it,
// else a copy: the raw file stays where it arrived.
const reasonFile = "reason.txt"

// entryOf is the folder of a frame's entry.
func (a *Archive) entryOf(sha ledger.Hash) string {
	return filepath.Join(a.cfg.Quarantine, sha.String()[:16])
}

// setAside puts a raw file into quarantine when something of it failed, and
// takes it out when nothing did.
func (a *Archive) setAside(ctx context.Context, o *opener, t *task, end *ending, frame *ledger.Frame) error {
	entry := a.entryOf(end.sha)
	info, err := os.Lstat(entry)
	isIn := err == nil && info.IsDir()
	switch {
	case len(end.failures) > 0:
		fresh, err := a.quarantine(o, t, end, entry)
		if errors.Is(err, fs.ErrNotExist) && !isThere(t.read) {
			end.gone = true // since it was read
			return a.lost(ctx, frame)
		}
		if err != nil {
			return &pipeline.WriteError{Path: entry, Err: err}
		}
		end.quarantined = fresh
		if fresh {
			a.opt.Log.Error(EventQuarantined, zap.String("raw", t.path), zap.String("entry", entry), zap.String("reason", end.failures[0].Reason))
		}
		return nil
	case isIn:
		// A part that was not looked at now may fail still.
		if left, err := a.led.HasFailure(ctx, end.sha); err != nil || left {
			return err
		}
		return a.release(ctx, t, end, frame, entry)
	}
	return nil
}

// quarantine makes or renews an entry. It tells whether that says something new.
func (a *Archive) quarantine(o *opener, t *task, end *ending, entry string) (bool, error) {
	if err := makeFolder(a.cfg.Quarantine, entry); err != nil {
		return false, err
	}
	raw, file := t.path, filepath.Join(entry, filepath.Base(t.path))
	e, err := readEntry(entry)
	kept := err == nil && isThere(e.file)
	if kept && e.changed() {
		if kept, err = a.stillHolds(e); err != nil {
			return false, err
		}
		if !kept { // what it held is gone, or has an entry of its own now
			if err := makeFolder(a.cfg.Quarantine, entry); err != nil {
				return false, err
			}
		}
	}
	if kept {
		raw, file = e.raw, e.file // perhaps another place of the same content
	} else if t.read != file {
		if err := a.doubleRaw(o, t.read, file); err != nil {
			return false, err
		}
	}
	text := reasonText(raw, file, end)
	old, err := os.ReadFile(filepath.Join(entry, reasonFile))
	if err == nil && string(old) == text {
		return false, nil
	}
	return true, fitsutil.WriteFile(filepath.Join(entry, reasonFile), []byte(text), fitsutil.CreateOptions{Overwrite: true})
}

// stillHolds looks whether the file of an entry that changed holds the entry's
// content still. If not it deals with what the file holds.
func (a *Archive) stillHolds(e *entry) (bool, error) {
	digits, _, err := fitsutil.HashFile(e.file)
	if err != nil {
		return false, err
	}
	if digits == e.sha.String() {
		return true, nil
	}
	return false, a.grown(e, digits)
}

// doubleRaw gives a raw file a second name, and makes sure that it is that file
// which has it, and not one that a link led to.
func (a *Archive) doubleRaw(o *opener, from, to string) error {
	f, err := o.open(from)
	if err != nil {
		return err
	}
	defer f.Close()
	err = os.Link(from, to)
	switch {
	case errors.Is(err, fs.ErrExist): // a second name, or a whole copy, of before
		os.Remove(partialOf(to)) // if a process was stopped at its last step; else there is none
		return nil
	case noLinks(err):
		return copyOpen(f, to)
	case err != nil:
		return err
	}
	opened, err := f.Stat()
	if err != nil {
		return err
	}
	if named, err := os.Lstat(to); err != nil || !os.SameFile(opened, named) {
		return errors.Join(fmt.Errorf("%s: %w", from, errOutside), os.Remove(to))
	}
	return syncFolder(filepath.Dir(to))
}

// reasonText says for people why a frame is in quarantine. The lines raw,
// sha256 and state are read back; the name is quoted as in Go, since it may hold anything.
func reasonText(path, file string, end *ending) string {
	var b strings.Builder
	fmt.Fprintf(&b, "raw: %s\nsha256: %s\n", strconv.Quote(path), end.sha)
	if info, err := os.Lstat(file); err == nil {
		fmt.Fprintf(&b, "state: %s\n", stampOf(info))
	}
	for _, f := range end.failures {
		fmt.Fprintf(&b, "reason: %s\n", oneLine(f.Reason))
	}
	b.WriteString("The frame is processed again by itself when the reason is gone: a master arrives, the profile changes, or a whole file takes its place.\n")
	return b.String()
}

// oneLine makes a text one line, whatever names it holds.
func oneLine(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, s)
}

// entry is what an entry of the quarantine says.
type entry struct {
	folder string
	raw    string // path that the raw file belongs to
	file   string // its second name
	sha    ledger.Hash

	state   string // of the file when it was set aside: size, time, number
	reasons []string
}

// changed tells whether the file of an entry is in another state than when it was
// set aside: a sender may go on writing to it by its other name.
func (e *entry) changed() bool {
	info, err := os.Lstat(e.file)
	return err == nil && e.state != "" && stampOf(info) != e.state
}

// readEntry reads an entry.
func readEntry(folder string) (*entry, error) {
	if info, err := os.Lstat(folder); err != nil || !info.IsDir() {
		return nil, errors.Join(err, fmt.Errorf("%s is no folder", folder))
	}
	text, err := os.ReadFile(filepath.Join(folder, reasonFile))
	if err != nil {
		return nil, err
	}
	e := &entry{folder: folder}
	for line := range strings.Lines(string(text)) {
		key, value, _ := strings.Cut(strings.TrimSuffix(line, "\n"), ": ")
		switch key {
		case "raw":
			e.raw, err = strconv.Unquote(value)
		case "state":
			e.state = value
		case "reason":
			e.reasons = append(e.reasons, value)
		case "sha256":
			e.sha, err = ledger.ParseHash(value)
		}
		if err != nil {
			return nil, fmt.Errorf("%s: line %q: %w", filepath.Join(folder, reasonFile), line, err)
		}
	}
	if !filepath.IsAbs(e.raw) || filepath.Clean(e.raw) != e.raw || e.sha.IsZero() {
		return nil, fmt.Errorf("%s does not say which raw file it is about: restore it, or move the frame beside it back to its source folder by hand", filepath.Join(folder, reasonFile))
	}
	e.file = filepath.Join(folder, filepath.Base(e.raw))
	return e, nil
}

// release ends the quarantine of a frame. Where the raw file is no longer in its
// place it goes back there.
func (a *Archive) release(ctx context.Context, t *task, end *ending, frame *ledger.Frame, folder string) error {
	e, err := readEntry(folder)
	if err != nil {
		e = &entry{raw: t.path, file: filepath.Join(folder, filepath.Base(t.path))}
	}
	if !isThere(frame.Path) || frame.Path == e.file {
		if err := putBack(e.file, t.src.Folder, e.raw); err != nil {
			// It stays where it is safe, and is read from there.
			a.opt.Log.Warn(EventQuarantineOdd, zap.String("raw", t.path), zap.String("entry", folder), zap.Error(err))
			stays := &ending{sha: end.sha}
			stays.fail(t, fmt.Sprintf("it was processed, and the file cannot go back to its place: %v; copy it to another name in the source folder by hand, and remove this folder", err))
			if err := fitsutil.WriteFile(filepath.Join(folder, reasonFile), []byte(reasonText(e.raw, e.file, stays)), fitsutil.CreateOptions{Overwrite: true}); err != nil {
				return &pipeline.WriteError{Path: folder, Err: err}
			}
			return a.led.SetFramePath(ctx, end.sha, e.file)
		}
		if err := a.led.SetFramePath(ctx, end.sha, e.raw); err != nil {
			return err
		}
	} else if frame.Path == e.raw {
		// What putBack left, if it was stopped at its last step.
		if root, err := os.OpenRoot(t.src.Folder); err == nil {
			rel, _ := below(t.src.Folder, e.raw)
			root.Remove(partialOf(rel))
			root.Close()
		}
	}
	end.returned = true
	a.opt.Log.Info(EventReturned, zap.String("raw", t.path))
	return removeEntry(folder)
}

// putBack puts a raw file back into its place below the source folder, and never
// in the place of another, nor through a link.
func putBack(from, folder, to string) error {
	rel, ok := below(folder, to)
	if !ok {
		return fmt.Errorf("%s: %w", to, errOutside)
	}
	root, err := os.OpenRoot(folder)
	if err != nil {
		return err
	}
	defer root.Close()
	if dir := filepath.Dir(rel); dir != "." {
		if err := makeBelow(root, dir); err != nil {
			return err
		}
	}
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	return copyBelow(root, in, rel)
}

// removeEntry removes an entry, the reason last: until then it can be read. A
// link is not followed, neither in place of the entry nor in it.
func removeEntry(folder string) error {
	quarantine, err := os.OpenRoot(filepath.Dir(folder))
	if err != nil {
		return err
	}
	defer quarantine.Close()
	name := filepath.Base(folder)
	if info, err := quarantine.Lstat(name); err != nil || !info.IsDir() {
		return errors.Join(err, fmt.Errorf("%s is no folder: take it out", folder))
	}
	root, err := quarantine.OpenRoot(name)
	if err != nil {
		return err
	}
	defer root.Close()
	files, err := readFolder(root, ".")
	if err != nil {
		return err
	}
	for _, f := range files {
		if f.Name() == reasonFile {
			continue
		}
		if err := root.Remove(f.Name()); err != nil {
			return err
		}
	}
	if err := root.Remove(reasonFile); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return quarantine.Remove(name)
}

// retries finds the frames in quarantine whose reason may be gone: what would
// be made of them now is not what failed. all finds every one. Entries that the
// ledger does not know, as when it was lost, are found too.
func (a *Archive) retries(ctx context.Context, r *run, see *foresight, all bool) ([]task, error) {
	failures := map[ledger.Hash][]ledger.Failure{}
	var order []ledger.Hash
	err := a.led.EachFailure(ctx, func(row *ledger.FailureRow) error {
		if failures[row.Frame] == nil {
			order = append(order, row.Frame)
		}
		failures[row.Frame] = append(failures[row.Frame], row.Failure)
		return nil
	})
	if err != nil {
		return nil, err
	}
	var tasks []task
	for _, sha := range order {
		t, err := a.retry(ctx, r.open, r.missing, see, sha, failures[sha], all)
		if err != nil {
			return nil, err
		}
		if t != nil {
			tasks = append(tasks, *t)
		}
	}
	folders, err := os.ReadDir(a.cfg.Quarantine)
	if err != nil {
		return nil, err
	}
	for _, f := range folders {
		if !f.IsDir() {
			a.opt.Log.Warn(EventQuarantineOdd, zap.String("entry", filepath.Join(a.cfg.Quarantine, f.Name())), zap.String("error", "it is no folder: take it out"))
			continue
		}
		t, err := a.forgotten(ctx, filepath.Join(a.cfg.Quarantine, f.Name()), failures)
		if err != nil {
			return nil, err
		}
		if t != nil && !r.missing[t.src] {
			tasks = append(tasks, *t)
		}
	}
	return tasks, nil
}

// complete makes the entry of a frame that failed, where a process was stopped
// before it had.
func (a *Archive) complete(o *opener, t *task, sha ledger.Hash, failures []ledger.Failure) error {
	folder := a.entryOf(sha)
	if e, err := readEntry(folder); err == nil && isThere(e.file) || !isThere(t.read) {
		return nil
	}
	end := &ending{sha: sha}
	for i := range failures {
		end.fail(t, failures[i].Message)
	}
	_, err := a.quarantine(o, t, end, folder)
	return err
}

// retry makes the task of a frame that failed; nil if it would fail again.
func (a *Archive) retry(ctx context.Context, o *opener, missing map[*source]bool, see *foresight, sha ledger.Hash, failures []ledger.Failure, all bool) (*task, error) {
	frame, err := a.led.Frame(ctx, sha)
	if err != nil {
		return nil, err
	}
	t := a.taskOf(&frame)
	if t == nil || missing[t.src] {
		return nil, nil // the source was taken out of the configuration, or is not there now
	}
	e, err := readEntry(a.entryOf(sha))
	switch {
	case err != nil && !isThere(t.read):
		return nil, a.lost(ctx, &frame)
	case err == nil && e.changed():
		is, err := a.stillHolds(e)
		if err != nil {
			return nil, err
		}
		if !is && !a.holds(ctx, frame.Path, sha) {
			return nil, a.replaced(ctx, frame.Path, sha)
		}
	}
	if err := a.complete(o, t, sha, failures); err != nil {
		return nil, err
	}
	for i := range failures {
		now, err := see.attempt(t.src, &frame, &failures[i])
		if err != nil {
			return nil, err
		}
		all = all || now != failures[i].Wanted
	}
	if !all || !isThere(t.read) {
		return nil, nil
	}
	return t, nil
}

// taskOf makes the task of a frame that the ledger knows; nil if no source has
// it. It is read from where it is.
func (a *Archive) taskOf(frame *ledger.Frame) *task {
	t := &task{path: frame.Path, read: frame.Path}
	e, err := readEntry(a.entryOf(frame.SHA256))
	if _, ok := below(a.cfg.Quarantine, frame.Path); ok || frame.Path == "" {
		if err != nil {
			return nil
		}
		t.path, t.read = e.raw, e.file
	} else if err == nil && !isThere(frame.Path) {
		t.read = e.file
	}
	if t.src = a.sourceOf(t.path); t.src == nil {
		return nil
	}
	return t
}

// forgotten makes a task of an entry that the ledger does not know, and removes
// what is left of one where a process was stopped while it did.
func (a *Archive) forgotten(ctx context.Context, folder string, known map[ledger.Hash][]ledger.Failure) (*task, error) {
	if files, err := os.ReadDir(folder); err == nil && len(files) == 0 {
		return nil, os.Remove(folder)
	}
	e, err := readEntry(folder)
	if err != nil {
		a.opt.Log.Warn(EventQuarantineOdd, zap.String("entry", folder), zap.Error(err))
		return nil, nil
	}
	src := a.sourceOf(e.raw)
	switch {
	case known[e.sha] != nil || src == nil:
		return nil, nil
	case isThere(e.file):
		if frame, err := a.led.Frame(ctx, e.sha); err == nil && frame.Path == e.file {
			return nil, nil // it was processed, and stays here, since its place is taken
		}
		return &task{src: src, path: e.raw, read: e.file}, nil
	}
	return nil, removeEntry(folder) // the file is in its place, or was taken out by hand
}

// replaced deals with a frame one of whose places another content has taken, or
// none. It is read from another place from now on, or from quarantine. Where the
// file only grew its second name in quarantine grew too, and if it has no other
// place there never was such a frame.
func (a *Archive) replaced(ctx context.Context, path string, old ledger.Hash) error {
	frame, err := a.led.Frame(ctx, old)
	if errors.Is(err, ledger.ErrUnknown) {
		return nil
	}
	if err != nil {
		return err
	}
	e, err := readEntry(a.entryOf(old))
	isIn := err == nil
	if isIn && isThere(e.file) {
		if isIn, err = a.stillHolds(e); err != nil {
			return err
		}
	} else if isIn {
		isIn = false
		if err := removeEntry(e.folder); err != nil {
			return err
		}
	}
	if frame.Path != path {
		return nil
	}
	if other := a.anotherPlace(ctx, path, old); other != "" {
		return a.led.SetFramePath(ctx, old, other) // and its entry, if it needs one, is made again from there
	}
	if isIn {
		return a.led.SetFramePath(ctx, old, e.file)
	}
	return a.lost(ctx, &frame)
}

// lost notes that a frame is nowhere any more: it is not tried again, and nothing
// is made of it, until it arrives anew.
func (a *Archive) lost(ctx context.Context, frame *ledger.Frame) error {
	failed, err := a.led.HasFailure(ctx, frame.SHA256)
	if err != nil {
		return err
	}
	if failed {
		if err := a.led.ClearFailure(ctx, frame.SHA256, "", 0); err != nil {
			return err
		}
		for _, p := range frame.Parts {
			if err := a.led.ClearFailure(ctx, frame.SHA256, p.Detector, p.Plane); err != nil {
				return err
			}
		}
	}
	return a.led.SetFramePath(ctx, frame.SHA256, "")
}

// grown deals with an entry whose file has another content than when it was set
// aside: the sender went on writing to it. Where that is the file in the raw
// file's place, nothing is lost with the entry. Else it is the only name of a
// content that was never looked at, and becomes an entry of its own.
func (a *Archive) grown(e *entry, digits string) error {
	here, errHere := os.Lstat(e.file)
	there, errThere := os.Lstat(e.raw)
	now, errHash := ledger.ParseHash(digits)
	if errHere != nil || errHash != nil || errThere == nil && os.SameFile(here, there) {
		return removeEntry(e.folder)
	}
	to := a.entryOf(now)
	if _, err := os.Lstat(to); err == nil {
		return removeEntry(e.folder) // its content is in quarantine already
	}
	end := &ending{sha: now}
	end.fail(&task{path: e.raw}, "its content changed while it was in quarantine, and was not looked at yet")
	if err := fitsutil.WriteFile(filepath.Join(e.folder, reasonFile), []byte(reasonText(e.raw, e.file, end)), fitsutil.CreateOptions{Overwrite: true}); err != nil {
		return err
	}
	if err := os.Rename(e.folder, to); err != nil {
		return err
	}
	return syncFolder(a.cfg.Quarantine)
}

// anotherPlace finds another place of a content; "" if there is none.
func (a *Archive) anotherPlace(ctx context.Context, but string, sha ledger.Hash) string {
	places, err := a.led.PlacesOf(ctx, sha)
	if err != nil {
		return ""
	}
	for _, p := range places {
		if path := filepath.Join(p.Folder, p.Name); path != but && a.holds(ctx, path, sha) {
			return path
		}
	}
	return ""
}

// Entry is the folder of a frame in quarantine; empty: it has none.
func (a *Archive) Entry(sha ledger.Hash) string {
	folder := a.entryOf(sha)
	if info, err := os.Lstat(folder); err != nil || !info.IsDir() {
		return ""
	}
	return folder
}

// Instruments lists the instruments of the sources, each once, in their order.
func (a *Archive) Instruments() []string {
	var names []string
	for _, s := range a.sources {
		if name := s.in.Profile.Instrument; !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	return names
}
