package page

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"image/png"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"

	"evenlight/fitsutil"
	"evenlight/pipeline"
	"evenlight/pipeline/demo"
)

// scratch is a folder for what the tests share; TestMain removes it.
var scratch = sync.OnceValues(func() (string, error) { return os.MkdirTemp("", "evenlight-page-") })

func TestMain(m *testing.M) {
	code := m.Run()
	if dir, err := scratch(); err == nil {
		os.RemoveAll(dir)
	}
	os.Exit(code)
}

// small makes the chips of cameras small, so that a campaign takes moments.
var small = map[string][]string{
	"quillon": {"masters.min_frames=3", "detectors.0.width=128", "detectors.0.height=96", "detectors.0.image={columns: [17, 112], rows: [1, 96]}",
		"detectors.0.reference={columns: [33, 96], rows: [17, 80]}",
		"detectors.0.amplifiers.0.region={columns: [1, 64], rows: [1, 96]}", "detectors.0.amplifiers.0.overscan.rows=[1, 96]",
		"detectors.0.amplifiers.1.region={columns: [65, 128], rows: [1, 96]}", "detectors.0.amplifiers.1.overscan={columns: [113, 128], rows: [1, 96]}"},
	"brindle": {"masters.min_frames=3", "detectors.0.width=112", "detectors.0.height=96", "detectors.0.image={columns: [17, 112], rows: [1, 96]}",
		"detectors.0.reference={columns: [33, 96], rows: [17, 80]}",
		"detectors.0.amplifiers.0.region={columns: [1, 112], rows: [1, 48]}", "detectors.0.amplifiers.0.overscan.rows=[1, 48]",
		"detectors.0.amplifiers.1.region={columns: [1, 112], rows: [49, 96]}", "detectors.0.amplifiers.1.overscan.rows=[49, 96]"},
}

func simulated(camera string) func() (*demo.Result, error) {
	return sync.OnceValues(func() (*demo.Result, error) {
		dir, err := scratch()
		if err != nil {
			return nil, err
		}
		return demo.Run(demo.Options{Dir: filepath.Join(dir, camera), Camera: camera, Seed: 7, Scale: 0.01, Workers: 2, Set: small[camera], Log: zap.NewNop()})
	})
}

var campaigns = map[string]func() (*demo.Result, error){"quillon": simulated("quillon"), "brindle": simulated("brindle")}

// aRun is a small run of a camera.
func aRun(t testing.TB, camera string) Run {
	t.Helper()
	r, err := campaigns[camera]()
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Run.Frames) < 4 || len(r.Run.Failures) > 0 {
		t.Fatalf("%d frames, %v", len(r.Run.Frames), r.Run.Failures)
	}
	return Run{Summary: r.Run, Products: filepath.Join(r.Dir, demo.ProductsDir), Masters: filepath.Join(r.Dir, demo.MastersDir)}
}

func mustMake(t testing.TB, run Run, opt Options) *Page {
	t.Helper()
	p, err := OfRun(run, opt)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// files reads all files of a folder.
func files(t testing.TB, dir string) map[string]string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for _, e := range entries {
		b, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		out[e.Name()] = string(b)
	}
	return out
}

func TestAPageOfARunShowsEachFrameWithAllItHas(t *testing.T) {
	for camera := range campaigns {
		t.Run(camera, func(t *testing.T) {
			run := aRun(t, camera)
			dir := t.TempDir()
			p := mustMake(t, run, Options{Out: dir, Workers: 2})
			if got, want := slices.Sorted(maps.Keys(files(t, dir))), []string{"failures.csv", "frames.csv", "index.html", "masters.csv", "page.json", "trends.csv"}; !slices.Equal(got, want) {
				t.Errorf("files %v, want %v", got, want)
			}
			if len(p.Frames) != len(run.Summary.Frames) || len(p.Details) != len(p.Frames) || p.Counts.Found != run.Summary.Counts.Found || p.Counts.Done != run.Summary.Counts.Done {
				t.Fatalf("%d lines, %d details, counts %+v of %+v", len(p.Frames), len(p.Details), p.Counts, run.Summary.Counts)
			}
			for i, d := range p.Details {
				s := &run.Summary.Frames[i]
				f := d.Frame
				if f.N != i+1 || f.Name != filepath.Base(s.Raw) || *f.Good != s.Good || f.Time != s.Time+"Z" || !slices.Equal(f.Warnings[:len(s.Warnings)], s.Warnings) {
					t.Errorf("line %+v of %+v", f, s)
				}
				if d.Problem != "" {
					t.Errorf("%s: %s", f.Name, d.Problem)
				}
				var kinds []string
				for _, im := range d.Images {
					kinds = append(kinds, im.Kind)
					got, err := png.Decode(bytes.NewReader(im.PNG))
					if err != nil || got.Bounds().Dx() != im.Width || got.Bounds().Dy() != im.Height || im.Alt == "" || (im.Stretch == nil) != (im.Kind == "flags") {
						t.Errorf("%s: picture %s: %v", f.Name, im.Kind, err)
					}
				}
				for _, p := range d.Plots {
					kinds = append(kinds, p.Kind)
					if len(p.SVG) == 0 || p.Alt == "" || len(p.Series) == 0 {
						t.Errorf("%s: plot %s is empty", f.Name, p.Kind)
					}
				}
				if want := []string{"raw", "value", "flags", "histogram", "profiles", "noise"}; !slices.Equal(kinds, want) {
					t.Errorf("%s has %v, want %v", f.Name, kinds, want)
				}
				record, err := pipeline.ReadProvenance(filepath.Join(run.Products, filepath.Base(s.Product)))
				if err != nil || d.Provenance != record.Text() || d.Command != "evenlight provenance "+record.File {
					t.Errorf("%s: provenance %v", f.Name, err)
				}
				if _, err := os.Stat(filepath.Join(dir, filepath.FromSlash(f.Link))); err != nil {
					t.Error(err)
				}
				if len(d.Masters) != len(s.Masters) {
					t.Errorf("%d masters, want %d", len(d.Masters), len(s.Masters))
				}
				for j, m := range d.Masters {
					if m.Name != s.Masters[j].Name || *m.AgeDays != s.Masters[j].AgeDays || m.Master == "" {
						t.Errorf("master %+v, want %+v", m, s.Masters[j])
					}
				}
			}
			for i, d := range p.MasterDetails {
				m := d.Master
				if d.Problem != "" || m.State != StateGood || m.Served == 0 || m.OldestD == nil || len(d.Images) == 0 || len(d.Inputs) == 0 || d.Provenance == "" || p.Masters[i].ID != m.ID {
					t.Errorf("master %+v: %s, %d pictures", m, d.Problem, len(d.Images))
				}
			}
			if len(p.MasterDetails) == 0 || len(p.Trends) == 0 {
				t.Error("there are no masters, or no trends")
			}
		})
	}
}

// The figures that a product holds tell the same as the summary of its run, so
// that the page of a period shows what that of the run did.
func TestAProductTellsWhatTheSummarySays(t *testing.T) {
	for camera := range campaigns {
		run := aRun(t, camera)
		reader := pipeline.NewProductReader()
		library, err := pipeline.OpenLibrary(run.Masters)
		if err != nil {
			t.Fatal(err)
		}
		index := indexOf(library)
		for i := range run.Summary.Frames {
			want := run.Summary.Frames[i]
			v, err := reader.View(want.Product)
			if err != nil {
				t.Fatal(err)
			}
			got := *v.Report
			uses := index.uses(v, nil)
			for j, m := range want.Masters {
				if uses[j].Name != m.Name || *uses[j].AgeDays != m.AgeDays || uses[j].TempDiffK != nil && *uses[j].TempDiffK != *m.TempDiffK {
					t.Errorf("%s: master %+v, want %+v", want.Product, uses[j], m)
				}
			}
			want.Raw, want.Masters, got.Masters = filepath.Base(want.Raw), nil, nil
			a, errA := json.Marshal(got)
			b, errB := json.Marshal(want)
			if errA != nil || errB != nil || string(a) != string(b) {
				t.Errorf("%s tells\n%s\nand the summary\n%s", want.Product, a, b)
			}
			v.Close()
		}
	}
}

func TestTheSameFilesGiveTheSameBytesForAnyNumberOfWorkers(t *testing.T) {
	run, dir := aRun(t, "quillon"), t.TempDir()
	mustMake(t, run, Options{Out: dir, Workers: 1})
	one := files(t, dir)
	for _, workers := range []int{1, 4} {
		mustMake(t, run, Options{Out: dir, Workers: workers})
		if !maps.Equal(one, files(t, dir)) {
			t.Errorf("made again by %d workers it differs", workers)
		}
	}
	stamped := mustMake(t, run, Options{Out: dir, Stamp: time.Date(2031, 4, 5, 6, 7, 8, 0, time.UTC)})
	if stamped.Stamp != "2031-04-05T06:07:08Z" {
		t.Error(stamped.Stamp)
	}
}

// What cannot be read is told in its place, and the rest is shown.
func TestWhatCannotBeReadIsToldAndTheRestGoesOn(t *testing.T) {
	run := aRun(t, "quillon")
	summary := *run.Summary
	summary.Frames = slices.Clone(summary.Frames[:4])
	summary.Frames[0].Product = "nowhere-calibrated.fits"
	summary.Frames[1].Raw = "/nowhere/raw.fits"
	broken := filepath.Join(t.TempDir(), "products")
	if err := os.MkdirAll(broken, 0o777); err != nil {
		t.Fatal(err)
	}
	for i, f := range summary.Frames[1:] {
		b, err := os.ReadFile(f.Product)
		if err != nil {
			t.Fatal(err)
		}
		if i == 1 {
			b = b[:len(b)/2]
		}
		if err := os.WriteFile(filepath.Join(broken, filepath.Base(f.Product)), b, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	run.Summary, run.Products, run.Masters = &summary, broken, ""
	p := mustMake(t, run, Options{Out: t.TempDir(), Workers: 2})
	for i, want := range []struct{ state, problem string }{{StateBroken, "nowhere-calibrated.fits"}, {"", "/nowhere/raw.fits"}, {StateBroken, "cut off"}, {"", ""}} {
		d := p.Details[i]
		if want.state != "" && d.Frame.State != want.state || want.state == "" && d.Frame.State == StateBroken || !strings.Contains(d.Problem, want.problem) || want.problem == "" && d.Problem != "" {
			t.Errorf("frame %d is %s: %s", i+1, d.Frame.State, d.Problem)
		}
	}
	if a := p.Attention[0]; a.Grade != GradeAct || a.Count != 2 || !slices.Equal(a.Frames, []int{1, 3}) {
		t.Errorf("attention first: %+v", a)
	}
	for _, m := range p.MasterDetails {
		if m.Master.State != StateBroken || !strings.Contains(m.Problem, "--masters") {
			t.Errorf("master %+v: %s", m.Master, m.Problem)
		}
	}
}

func TestRawFramesAreFoundByNameInAFolder(t *testing.T) {
	dir := t.TempDir()
	write := func(name string) string {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, nil, 0o666); err != nil {
			t.Fatal(err)
		}
		return path
	}
	one, two, other := write("one.fits"), write("a/two.fits"), write("b/two.fits")
	r, err := findRaw(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ named, path, problem string }{
		{"elsewhere/one.fits", one, ""}, {two, two, ""}, {other, other, ""}, {"elsewhere/two.fits", "", "2 files"}, {"three.fits", "", "not in the folder"},
	} {
		path, problem := r.of(c.named)
		if path != c.path || !strings.Contains(problem, c.problem) || (problem == "") != (c.problem == "") {
			t.Errorf("%s: %q, %q", c.named, path, problem)
		}
	}
}

// The words of headers are shown as they are, in HTML, drawings and tables.
func TestHostileWordsOfHeadersAreText(t *testing.T) {
	run := aRun(t, "quillon")
	summary := *run.Summary
	summary.Frames = slices.Clone(summary.Frames[:4])
	for i := range summary.Frames {
		f := &summary.Frames[i]
		f.Target, f.Band, f.Mode = "=HYPERLINK(1)"+hostile, hostile, hostile
		f.Warnings = []string{hostile}
	}
	summary.Failures = []pipeline.Failure{{Raw: "raw/" + hostile + ".fits", Reason: hostile}}
	run.Summary = &summary
	dir := t.TempDir()
	p := mustMake(t, run, Options{Out: dir})
	for name, text := range files(t, dir) {
		if strings.HasSuffix(name, ".json") {
			if !json.Valid([]byte(text)) || strings.Contains(text, "<script>alert") {
				t.Errorf("%s is not plain JSON", name)
			}
			continue
		}
		if strings.ContainsAny(text, "\u202e\x07") {
			t.Errorf("%s holds hidden characters", name)
		}
		if name == IndexFile && (strings.Contains(text, "<script>alert") || strings.Contains(text, "<img src=x")) {
			t.Errorf("%s holds markup of a header", name)
		}
	}
	for _, c := range p.Trends {
		if bytes.Contains(c.SVG, []byte("<script>")) || !bytes.Contains(c.SVG, []byte("&lt;script&gt;")) {
			t.Error("a drawing holds markup of a header, or lacks its text")
		}
	}
	rows, err := csv.NewReader(strings.NewReader(files(t, dir)[framesFile])).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if got := rows[1][slices.Index(frameHead, "target")]; !strings.HasPrefix(got, "'=HYPERLINK") {
		t.Errorf("a formula stays one: %s", got)
	}
}

// fake makes items whose details are made up, so that only the page is tested.
func fake(out string, n, pictureBytes int) *builder {
	b := newBuilder(Options{Out: out, Workers: 2}, KindRun, &masterIndex{})
	b.page.Title, b.page.Instrument = "quillon, a year", "quillon"
	start := time.Date(2031, 1, 1, 0, 0, 0, 0, time.UTC)
	b.items = make([]item, n)
	for i := range b.items {
		b.items[i] = item{product: fmt.Sprintf("products/%05d-scene-calibrated.fits", i), raw: fmt.Sprintf("raw/%05d-scene.fits", i)}
	}
	shared := bytes.Repeat([]byte{1}, pictureBytes)
	drawing := sampleDrawing("noise")
	b.detail = func(_ *worker, it *item) built {
		var i int
		if _, err := fmt.Sscanf(filepath.Base(it.raw), "%05d", &i); err != nil {
			panic(err) // names are those above
		}
		v, one := 1+0.01*float64(i%7), 0.99
		r := &pipeline.FrameReport{Raw: it.raw, Product: it.product, Detector: "main", Band: []string{"green", "red"}[i%2], Mode: "normal", Target: "Tessaly",
			Time: start.Add(time.Duration(i) * 50 * time.Minute).Format("2006-01-02T15:04:05.000"), ExposureS: 1, Unit: "electron", Background: &v, Median: &v, TempK: &v, NoiseRatio: &v, Good: one,
			Fractions:  map[string]float64{"saturated": 0.001, "hot": 0.002, "dead": 0.0001},
			Amplifiers: []pipeline.AmpReport{{Name: "left", OffsetDN: &v, DriftDN: &v, ReadNoiseE: &v}}, Warnings: []string{}}
		if i%50 == 0 {
			r.Warnings = []string{fmt.Sprintf("noise is %.2f of the expected (fine structure of the scene counts as noise here)", v)}
		}
		d := Detail{Frame: frameOf(it, r), Images: []Image{{Kind: "value", Alt: "result", Width: 1, Height: 1, PNG: shared}}, Plots: []Plot{{Kind: "noise", SVG: drawing}},
			Masters: []MasterUse{{Kind: "bias", Name: "bias.fits", SHA256: "aa", AgeDays: &v}}, Provenance: "made up"}
		return built{d, r}
	}
	return b
}

// mostBytes is the bound on each file of a page.
const mostBytes = 20e6

func TestTenThousandFramesTakeNoLargeFileAndBoundedMemory(t *testing.T) {
	dir := t.TempDir()
	const n = 10_000
	heap := watchHeap()
	p, err := fake(dir, n, 500).make()
	peak := heap()
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Frames) != n || len(p.Parts) != n/framesInPart+1 {
		t.Errorf("%d frames in %d parts", len(p.Frames), len(p.Parts))
	}
	total := int64(0)
	err = filepath.WalkDir(dir, func(path string, e os.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		st, err := e.Info()
		if err != nil {
			return err
		}
		total += st.Size()
		if st.Size() > mostBytes {
			t.Errorf("%s has %d bytes", e.Name(), st.Size())
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	// The lines of the table and the points of the charts stay in memory, and
	// the index while it is written, each some times over.
	if peak > 256<<20 {
		t.Errorf("%d MiB of memory", peak>>20)
	}
	t.Logf("%d MB in all, %d MiB of memory at most", total/1e6, peak>>20)
	for i, f := range p.Frames {
		if want := fmt.Sprintf("frames-%04d.html", i/framesInPart+1); f.Part != want {
			t.Fatalf("frame %d is in %s, want %s", f.N, f.Part, want)
		}
	}
	mustHold(t, dir, p)
}

// mustHold checks that each part holds the frames that the index says, and that
// parts are linked in a row.
func mustHold(t *testing.T, dir string, p *Page) {
	t.Helper()
	next := map[string]int{PartFrames: 1, PartMasters: 1}
	before := map[string]string{}
	for i, ref := range p.Parts {
		text, err := os.ReadFile(filepath.Join(dir, strings.TrimSuffix(ref.File, ".html")+".json"))
		if err != nil {
			t.Fatal(err)
		}
		var part Part
		if err := json.Unmarshal(text, &part); err != nil {
			t.Fatal(err)
		}
		after := ""
		if i+1 < len(p.Parts) && p.Parts[i+1].Kind == ref.Kind {
			after = p.Parts[i+1].File
		}
		if ref.First != next[ref.Kind] || part.Ref != ref || part.Before != before[ref.Kind] || part.After != after || len(part.Frames)+len(part.Masters) != ref.Last-ref.First+1 {
			t.Fatalf("part %+v: before %q, after %q, %d frames", ref, part.Before, part.After, len(part.Frames))
		}
		for j, d := range part.Frames {
			if d.Frame.N != ref.First+j || d.Frame.Part != ref.File {
				t.Fatalf("%s holds %+v", ref.File, d.Frame)
			}
		}
		next[ref.Kind], before[ref.Kind] = ref.Last+1, ref.File
	}
	if next[PartFrames] != len(p.Frames)+1 || next[PartMasters] != len(p.Masters)+1 {
		t.Errorf("the parts end before frame %d and master %d", next[PartFrames], next[PartMasters])
	}
}

func TestPartsOfLargeFramesStayBelowTheBound(t *testing.T) {
	dir := t.TempDir()
	p, err := fake(dir, 150, 250_000).make()
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Parts) < 5 {
		t.Errorf("%d parts", len(p.Parts))
	}
	for name, text := range files(t, dir) {
		if len(text) > mostBytes {
			t.Errorf("%s has %d bytes", name, len(text))
		}
	}
	mustHold(t, dir, p)
}

// A page that is made anew with fewer parts leaves none of the old ones, and
// touches nothing else.
func TestOldPartsGoAndOtherFilesStay(t *testing.T) {
	dir := t.TempDir()
	for _, other := range []string{"frames-0003.txt", "frames-9999.html", "notes.html"} {
		if err := os.WriteFile(filepath.Join(dir, other), []byte("mine"), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := fake(dir, 3*framesInPart, 10).make(); err != nil {
		t.Fatal(err)
	}
	if f := files(t, dir); f["frames-0003.html"] == "" || f["frames-0003.json"] == "" || f["masters-0001.html"] == "" {
		t.Fatal("there are not three parts")
	}
	p, err := fake(dir, 4, 10).make()
	if err != nil || len(p.Parts) != 0 {
		t.Fatal(p, err)
	}
	var got []string
	for name := range files(t, dir) {
		got = append(got, name)
	}
	slices.Sort(got)
	want := []string{"failures.csv", "frames-0003.txt", "frames-9999.html", "frames.csv", "index.html", "masters.csv", "notes.html", "page.json", "trends.csv"}
	if !slices.Equal(got, want) {
		t.Errorf("files %v, want %v", got, want)
	}
}

func TestASummaryThatIsNoneIsNamed(t *testing.T) {
	dir := t.TempDir()
	for name, c := range map[string]struct{ text, says string }{"absent": {"", "--summary"}, "not JSON": {"{", "no summary"}, "of something else": {`{"software":"x"}`, "no summary"}} {
		path := filepath.Join(dir, strings.ReplaceAll(name, " ", "-")+".json")
		if c.text != "" {
			if err := fitsutil.WriteFile(path, []byte(c.text), fitsutil.CreateOptions{}); err != nil {
				t.Fatal(err)
			}
		}
		if _, err := ReadSummary(path); err == nil || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), path) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
