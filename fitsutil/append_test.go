package fitsutil

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
)

func TestLinesAreAddedAfterWhatIsThere(t *testing.T) {
	for name, c := range map[string]struct{ before, after string }{
		"a new file":             {"", "new\n"},
		"whole lines":            {"one\ntwo\n", "one\ntwo\nnew\n"},
		"a line that was cut":    {"one\ntw", "one\ntw\nnew\n"},
		"nothing but a cut line": {"o", "o\nnew\n"},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "lines")
			if c.before != "" {
				if err := os.WriteFile(path, []byte(c.before), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			held := ""
			err := AppendAfter(path, func(r io.Reader) ([]byte, error) {
				b, err := io.ReadAll(r)
				held = string(b)
				return []byte("new\n"), err
			})
			if err != nil {
				t.Fatal(err)
			}
			if held != c.before {
				t.Errorf("next was shown %q, want %q", held, c.before)
			}
			if got, err := os.ReadFile(path); err != nil || string(got) != c.after {
				t.Errorf("%q, %v; want %q", got, err, c.after)
			}
		})
	}
}

func TestALineThatIsRefusedLeavesTheFileAsItIs(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lines")
	if err := os.WriteFile(path, []byte("one\ntw"), 0o600); err != nil {
		t.Fatal(err)
	}
	refused := errors.New("refused")
	if err := AppendAfter(path, func(io.Reader) ([]byte, error) { return []byte("new\n"), refused }); !errors.Is(err, refused) {
		t.Errorf("%v, want the refusal", err)
	}
	if got, _ := os.ReadFile(path); string(got) != "one\ntw" {
		t.Errorf("the file holds %q", got)
	}
}

// Each writer adds a line that says how many lines it saw. Were two of them at
// work at once, a number would come twice or a line be torn.
func TestWritersAtOnceTakeTurns(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lines")
	const writers, each = 8, 25
	var all sync.WaitGroup
	for range writers {
		all.Go(func() {
			for range each {
				err := AppendAfter(path, func(held io.Reader) ([]byte, error) {
					b, err := io.ReadAll(held)
					return fmt.Appendf(nil, "%d %s\n", strings.Count(string(b), "\n"), strings.Repeat("x", 3000)), err
				})
				if err != nil {
					t.Error(err)
				}
			}
		})
	}
	all.Wait()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSuffix(string(text), "\n"), "\n")
	if len(lines) != writers*each {
		t.Fatalf("%d lines, want %d", len(lines), writers*each)
	}
	for i, line := range lines {
		if want := fmt.Sprintf("%d %s", i, strings.Repeat("x", 3000)); line != want {
			t.Fatalf("line %d is %.20q of %d bytes", i, line, len(line))
		}
	}
}
