package pipeline

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"evenlight/fitsutil"
)

func TestAnEntryIsFoundByItsPathNameOrContent(t *testing.T) {
	all := []Entry{{Name: "a.fits", Path: "m/a.fits", SHA256: sha("a")}, {Name: "b.fits", Path: "m/b.fits", SHA256: sha("b")},
		{Name: "b.fits", Path: "m/old/b.fits", SHA256: sha("c")}, {Name: "copy.fits", Path: "m/copy.fits", SHA256: sha("a")}}
	for word, want := range map[string]string{
		"a.fits": sha("a"), "m/old/b.fits": sha("c"), "./m/b.fits": sha("b"), "626262": sha("b"), sha("c"): sha("c"), "616161": sha("a"), // two files of one content
	} {
		if e, err := FindEntry(all, word); err != nil || e.SHA256 != want {
			t.Errorf("%s: %v, %v", word, e, err)
		}
	}
	for word, want := range map[string]string{"b.fits": "m/b.fits and m/old/b.fits", "62626": "library list", "x.fits": "library list"} {
		if _, err := FindEntry(all, word); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", word, err, want)
		}
	}
}

// writeFrom writes the header of a master or product that was made of some other
// files.
func writeFrom(t *testing.T, path, what string, inputs ...string) string {
	t.Helper()
	h := fitsutil.NewHeader()
	record := Provenance{Software: Software, Version: Version, ProfileHash: sha("p"),
		Stages: []StageRecord{{Name: filepath.Base(path)}}} // so that no two contents are the same
	for _, in := range inputs {
		record.Inputs = append(record.Inputs, Input{"input", filepath.Base(in), contentOf(t, in)})
	}
	w := cardWriter{h: h}
	if kind, ok := strings.CutPrefix(what, "master "); ok {
		m := *dark("x", 8, 8, 260, 260, 1)
		m.Kind, m.BiasSHA256 = kind, sha("b")
		w.err = m.writeTo(h)
	} else {
		w.set("PRODUCT", what, "")
		w.set("INSTRUME", "quillon", "")
		w.set("DETECTOR", "main", "")
	}
	if w.err == nil {
		w.err = record.writeTo(h)
	}
	if w.err != nil {
		t.Fatal(w.err)
	}
	file, err := fitsutil.Create(path, fitsutil.CreateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer file.Abort()
	if _, err := file.AddImage(h, 8); err != nil {
		t.Fatal(err)
	}
	if err := file.Commit(); err != nil {
		t.Fatal(err)
	}
	return path
}

func contentOf(t *testing.T, path string) string {
	t.Helper()
	sum, err := (&contents{}).of(&Master{Path: path})
	if err != nil {
		t.Fatal(err)
	}
	return sum
}

func TestWhatWasMadeWithAMasterIsFoundAlsoByWayOfOthers(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	bias := writeFrom(t, at("bias.fits"), "master bias")
	darkPath := writeFrom(t, at("dark.fits"), "master dark", bias)
	mask := writeFrom(t, at("a-mask.fits"), "master bad-pixels", darkPath) // comes before the dark in the folder
	other := writeFrom(t, at("other.fits"), "master bias")
	damaged := writeFrom(t, at("damaged.fits"), "master bias")
	text, err := os.ReadFile(damaged)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(damaged, bytes.Replace(text, []byte("NINPUTS ="), []byte("LOSTCARD="), 1), 0o600); err != nil {
		t.Fatal(err)
	}
	l := mustOpen(t, dir)
	made, unreadable := l.MadeWith(contentOf(t, bias))
	if len(unreadable) != 1 || !strings.Contains(unreadable[0].Error(), damaged) {
		t.Errorf("unreadable: %v, want %s alone", unreadable, damaged)
	}
	var names []string
	for _, m := range made {
		names = append(names, filepath.Base(m.Path))
	}
	if !slices.Equal(names, []string{"a-mask.fits", "dark.fits"}) {
		t.Errorf("made with the bias: %v", names)
	}
	made, _ = l.MadeWith(contentOf(t, darkPath))
	direct := writeFrom(t, at("direct.fits"), whatFrame, darkPath, other)
	through := writeFrom(t, at("through.fits"), whatFrame, mask)
	writeFrom(t, at("apart.fits"), whatFrame, other)
	cube := writeFrom(t, at("cube.fits"), whatCube, through)
	writeFrom(t, at("apart-cube.fits"), whatCube, at("apart.fits"))
	noFITS := at("text.fits")
	if err := os.WriteFile(noFITS, []byte("SIMPLE? no"), 0o600); err != nil {
		t.Fatal(err)
	}
	files, err := FindFrames([]string{dir})
	if err != nil {
		t.Fatal(err)
	}
	uses, unreadable := FindUses(contentOf(t, darkPath), made, files)
	want := []Use{{direct, ""}, {through, "a-mask.fits"}, {cube, "through.fits"}}
	if !slices.Equal(uses, want) {
		t.Errorf("%v, want %v", uses, want)
	}
	if len(unreadable) != 2 || !strings.Contains(unreadable[0].Error(), damaged) || !strings.Contains(unreadable[1].Error(), noFITS) {
		t.Errorf("unreadable: %v, want %s and %s", unreadable, damaged, noFITS)
	}
}

func TestCharacterisationsAreListedAndDecidedAbout(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "quillon-main-characterisation.json")
	written := func(begin string) string {
		c := &Characterisation{Format: CharacterisationFormat, What: whatCharacterisation, Instrument: "quillon", Detector: "main", Mode: "normal",
			Begin: begin, End: "2031-03-02T12:00:00.000"}
		text, err := c.identify()
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	text := written("2031-03-01T12:00:00.000")
	_, stated, _ := strings.Cut(text, `"sha256": "`)
	stated = stated[:12]
	for name, content := range map[string]string{path: text, filepath.Join(dir, "bad-characterisation.json"): written(""), filepath.Join(dir, "changed-characterisation.json"): strings.Replace(text, "quillon", "pellam", 1),
		filepath.Join(dir, "summary.json"): "{}"} {
		if err := os.WriteFile(name, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	l, err := OpenLibrary(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(l.Unreadable) != 2 || !strings.Contains(l.Unreadable[0].Error(), "its begin") || !strings.Contains(l.Unreadable[1].Error(), "is not what was measured") {
		t.Errorf("unreadable: %v", l.Unreadable)
	}
	all, err := l.Entries()
	if err != nil || len(all) != 1 {
		t.Fatalf("%v, %v", all, err)
	}
	e := all[0]
	if e.Kind != KindCharacterisation || e.Instrument != "quillon" || !e.Begin.Equal(day(1)) || !e.End.Equal(day(2)) || e.SHA256 != contentOf(t, path) {
		t.Errorf("%+v", e)
	}
	if found, err := FindEntry(all, stated); err != nil || found.Path != path {
		t.Errorf("by the identity that it states: %v, %v", found, err)
	}
	d := withdrawn("x", 3)
	d.SHA256 = e.SHA256
	if err := Record(dir, d); err != nil {
		t.Fatal(err)
	}
	l, err = OpenLibrary(dir)
	if err != nil {
		t.Fatal(err)
	}
	if all, err = l.Entries(); err != nil || all[0].State != StateWithdrawn || !strings.Contains(all[0].Barred, "a test of x") {
		t.Errorf("%+v, %v", all, err)
	}
	then, err := l.AsOf(day(1.5))
	if err != nil || len(then.Characterisations) != 0 {
		t.Errorf("before its last exposure the library holds %v, %v", then.Characterisations, err)
	}
}
