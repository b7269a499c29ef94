//go:build unix

package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"go.uber.org/zap"

	"evenlight/configs"
	"evenlight/fitsutil"
	"evenlight/pipeline"
	"evenlight/pipeline/demo"
	"evenlight/pipeline/ledger"
)

// smallCamera is the profile of quillon with fewer pixels, so that what the
// tests of faults wait for is the handling of files and not the arithmetic.
func smallCamera() ([]byte, error) {
	text, err := configs.Builtin("quillon")
	if err != nil {
		return nil, err
	}
	profile := string(text)
	for _, edit := range [][2]string{
		{"width: 544", "width: 96"}, {"height: 512", "height: 64"}, {"[17, 528]", "[17, 80]"},
		{"[145, 400], rows: [129, 384]", "[33, 64], rows: [17, 48]"},
		{"[1, 272]", "[1, 48]"}, {"[273, 544]", "[49, 96]"}, {"[529, 544]", "[81, 96]"}, {"rows: [1, 512]", "rows: [1, 64]"},
		{"min_frames: 5", "min_frames: 3"},
	} {
		if !strings.Contains(profile, edit[0]) {
			return nil, fmt.Errorf("the profile lacks %q", edit[0])
		}
		profile = strings.ReplaceAll(profile, edit[0], edit[1])
	}
	return []byte(profile), nil
}

// downlink is a small campaign that the tests of faults share and only read.
type downlink struct {
	profile []byte
	masters string   // folder
	scenes  []string // paths, sorted
}

var makeDownlink = sync.OnceValues(func() (*downlink, error) {
	profile, err := smallCamera()
	if err != nil {
		return nil, err
	}
	dir := filepath.Join(filepath.Dir(campaignDir), "downlink")
	d := &downlink{profile: profile, masters: filepath.Join(dir, demo.MastersDir)}
	opt := demo.Options{Dir: dir, Profile: profile, Seed: 11, Scale: 0.05, Workers: 2, Colour: true}
	in, _, err := demo.Simulate(opt)
	if err != nil {
		return nil, err
	}
	raw := filepath.Join(dir, demo.RawDir)
	files, err := pipeline.FindFrames([]string{raw})
	if err != nil {
		return nil, err
	}
	built, err := pipeline.BuildMasters(in, files, pipeline.BuildOptions{OutDir: d.masters, Workers: 2, Log: zap.NewNop()})
	if err != nil {
		return nil, err
	}
	if len(built.Failures) > 0 {
		return nil, fmt.Errorf("masters: %v", built.Failures)
	}
	d.scenes, err = filepath.Glob(filepath.Join(raw, "*-scene.fits"))
	return d, err
})

// sharedDownlink returns the first n scenes of the campaign with its masters.
func sharedDownlink(t testing.TB, n int) *downlink {
	t.Helper()
	d, err := makeDownlink()
	if err != nil {
		t.Fatal(err)
	}
	if len(d.scenes) < n {
		t.Fatalf("the campaign has %d scenes, want %d", len(d.scenes), n)
	}
	return &downlink{d.profile, d.masters, d.scenes[:n]}
}

// kept is an archive of a test with its folders below one of its own.
type kept struct {
	t      testing.TB
	dir    string
	ledger string // file or address
	// here runs commands in this process, which is quicker; the ones that are
	// killed have processes of their own.
	here bool
}

// archiveText is an archive file that makes no one wait. Tests append to it.
const archiveText = `format: 1
intake: {settle_s: 0, rescan_minutes: 60, wait_s: 300, min_free_gib: 0, cache_mib: 64}
reprocess: {min_free_gib: 0}
sources:
  - name: quillon
    folder: raw
    profile: profile.yaml
`

// newKept makes an archive in dir without frames and masters. Further lines go
// to the end of its archive file.
func newKept(t testing.TB, dir string, profile []byte, lines ...string) *kept {
	t.Helper()
	a := &kept{t, dir, filepath.Join(dir, "ledger.db"), false}
	a.write("profile.yaml", profile)
	a.write("archive.yaml", []byte(archiveText+strings.Join(lines, "\n")+"\n"))
	for _, folder := range []string{"raw", "masters"} {
		if err := os.MkdirAll(a.path(folder), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	return a
}

func (a *kept) path(elem ...string) string { return filepath.Join(append([]string{a.dir}, elem...)...) }

func (a *kept) write(name string, content []byte) {
	a.t.Helper()
	if err := os.WriteFile(a.path(name), content, 0o600); err != nil {
		a.t.Fatal(err)
	}
}

// copyInto copies files into a folder of the archive.
func (a *kept) copyInto(folder string, files ...string) {
	a.t.Helper()
	for _, f := range files {
		content, err := os.ReadFile(f)
		if err != nil {
			a.t.Fatal(err)
		}
		a.write(filepath.Join(folder, filepath.Base(f)), content)
	}
}

// accept copies all masters of a campaign.
func (a *kept) accept(d *downlink) {
	a.t.Helper()
	files, err := filepath.Glob(filepath.Join(d.masters, "*.fits"))
	if err != nil || len(files) == 0 {
		a.t.Fatalf("no masters in %s: %v", d.masters, err)
	}
	a.copyInto("masters", files...)
}

// args is the command line of a command on the archive, which logs everything.
func (a *kept) args(words ...string) []string {
	return append(words, "--archive", a.path("archive.yaml"), "--log-format", "json", "--log-level", "debug", "--workers", "2")
}

// start starts a command on the archive. What it says on standard error goes to
// the end of the log file.
func (a *kept) start(words ...string) *exec.Cmd {
	a.t.Helper()
	c := a.command(words...)
	if err := c.Start(); err != nil {
		a.t.Fatal(err)
	}
	return c
}

func (a *kept) command(words ...string) *exec.Cmd {
	a.t.Helper()
	self, err := os.Executable()
	if err != nil {
		a.t.Fatal(err)
	}
	c := exec.Command(self, a.args(words...)...)
	c.Env = append(os.Environ(), asCommand+"=1")
	log, err := os.OpenFile(a.path("log.jsonl"), os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600)
	if err != nil {
		a.t.Fatal(err)
	}
	a.t.Cleanup(func() { log.Close() })
	c.Stderr = log
	return c
}

// run runs a command on the archive to its end.
func (a *kept) run(words ...string) answer {
	a.t.Helper()
	if a.here {
		return a.runHere(words...)
	}
	before := len(a.logText())
	c := a.command(words...)
	var out bytes.Buffer
	c.Stdout = &out
	code := 0
	if err := c.Run(); err != nil {
		var exit *exec.ExitError
		if !errors.As(err, &exit) {
			a.t.Fatal(err)
		}
		code = exit.ExitCode()
	}
	c.Stderr.(*os.File).Close()
	return answer{code, out.String(), string(a.logText()[before:])}
}

// inProcesses lets each command on an archive have a process of its own.
func inProcesses(a *kept) *kept {
	a.here = false
	return a
}

// runHere is run without a process.
func (a *kept) runHere(words ...string) answer {
	a.t.Helper()
	got := command(a.args(words...)...)
	log, err := os.OpenFile(a.path("log.jsonl"), os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600)
	if err != nil {
		a.t.Fatal(err)
	}
	_, err = log.WriteString(got.errors)
	if err := errors.Join(err, log.Close()); err != nil {
		a.t.Fatal(err)
	}
	return got
}

// mustRun runs a command that has to end with a code.
func (a *kept) mustRun(code int, words ...string) answer {
	a.t.Helper()
	got := a.run(words...)
	if got.code != code {
		a.t.Fatalf("%v ended with code %d, want %d\n%s\n%s", words, got.code, code, got.out, got.errors)
	}
	return got
}

// message is what a run that failed says to people in the end.
func message(got answer) string {
	return got.errors[max(0, strings.LastIndex(got.errors, "evenlight: ")):]
}

func (a *kept) logText() []byte {
	a.t.Helper()
	text, err := os.ReadFile(a.path("log.jsonl"))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		a.t.Fatal(err)
	}
	return text
}

// event is a line of the log.
type event struct {
	Event, Raw, Product, Error, Reason string
}

// events returns the events of a name that runs have logged since the archive
// was made. A line that a kill cut off is passed over.
func eventsIn(log []byte, name string) []event {
	var out []event
	lines := bufio.NewScanner(bytes.NewReader(log))
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		var e event
		if json.Unmarshal(lines.Bytes(), &e) == nil && e.Event == name {
			out = append(out, e)
		}
	}
	return out
}

func (a *kept) events(name string) []event { return eventsIn(a.logText(), name) }

// report is the JSON answer of an intake or of reprocessing.
type report struct {
	Counts                                               pipeline.Counts
	Known, Adopted, Waiting, Gone, Quarantined, Returned int
	Stopped                                              string
}

func (a *kept) intake(code int, words ...string) (report, answer) {
	a.t.Helper()
	return a.report(code, append([]string{"intake"}, words...)...)
}

func (a *kept) report(code int, words ...string) (report, answer) {
	a.t.Helper()
	got := a.mustRun(code, append(words, "--json")...)
	var r report
	if err := json.Unmarshal([]byte(got.out), &r); err != nil {
		a.t.Fatalf("%v: %v\n%s\n%s", words, err, got.out, got.errors)
	}
	return r, got
}

// tree returns the SHA-256 of each file below a folder by its relative path,
// hidden ones too. A folder that is not there is empty.
func (a *kept) tree(folder string) map[string]string {
	a.t.Helper()
	out := map[string]string{}
	a.walk(folder, func(rel, path string, _ fs.FileInfo) {
		sum, _, err := fitsutil.HashFile(path)
		if err != nil {
			a.t.Fatal(err)
		}
		out[rel] = sum
	})
	return out
}

func (a *kept) walk(folder string, f func(rel, path string, info fs.FileInfo)) {
	a.t.Helper()
	top := a.path(folder)
	if elsewhere, err := filepath.EvalSymlinks(top); err == nil {
		top = elsewhere
	}
	err := filepath.WalkDir(top, func(path string, e fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) && path == top {
			return nil
		}
		if err != nil || e.IsDir() {
			return err
		}
		info, err := e.Info()
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(top, path)
		f(rel, path, info)
		return err
	})
	if err != nil {
		a.t.Fatal(err)
	}
}

// isHidden tells files under temporary names.
func isHidden(rel string) bool { return strings.HasPrefix(filepath.Base(rel), ".") }

// identity tells whether a file is still the one that was written before.
type identity struct {
	inode    uint64
	modified time.Time
}

func identityOf(info fs.FileInfo) identity {
	return identity{info.Sys().(*syscall.Stat_t).Ino, info.ModTime()}
}

// identities are those of the files below a folder, by relative path.
func (a *kept) identities(folder string) map[string]identity {
	a.t.Helper()
	out := map[string]identity{}
	a.walk(folder, func(rel, _ string, info fs.FileInfo) { out[rel] = identityOf(info) })
	return out
}

// mustBeWhole fails when a file under its final name is torn.
func (a *kept) mustBeWhole(when string) {
	a.t.Helper()
	for _, folder := range []string{"products", "earlier", "quarantine", "masters"} {
		a.walk(folder, func(rel, path string, _ fs.FileInfo) {
			switch {
			case isHidden(rel):
			case filepath.Base(rel) == "reason.txt":
				text := string(readFile(a.t.(*testing.T), path))
				if !strings.HasPrefix(text, "raw: ") || !strings.HasSuffix(text, "takes its place.\n") {
					a.t.Errorf("%s: %s is torn:\n%s", when, path, text)
				}
			case folder == "quarantine" || filepath.Ext(rel) == ".fits":
				if folder != "quarantine" {
					mustBeSound(a.t.(*testing.T), path)
				}
			default:
				a.t.Errorf("%s: nobody asked for the file %s", when, path)
			}
		})
	}
}

// mustHoldNoPartials fails when files under temporary names are left.
func (a *kept) mustHoldNoPartials(folders ...string) {
	a.t.Helper()
	for _, folder := range folders {
		a.walk(folder, func(rel, path string, _ fs.FileInfo) {
			if isHidden(rel) {
				a.t.Errorf("%s is left over", path)
			}
		})
	}
}

// mustBeIn fails unless a folder holds exactly these files.
func (a *kept) mustBeIn(folder string, want map[string]string) {
	a.t.Helper()
	got := a.tree(folder)
	maps.DeleteFunc(got, func(rel, _ string) bool { return isHidden(rel) })
	for _, rel := range slices.Sorted(maps.Keys(want)) {
		switch got[rel] {
		case want[rel]:
		case "":
			a.t.Errorf("%s lacks %q", folder, rel)
		default:
			a.t.Errorf("%s/%q is not what an undisturbed archive holds", folder, rel)
		}
	}
	for _, rel := range slices.Sorted(maps.Keys(got)) {
		if want[rel] == "" {
			a.t.Errorf("%s holds %q, which nobody asked for", folder, rel)
		}
	}
}

// mustBeUntouched fails when files that were there before are other ones now.
func (a *kept) mustBeUntouched(when, folder string, before map[string]identity) {
	a.t.Helper()
	now := a.identities(folder)
	for _, rel := range slices.Sorted(maps.Keys(before)) {
		if now[rel] != before[rel] {
			a.t.Errorf("%s: %s/%q was complete and was made again", when, folder, rel)
		}
	}
}

// mustBeMadeOnce fails when a product was made more than once.
func (a *kept) mustBeMadeOnce(log []byte) {
	a.t.Helper()
	times := map[string]int{}
	for _, e := range eventsIn(log, pipeline.EventFrameDone) {
		times[e.Product]++
	}
	for _, product := range slices.Sorted(maps.Keys(times)) {
		if times[product] > 1 {
			a.t.Errorf("%s was made %d times", product, times[product])
		}
	}
}

// openLedger opens the archive's ledger to look at it.
func (a *kept) openLedger() *ledger.Ledger {
	a.t.Helper()
	l, err := ledger.Open(context.Background(), a.ledger, ledger.Options{})
	if err != nil {
		a.t.Fatal(err)
	}
	return l
}

// mustAgree fails unless each product below the folder is the current one of one
// frame in the ledger, and the ledger knows of no other.
func (a *kept) mustAgree(scenes int) {
	a.t.Helper()
	a.mustRun(exitDone, "ledger", "check")
	l := a.openLedger()
	defer l.Close()
	there := map[string]bool{}
	a.walk("products", func(rel, path string, _ fs.FileInfo) {
		if !isHidden(rel) {
			there[path] = true
		}
	})
	n := 0
	err := l.EachFrame(context.Background(), pipeline.ProductFrame, ledger.Filter{Kind: configs.KindScene}, func(row *ledger.FrameRow) error {
		if row.Product.IsZero() {
			return nil
		}
		n++
		if !there[row.ProductPath] {
			a.t.Errorf("the ledger knows of the product %s of %s, and it is not there", row.ProductPath, row.Path)
		}
		delete(there, row.ProductPath)
		return nil
	})
	if err != nil {
		a.t.Fatal(err)
	}
	if n != scenes {
		a.t.Errorf("%d frames have a current product, want %d", n, scenes)
	}
	for path := range there {
		a.t.Errorf("the ledger does not know of %s", path)
	}
}

// mustPlanNothing fails when something is left to be made.
func (a *kept) mustPlanNothing() {
	a.t.Helper()
	got := a.mustRun(exitDone, "plan", "--json", "--files")
	var plan struct{ Looked, Current, Blocked, Held, Stale int }
	if err := json.Unmarshal([]byte(got.out), &plan); err != nil {
		a.t.Fatal(err)
	}
	if plan.Stale > 0 {
		a.t.Errorf("something is left to be made: %+v", plan)
	}
}

// frameLike writes a raw frame that differs from another in the name of its
// target only, so that its content is one of its own.
func frameLike(t testing.TB, model, path, target string) {
	t.Helper()
	f, err := fitsutil.Open(model)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	h := f.HDUs()[0]
	samples, err := f.ReadRows(h, 0, 0, h.Height(), nil)
	if err != nil {
		t.Fatal(err)
	}
	header := h.Header.Clone()
	if err := header.Set("TGTNAME", target, ""); err != nil {
		t.Fatal(err)
	}
	w, err := fitsutil.Create(path, fitsutil.CreateOptions{NoSync: true, Overwrite: true})
	if err != nil {
		t.Fatal(err)
	}
	defer w.Abort()
	image, err := w.AddImage(header, h.Bitpix, h.Axes...)
	if err != nil {
		t.Fatal(err)
	}
	if err := image.WriteRows(0, 0, h.Height(), samples); err != nil {
		t.Fatal(err)
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
}
