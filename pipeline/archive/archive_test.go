package archive_test

import (
	"context"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"evenlight/configs"
	"evenlight/fitsutil"
	"evenlight/pipeline"
	"evenlight/pipeline/archive"
	"evenlight/pipeline/demo"
	"evenlight/pipeline/ledger"
)

// scratch is a folder for what the tests share; TestMain removes it.
var scratch = sync.OnceValues(func() (string, error) { return os.MkdirTemp("", "evenlight-archive-") })

func TestMain(m *testing.M) {
	code := m.Run()
	if dir, err := scratch(); err == nil {
		os.RemoveAll(dir)
	}
	os.Exit(code)
}

// small makes the chips of the built-in cameras small, so that whole campaigns
// take moments.
var small = map[string][]string{
	"quillon": {"detectors.0.width=128", "detectors.0.height=96", "detectors.0.image={columns: [17, 112], rows: [1, 96]}",
		"detectors.0.reference={columns: [33, 96], rows: [17, 80]}",
		"detectors.0.amplifiers.0.region={columns: [1, 64], rows: [1, 96]}", "detectors.0.amplifiers.0.overscan.rows=[1, 96]",
		"detectors.0.amplifiers.1.region={columns: [65, 128], rows: [1, 96]}", "detectors.0.amplifiers.1.overscan={columns: [113, 128], rows: [1, 96]}"},
	"brindle": {"detectors.0.width=112", "detectors.0.height=96", "detectors.0.image={columns: [17, 112], rows: [1, 96]}",
		"detectors.0.reference={columns: [33, 96], rows: [17, 80]}",
		"detectors.0.amplifiers.0.region={columns: [1, 112], rows: [1, 48]}", "detectors.0.amplifiers.0.overscan.rows=[1, 48]",
		"detectors.0.amplifiers.1.region={columns: [1, 112], rows: [49, 96]}", "detectors.0.amplifiers.1.overscan.rows=[49, 96]"},
	"oxlip": {"detectors.0.width=112", "detectors.0.height=104", "detectors.0.image={columns: [17, 112], rows: [1, 96]}",
		"detectors.0.reference={columns: [33, 96], rows: [17, 80]}", "detectors.0.smear.masked_rows=[97, 104]", "detectors.0.smear.row_s=1e-5",
		"detectors.0.amplifiers.0.region={columns: [1, 112], rows: [1, 104]}", "detectors.0.amplifiers.0.overscan.rows=[1, 104]"},
	"sallow": {"detectors.0.width=176", "detectors.0.height=176", "detectors.0.image={columns: [1, 176], rows: [1, 176]}",
		"detectors.0.reference={columns: [41, 136], rows: [41, 136]}", "detectors.0.linearity.zones=[3, 2]",
		"detectors.0.marks.step=[30, 30]", "detectors.0.marks.count=[5, 5]",
		"detectors.0.amplifiers.0.region={columns: [1, 176], rows: [1, 176]}"},
	"fescue": {"detectors.0.width=112", "detectors.0.height=192", "detectors.0.image={columns: [17, 112], rows: [1, 192]}",
		"detectors.0.reference={columns: [33, 96], rows: [1, 192]}",
		"detectors.0.strips=[{band: violet, rows: [5, 44]}, {band: green, rows: [53, 92]}, {band: red, rows: [101, 140]}, {band: nir, rows: [149, 188]}]",
		"detectors.0.amplifiers.0.region={columns: [1, 112], rows: [1, 192]}", "detectors.0.amplifiers.0.overscan.rows=[1, 192]"},
	"tarn": slices.Concat([]string{"detectors.0.width=128", "detectors.0.image.columns=[17, 112]", "detectors.0.reference.columns=[33, 96]",
		"detectors.0.amplifiers.0.region.columns=[1, 64]", "detectors.0.amplifiers.1.region.columns=[65, 128]", "detectors.0.amplifiers.1.overscan.columns=[113, 128]"},
		smallLine("1"), smallLine("2")),
	"umber": slices.Concat(smallLayer("0"), smallLayer("1"), smallLayer("2")),
}

func smallLine(n string) []string {
	d := "detectors." + n
	return []string{d + ".width=80", d + ".image.columns=[17, 80]", d + ".reference.columns=[25, 72]", d + ".amplifiers.0.region.columns=[1, 80]"}
}

func smallLayer(n string) []string {
	d := "detectors." + n
	return []string{d + ".width=112", d + ".height=64", d + ".image={columns: [17, 112], rows: [1, 64]}", d + ".reference={columns: [33, 96], rows: [9, 56]}",
		d + ".amplifiers.0.region={columns: [1, 112], rows: [1, 64]}", d + ".amplifiers.0.overscan.rows=[1, 64]"}
}

// settings are the overrides of a camera's profile: few calibration frames do.
func settings(camera string) []string {
	return append([]string{"masters.min_frames=3"}, small[camera]...)
}

// campaign is a small simulated campaign of a camera and its masters.
type campaign struct {
	camera       string
	in           *pipeline.Instrument
	raw, masters string // folders
	scenes       []string
	files        []string // all raw files, scenes included
}

// campaigns are made once each.
var campaigns = func() map[string]func() (*campaign, error) {
	out := map[string]func() (*campaign, error){}
	for _, camera := range configs.BuiltinNames() {
		out[camera] = sync.OnceValues(func() (*campaign, error) { return simulated(camera) })
	}
	return out
}()

func simulated(camera string) (*campaign, error) {
	top, err := scratch()
	if err != nil {
		return nil, err
	}
	dir := filepath.Join(top, camera)
	in, _, err := demo.Simulate(demo.Options{Dir: dir, Camera: camera, Seed: 7, Scale: 0.01, Workers: 2, Set: settings(camera), Log: zap.NewNop()})
	if err != nil {
		return nil, err
	}
	c := &campaign{camera: camera, in: in, raw: filepath.Join(dir, demo.RawDir), masters: filepath.Join(dir, demo.MastersDir)}
	if c.files, err = pipeline.FindFrames([]string{c.raw}); err != nil {
		return nil, err
	}
	for _, f := range c.files {
		if strings.HasSuffix(f, "-"+configs.KindScene+".fits") {
			c.scenes = append(c.scenes, f)
		}
	}
	built, err := pipeline.BuildMasters(in, c.files, pipeline.BuildOptions{OutDir: c.masters, Workers: 2, Log: zap.NewNop()})
	if err == nil && len(built.Failures) > 0 {
		err = fmt.Errorf("masters of %s: %v", camera, built.Failures)
	}
	return c, err
}

func mustSimulate(t testing.TB, camera string) *campaign {
	t.Helper()
	c, err := campaigns[camera]()
	if err != nil {
		t.Fatal(err)
	}
	if len(c.scenes) < 3 {
		t.Fatalf("%s has %d scenes, too few for these tests", camera, len(c.scenes))
	}
	return c
}

// house is an archive with its folders, and a clock of its own.
type house struct {
	*archive.Archive
	t        testing.TB
	c        *campaign
	cfg      *configs.Archive
	top      string // all that the test may touch
	dir, src string // the archive's folder, and that in which raw frames arrive
	workers  int
	server   *server // that the ledger lies on; nil: it is a file
	logs     *observer.ObservedLogs

	time     *clock
	progress func(done, total int, name string)
}

// clock is one that goes on when it is told to.
type clock struct {
	mu  sync.Mutex
	now time.Time
}

func (c *clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *clock) later(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
}

// begun is when the tests' clocks begin.
var begun = time.Date(2031, 6, 1, 12, 0, 0, 0, time.UTC)

// newHouse makes an empty archive of a camera's frames with all its masters.
// change, if set, changes its configuration.
func newHouse(t testing.TB, camera string, change func(*configs.Archive)) *house {
	t.Helper()
	top, err := filepath.EvalSymlinks(t.TempDir())
	must(t, err)
	dir := filepath.Join(top, "probe", "archive")
	must(t, os.MkdirAll(dir, 0o777))
	h := &house{t: t, c: mustSimulate(t, camera), top: top, dir: dir, src: filepath.Join(dir, "raw"), workers: 2, time: &clock{now: begun}}
	h.cfg = &configs.Archive{Format: 1, Ledger: filepath.Join(dir, "ledger.db"), Versions: configs.VersionsKeep,
		Masters: filepath.Join(dir, "masters"), Products: filepath.Join(dir, "products"), Earlier: filepath.Join(dir, "earlier"),
		Quarantine: filepath.Join(dir, "quarantine"), Journal: filepath.Join(dir, "journal"),
		Sources: []configs.Source{{Name: camera, Folder: h.src, Profile: camera, Set: settings(camera)}},
		Intake:  configs.Intake{RescanMinutes: 15, IncompleteHours: 24, CacheMiB: 256},
		Alerts:  configs.Alerts{RepeatHours: 24}}
	if h.server = newServer(t); h.server != nil {
		h.cfg.Ledger = h.server.address()
	}
	if change != nil {
		change(h.cfg)
	}
	for _, d := range []string{h.src, h.cfg.Masters} {
		if err := os.MkdirAll(d, 0o777); err != nil {
			t.Fatal(err)
		}
	}
	h.takeMasters("*.fits")
	h.open()
	t.Cleanup(func() { h.Close() })
	return h
}

// open opens the archive, as a new process would.
func (h *house) open() {
	h.t.Helper()
	core, logs := observer.New(zapcore.DebugLevel)
	h.logs = logs
	a, err := archive.Open(context.Background(), h.cfg, archive.Options{Workers: h.workers, Log: zap.New(core), Now: h.time.Now,
		Progress: func(done, total int, name string) {
			if h.progress != nil {
				h.progress(done, total, name)
			}
		}})
	if err != nil {
		h.t.Fatal(err)
	}
	h.Archive = a
}

// reopen closes the archive and opens it anew.
func (h *house) reopen() {
	h.t.Helper()
	must(h.t, h.Close())
	h.open()
}

// loseLedger removes the ledger, and opens the archive with a new one.
func (h *house) loseLedger() {
	h.t.Helper()
	must(h.t, h.Close())
	if h.server != nil {
		h.server.lose()
	} else {
		for _, f := range glob(h.t, h.dir, "ledger.db*") {
			must(h.t, os.Remove(f))
		}
	}
	h.open()
}

func (h *house) later(d time.Duration) { h.time.later(d) }

// takeMasters lets the campaign's masters of some names arrive.
func (h *house) takeMasters(pattern string) {
	h.t.Helper()
	for _, f := range glob(h.t, h.c.masters, pattern) {
		copyFile(h.t, f, filepath.Join(h.cfg.Masters, filepath.Base(f)), -1)
	}
}

// dropMasters takes masters of some names away.
func (h *house) dropMasters(pattern string) {
	h.t.Helper()
	for _, f := range glob(h.t, h.cfg.Masters, pattern) {
		must(h.t, os.Remove(f))
	}
}

// arrive copies raw files into the source, and returns where they lie.
func (h *house) arrive(files ...string) []string {
	h.t.Helper()
	out := make([]string, len(files))
	for i, f := range files {
		out[i] = copyFile(h.t, f, filepath.Join(h.src, filepath.Base(f)), -1)
	}
	return out
}

// arriveAs copies a raw file into the source under a name of its own.
func (h *house) arriveAs(file, name string) string {
	h.t.Helper()
	return copyFile(h.t, file, filepath.Join(h.src, name), -1)
}

// pass makes a full pass, which must be able to go on to its end.
func (h *house) pass() *archive.Report {
	h.t.Helper()
	return h.passWith(archive.PassOptions{})
}

func (h *house) passWith(opt archive.PassOptions) *archive.Report {
	h.t.Helper()
	r, err := h.Pass(context.Background(), opt)
	if err != nil {
		h.t.Fatal(err)
	}
	return r
}

// plan plans, and fails the test where it cannot.
func (h *house) plan(sel archive.Selection) *archive.Plan {
	h.t.Helper()
	p, err := h.Plan(context.Background(), sel)
	if err != nil {
		h.t.Fatal(err)
	}
	return p
}

func (h *house) reprocess(p *archive.Plan, lim archive.Limits) *archive.Report {
	h.t.Helper()
	r, err := h.Reprocess(context.Background(), p, lim)
	if err != nil {
		h.t.Fatal(err)
	}
	return r
}

// isCurrent says that so many products are as they should be, and no other
// scene is known.
func (h *house) isCurrent(n int) {
	h.t.Helper()
	p := h.plan(archive.Selection{Files: true})
	if p.Stale != 0 || p.Current != n || p.Looked != n {
		h.t.Errorf("the plan has %d stale (%v), %d current, %d blocked, %d held of %d; want %d current and no other", p.Stale, p.Reasons, p.Current, p.Blocked, p.Held, p.Looked, n)
	}
}

// did says what the products of a pass were.
func did(t testing.TB, r *archive.Report, done, known, failed int) {
	t.Helper()
	if r.Counts.Done != done || r.Known != known || r.Counts.Failed != failed {
		t.Errorf("%d done, %d known, %d failed %v; want %d, %d, %d", r.Counts.Done, r.Known, r.Counts.Failed, r.Failures, done, known, failed)
	}
}

// events counts the log events of a name.
func (h *house) events(name string) int { return h.logs.FilterMessage(name).Len() }

// product is where the product of a raw file lies that has one.
func (h *house) product(raw string) string {
	rel, err := filepath.Rel(h.src, raw)
	must(h.t, err)
	return filepath.Join(h.cfg.Products, h.c.camera, strings.TrimSuffix(rel, ".fits")+"-calibrated.fits")
}

// products lists the content of all products by their path below their folder.
func (h *house) products() map[string]string {
	h.t.Helper()
	return contents(h.t, h.cfg.Products)
}

// quarantined lists the entries of the quarantine.
func (h *house) quarantined() []string {
	h.t.Helper()
	entries, err := os.ReadDir(h.cfg.Quarantine)
	must(h.t, err)
	var out []string
	for _, e := range entries {
		out = append(out, filepath.Join(h.cfg.Quarantine, e.Name()))
	}
	return out
}

// reason reads why the only frame in quarantine is there, and where it lies
// there.
func (h *house) reason() (text, file string) {
	h.t.Helper()
	entries := h.quarantined()
	if len(entries) != 1 {
		h.t.Fatalf("%d frames are in quarantine, want 1", len(entries))
	}
	b, err := os.ReadFile(filepath.Join(entries[0], "reason.txt"))
	must(h.t, err)
	files, err := os.ReadDir(entries[0])
	must(h.t, err)
	for _, f := range files {
		if f.Name() != "reason.txt" {
			file = filepath.Join(entries[0], f.Name())
		}
	}
	return string(b), file
}

// failures counts what the ledger has of frames and parts that failed.
func (h *house) failures() int {
	h.t.Helper()
	n := 0
	must(h.t, h.Ledger().EachFailure(context.Background(), func(*ledger.FailureRow) error { n++; return nil }))
	return n
}

// elsewhere is what lies beside the archive's own folders.
func (h *house) elsewhere() map[string]string {
	h.t.Helper()
	out := map[string]string{}
	for name, sha := range contents(h.t, h.top) {
		rest, inside := strings.CutPrefix(name, "probe/archive/")
		first, _, _ := strings.Cut(rest, "/")
		if !inside || !slices.Contains([]string{"raw", "masters", "products", "earlier", "quarantine", "journal"}, first) && !strings.HasPrefix(first, "ledger.db") {
			out[name] = sha
		}
	}
	return out
}

func (h *house) stats() ledger.Stats {
	h.t.Helper()
	s, err := h.Ledger().Stats(context.Background())
	must(h.t, err)
	return s
}

// contents returns the hash of each regular file below a folder by its path
// there. Names are kept of folders and links too.
func contents(t testing.TB, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil || path == dir {
			return err
		}
		rel, err := filepath.Rel(dir, path)
		if err != nil {
			return err
		}
		if !e.Type().IsRegular() {
			out[rel] = e.Type().String()
			return nil
		}
		out[rel], _, err = fitsutil.HashFile(path)
		return err
	})
	must(t, err)
	return out
}

// files are the entries of contents that are files.
func files(all map[string]string) []string {
	var out []string
	for _, name := range slices.Sorted(maps.Keys(all)) {
		if len(all[name]) == 64 {
			out = append(out, name)
		}
	}
	return out
}

func sameContents(t testing.TB, what string, got, want map[string]string) {
	t.Helper()
	for _, name := range slices.Sorted(maps.Keys(want)) {
		switch g, ok := got[name]; {
		case !ok:
			t.Errorf("%s: %s is gone", what, name)
		case g != want[name]:
			t.Errorf("%s: %s is another", what, name)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(got)) {
		if _, ok := want[name]; !ok {
			t.Errorf("%s: %s is new", what, name)
		}
	}
}

// calibrated returns the contents of the products that a run without an
// archive makes of files, by name.
func calibrated(t testing.TB, c *campaign, masters string, files []string) map[string]string {
	t.Helper()
	out := t.TempDir()
	s, err := pipeline.Calibrate(c.in, files, pipeline.RunOptions{MastersDir: masters, OutDir: out, Workers: 2, Log: zap.NewNop()})
	must(t, err)
	if len(s.Failures) > 0 {
		t.Fatal(s.Failures)
	}
	return contents(t, out)
}

// inCamera puts names below the folder of a camera's products.
func inCamera(camera string, names map[string]string) map[string]string {
	out := map[string]string{camera: fs.ModeDir.String()}
	for n, sha := range names {
		out[filepath.Join(camera, n)] = sha
	}
	return out
}

func glob(t testing.TB, dir, pattern string) []string {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(dir, pattern))
	if err != nil || len(found) == 0 {
		t.Fatalf("no %s in %s: %v", pattern, dir, err)
	}
	return found
}

// copyFile copies a file, cut to so many bytes where most is not negative.
func copyFile(t testing.TB, from, to string, most int) string {
	t.Helper()
	data, err := os.ReadFile(from)
	must(t, err)
	if most >= 0 {
		data = data[:most]
	}
	write(t, to, data)
	return to
}

func write(t testing.TB, path string, data []byte) {
	t.Helper()
	must(t, os.MkdirAll(filepath.Dir(path), 0o777))
	must(t, os.WriteFile(path, data, 0o666))
}

func read(t testing.TB, path string) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	must(t, err)
	return data
}

func hashOf(t testing.TB, path string) ledger.Hash {
	t.Helper()
	digits, _, err := fitsutil.HashFile(path)
	must(t, err)
	sha, err := ledger.ParseHash(digits)
	must(t, err)
	return sha
}

func isThere(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// says reports words that a text lacks.
func says(t testing.TB, text string, words ...string) {
	t.Helper()
	for _, w := range words {
		if !strings.Contains(text, w) {
			t.Errorf("%q does not say %q", text, w)
		}
	}
}

// otherFlats is a folder with masters of the main camera from another campaign,
// in which noise fell otherwise.
var otherFlats = sync.OnceValues(func() (string, error) {
	top, err := scratch()
	if err != nil {
		return "", err
	}
	dir := filepath.Join(top, "another-quillon")
	in, _, err := demo.Simulate(demo.Options{Dir: dir, Camera: "quillon", Seed: 8, Scale: 0.01, Workers: 2, Set: settings("quillon"), Log: zap.NewNop()})
	if err != nil {
		return "", err
	}
	files, err := pipeline.FindFrames([]string{filepath.Join(dir, demo.RawDir)})
	if err != nil {
		return "", err
	}
	masters := filepath.Join(dir, demo.MastersDir)
	built, err := pipeline.BuildMasters(in, files, pipeline.BuildOptions{OutDir: masters, Workers: 2, Log: zap.NewNop()})
	if err == nil && len(built.Failures) > 0 {
		err = fmt.Errorf("masters: %v", built.Failures)
	}
	return masters, err
})
