package main

import (
	"bytes"
	"errors"
	"path/filepath"
	"strings"
	"testing"
)

func TestProgressIsPlainLinesWhereThereIsNoTerminal(t *testing.T) {
	type step struct {
		done, total int
		what        string
	}
	count := func(total int) (all []step) {
		for i := range total {
			all = append(all, step{i + 1, total, "f"})
		}
		return all
	}
	tests := []struct {
		name  string
		steps []step
		want  string
	}{
		{"each of a few files", []step{{1, 3, "a"}, {2, 3, "b"}, {3, 3, "c"}}, "1/3 a\n2/3 b\n3/3 c\n"},
		{"one line at each tenth", count(40), "1/40 f\n4/40 f\n8/40 f\n12/40 f\n16/40 f\n20/40 f\n24/40 f\n28/40 f\n32/40 f\n36/40 f\n40/40 f\n"},
		{"steps without a count", []step{{0, 0, "simulating"}, {0, 0, "comparing"}}, "simulating\ncomparing\n"},
		{"a new step counts afresh", []step{{1, 1, "a"}, {0, 0, "next"}, {1, 1, "b"}}, "1/1 a\nnext\n1/1 b\n"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			var out bytes.Buffer
			tell := progress(&out)
			for _, s := range test.steps {
				tell(s.done, s.total, s.what)
			}
			if out.String() != test.want {
				t.Errorf("wrote\n%s\nwant\n%s", out.String(), test.want)
			}
		})
	}
}

func TestProgressLeavesStandardOutputAlone(t *testing.T) {
	demo := sharedCampaign(t)
	scene := demo.scenes(t, 1)[0]
	got := command(append(demo.calibrate(t.TempDir(), scene), "--json")...)
	parse(t, got.out)
	mustContain(t, "standard error", got.errors, "1/1 "+scene+"\n")
	if strings.ContainsAny(got.errors, "\r\x1b") {
		t.Errorf("control characters where there is no terminal: %q", got.errors)
	}
}

func TestOutcomeOfCounts(t *testing.T) {
	for _, test := range []struct{ done, failures, code int }{
		{3, 0, exitDone}, {3, 1, exitSome}, {0, 1, exitNothing}, {0, 0, exitNothing},
	} {
		code, err := exitDone, outcome(test.done, test.failures, "nothing there")
		var e *exitError
		if errors.As(err, &e) {
			code = e.code
		}
		if code != test.code {
			t.Errorf("%d done and %d failed: exit code %d, want %d", test.done, test.failures, code, test.code)
		}
		if said := err != nil && err.Error() == "nothing there"; said != (test.done+test.failures == 0) {
			t.Errorf("%d done and %d failed: error %v", test.done, test.failures, err)
		}
	}
}

func TestSummaryFileReplacesAnOlderOneAndLeavesNothingBeside(t *testing.T) {
	demo := sharedCampaign(t)
	dir := t.TempDir()
	path := writeFile(t, dir, "qa.json", []byte("an older summary"))
	got := command(append(demo.calibrate(t.TempDir(), demo.scenes(t, 1)[0]), "--summary", path)...)
	if got.code != exitDone {
		t.Fatal(got.errors)
	}
	parse(t, string(readFile(t, path)))
	if files := hashes(t, dir); len(files) != 1 {
		t.Errorf("the folder holds %v, want the summary alone", files)
	}
}

func TestSummaryThatCannotBeWrittenIsReported(t *testing.T) {
	demo := sharedCampaign(t)
	path := filepath.Join(t.TempDir(), "nowhere", "qa.json")
	got := command(append(demo.calibrate(t.TempDir(), demo.scenes(t, 1)[0]), "--summary", path)...)
	if got.code != exitNothing {
		t.Errorf("exit code %d, want %d", got.code, exitNothing)
	}
	mustContain(t, "standard error", got.errors, "QA summary", filepath.Dir(path))
}
