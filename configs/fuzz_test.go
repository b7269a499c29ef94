package configs

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"testing"
)

// Whatever the text: Parse answers with a profile or with problems that say
// where and what to do; and a profile survives being written and read again,
// and passes the published schema.
func FuzzParse(f *testing.F) {
	for _, pattern := range []string{"*.yaml", filepath.Join("..", "testdata", "profiles", "*.yaml")} {
		paths, err := filepath.Glob(pattern)
		if err != nil {
			f.Fatal(err)
		}
		for _, path := range paths {
			text, err := os.ReadFile(path)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(text, "")
			f.Add(text, "output.quantity=electrons")
			f.Add(text, "detectors.0.amplifiers.0={name: x}")
		}
	}
	schema := compiled(f, Schema())
	f.Fuzz(func(t *testing.T, text []byte, set string) {
		var over Overrides
		if set != "" {
			over.Set = []string{set}
		}
		p, err := Parse("fuzz.yaml", text, over)
		if err != nil {
			var list ProblemList
			if !errors.As(err, &list) {
				t.Fatalf("the error is a %T: %v", err, err)
			}
			for _, problem := range list {
				if problem.File == "" || problem.Problem == "" || problem.Remedy == "" || problem.Line < 0 {
					t.Fatalf("a problem lacks its place, words or remedy: %+v", problem)
				}
			}
			return
		}
		canonical := p.Canonical()
		again, err := Parse("canonical", canonical, Overrides{})
		if err != nil {
			t.Fatalf("the canonical text is refused: %v\n%s", err, canonical)
		}
		if !reflect.DeepEqual(p, again) {
			t.Fatalf("the profile changed:\n%+v\n%+v\n%s", p, again, canonical)
		}
		if !bytes.Equal(canonical, again.Canonical()) {
			t.Fatalf("the canonical text changed:\n%s\n%s", canonical, again.Canonical())
		}
		if err := schema.Validate(document(t, canonical)); err != nil {
			t.Fatalf("the schema refuses a good profile: %v\n%s", err, canonical)
		}
	})
}
