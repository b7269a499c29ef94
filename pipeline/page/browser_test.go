package page

import (
	"bufio"
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"evenlight/pipeline/plots"
)

// browserFiles are the pages that the browser is shown.
type browserFiles struct {
	Small string `json:"small"` // one file with all details
	Big   string `json:"big"`   // index of manyFrames frames
	Part  string `json:"part"`  // its first part
	// Pages of a run that found nothing, and of one whose only product cannot be
	// read.
	Empty  string `json:"empty"`
	Broken string `json:"broken"`
}

// expected is what testdata/browser.mjs compares with, computed here from the
// frames.
type expected struct {
	Files        browserFiles `json:"files"`
	HostileShown string       `json:"hostileShown"`
	Small        int          `json:"small"`
	Part         int          `json:"part"`
	Total        int          `json:"total"`
	MedianUp     []string     `json:"medianUp"` // the first rowsAtOnce IDs, lowest median first
	MedianDown   []string     `json:"medianDown"`
	BandUp       []string     `json:"bandUp"`

	Green          int      `json:"green"`
	GreenIR        int      `json:"greenIR"`
	GreenIRLook    int      `json:"greenIRLook"`
	GreenIRLookIDs []string `json:"greenIRLookIDs"`
	Green0042      int      `json:"green0042"` // with both words somewhere
	Look           int      `json:"look"`
}

const (
	smallFrames = 12
	manyFrames  = 10000
	partFrames  = 5 // of the part that is looked at
	rowsAtOnce  = 100
)

// Pages are looked at in Debian's chromium; one start serves all checks, which
// are written in testdata/browser.mjs.
func TestPagesInABrowser(t *testing.T) {
	tools := needBrowser(t)
	want := writeBrowserPages(t, pagesFolder(t))
	data, err := json.Marshal(want)
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "expected.json")
	if err := os.WriteFile(file, data, 0o666); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("node", filepath.Join("testdata", "browser.mjs"), file)
	cmd.Env = append(os.Environ(), tools...)
	var problems bytes.Buffer
	cmd.Stderr = &problems
	out, err := cmd.Output()
	if err != nil {
		t.Errorf("node: %v\n%s", err, problems.Bytes())
	}
	seen, done := 0, -1
	lines := bufio.NewScanner(bytes.NewReader(out))
	lines.Buffer(nil, 1<<24)
	for lines.Scan() {
		var line struct {
			Name, Error, Note string
			Seconds           float64
			Done              *int
		}
		if err := json.Unmarshal(lines.Bytes(), &line); err != nil {
			t.Fatalf("%v in %s", err, lines.Bytes())
		}
		switch {
		case line.Note != "":
			t.Log(line.Note)
		case line.Done != nil:
			done = *line.Done
		default:
			seen++
			t.Run(line.Name, func(t *testing.T) {
				t.Logf("%.1f s", line.Seconds)
				if line.Error != "" {
					t.Error(line.Error)
				}
			})
		}
	}
	if seen == 0 || seen != done {
		t.Errorf("%d checks told their result, %d were made", seen, done)
	}
}

// needBrowser finds what the checks need, as settings of the environment; where
// it is missing the test is skipped, or fails if EVENLIGHT_REQUIRE_TOOLS is set.
func needBrowser(t *testing.T) []string {
	t.Helper()
	give := t.Skipf
	if os.Getenv("EVENLIGHT_REQUIRE_TOOLS") != "" {
		give = t.Fatalf
	}
	browser, err := exec.LookPath(cmp.Or(os.Getenv("EVENLIGHT_BROWSER"), "chromium"))
	if err != nil {
		give("no browser: install chromium, or set EVENLIGHT_BROWSER: %v", err)
	}
	if _, err := exec.LookPath("node"); err != nil {
		give("no node: %v", err)
	}
	modules := os.Getenv("EVENLIGHT_BROWSER_TOOLS")
	for _, module := range []string{"playwright-core", "html-validate"} {
		if _, err := os.Stat(filepath.Join(modules, module, "package.json")); modules == "" || err != nil {
			give("set EVENLIGHT_BROWSER_TOOLS to the node_modules folder that holds npm's playwright-core and html-validate: no %s", module)
		}
	}
	return []string{"EVENLIGHT_BROWSER=" + browser, "EVENLIGHT_BROWSER_TOOLS=" + modules}
}

// pagesFolder is where the pages go: EVENLIGHT_PAGES names a folder that keeps
// them for eyes.
func pagesFolder(t *testing.T) string {
	if dir := os.Getenv("EVENLIGHT_PAGES"); dir != "" {
		return dir
	}
	return t.TempDir()
}

func writeBrowserPages(t *testing.T, dir string) *expected {
	t.Helper()
	small, big := SamplePage(smallFrames), SamplePage(rowsAtOnce)
	drawn := samplePlots(t)
	for _, p := range []*Page{small, big} {
		for i := range p.Trends {
			p.Trends[i].SVG = drawn[0]
		}
		for i := range p.Details {
			for k := range p.Details[i].Plots {
				p.Details[i].Plots[k].SVG = drawn[k%len(drawn)]
			}
		}
	}
	part := &Part{Title: "frames 1 to 5", Software: big.Software, Version: big.Version, Sampling: big.Sampling,
		Ref: PartRef{File: "frames-0001.html", Kind: PartFrames, First: 1, Last: partFrames}, After: "frames-0002.html", Frames: big.Details[:partFrames]}
	big.Details, big.MasterDetails = nil, nil
	big.Frames = manyOf(big.Frames)
	want := expectedOf(big.Frames)
	want.Files = browserFiles{filepath.Join(dir, "small.html"), filepath.Join(dir, IndexFile), filepath.Join(dir, part.Ref.File),
		filepath.Join(dir, "empty.html"), filepath.Join(dir, "broken.html")}
	for file, draw := range map[string]func(*bytes.Buffer) error{
		want.Files.Small: func(b *bytes.Buffer) error { return Render(b, small) },
		want.Files.Big:   func(b *bytes.Buffer) error { return Render(b, big) },
		want.Files.Part:  func(b *bytes.Buffer) error { return RenderPart(b, part) },
		want.Files.Empty: func(b *bytes.Buffer) error { return Render(b, &Page{Title: "quillon, run of 0 frames"}) },
		want.Files.Broken: func(b *bytes.Buffer) error {
			f := Frame{N: 1, ID: frameID(1), Name: "0001-scene.fits", State: StateBroken, Warnings: []string{"the product cannot be read"}}
			return Render(b, &Page{Title: "quillon, run of 1 frame", Frames: []Frame{f}, Details: []Detail{{Frame: f, Problem: "unexpected end of file"}}})
		},
	} {
		var b bytes.Buffer
		if err := draw(&b); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, b.Bytes(), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	return want
}

// samplePlots draws plots with all that drawings on a page may have.
func samplePlots(t *testing.T) [][]byte {
	t.Helper()
	x := []float64{1, 2, 3, 4}
	chart := &plots.Chart{Heading: plots.Heading{Title: "noise_ratio", Subject: "quillon, vis", Notes: []string{"Hollow points are of the baseline."}},
		X: plots.Axis{Label: "hours"}, Y: plots.Axis{Label: "noise_ratio"},
		Points: []plots.Points{{Name: "in", X: x, Y: []float64{1, 2, 1, 2}, Used: []bool{false, true, true, true}}, {Name: "out", X: x[:2], Y: []float64{4, 5}}},
		Curves: []plots.Curve{{Name: "expected", X: x, Y: x}}, Limits: []plots.Limit{{Name: "upper", At: 3}}}
	counts := &plots.Histogram{Heading: plots.Heading{Title: "Values"}, XLabel: "value, DN", Sets: []plots.Counts{{Name: "pixels", Edges: x, Counts: []float64{10, 300, 5}}}}
	var out [][]byte
	for _, draw := range []func() (*plots.Figure, error){chart.Draw, counts.Draw} {
		svg, err := svgOf(draw())
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, svg)
	}
	return out
}

// manyOf makes frames like those given, in parts of rowsAtOnce.
func manyOf(like []Frame) []Frame {
	random := rand.New(rand.NewPCG(6, 1))
	out := make([]Frame, manyFrames)
	for i := range out {
		f := like[i%len(like)]
		f.N, f.ID, f.Name = i+1, frameID(i+1), fmt.Sprintf("%05d-scene.fits", i+1)
		f.Part = partName(PartFrames, 1+i/rowsAtOnce) + ".html"
		f.Band = []string{"violet", "green", "red", ""}[random.IntN(4)]
		f.Detector = []string{"vis", "ir"}[random.IntN(2)]
		f.Median = nil
		if i%50 != 0 {
			median := float64(random.IntN(5000)) / 4
			f.Median = &median
		}
		out[i] = f
	}
	return out
}

func expectedOf(frames []Frame) *expected {
	want := &expected{HostileShown: show(hostile), Small: smallFrames, Part: partFrames, Total: len(frames)}
	// Those without a value come last, whichever way the others go.
	byMedian := func(sign int) func(a, b Frame) int {
		return func(a, b Frame) int {
			if a.Median == nil || b.Median == nil {
				return cmp.Compare(btoi(a.Median == nil), btoi(b.Median == nil))
			}
			return sign * cmp.Compare(*a.Median, *b.Median)
		}
	}
	want.MedianUp = firstIDs(frames, byMedian(1))
	want.MedianDown = firstIDs(frames, byMedian(-1))
	want.BandUp = firstIDs(frames, func(a, b Frame) int {
		return cmp.Or(cmp.Compare(btoi(a.Band == ""), btoi(b.Band == "")), strings.Compare(a.Band, b.Band))
	})
	for i := range frames {
		f := &frames[i]
		want.Look += btoi(f.State == StateLook)
		if f.Band != "green" {
			continue
		}
		want.Green++
		want.Green0042 += btoi(strings.Contains(f.Name, "0042"))
		want.GreenIR += btoi(f.Detector == "ir")
		if f.Detector == "ir" && f.State == StateLook {
			want.GreenIRLook++
			if len(want.GreenIRLookIDs) < rowsAtOnce {
				want.GreenIRLookIDs = append(want.GreenIRLookIDs, f.ID)
			}
		}
	}
	return want
}

func firstIDs(frames []Frame, compare func(a, b Frame) int) []string {
	sorted := slices.Clone(frames)
	slices.SortStableFunc(sorted, compare)
	var ids []string
	for _, f := range sorted[:rowsAtOnce] {
		ids = append(ids, f.ID)
	}
	return ids
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}
