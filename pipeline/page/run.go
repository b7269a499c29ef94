package page

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"evenlight/pipeline"
)

// Run is a run of 'evenlight calibrate' and where its files lie.
type Run struct {
	Summary  *pipeline.RunSummary
	Products string // folder of the products
	Raw      string // file or folder of the raw frames; empty: as the summary names them
	Masters  string // folder of the masters; empty: not known, so that masters have no pictures
}

// ReadSummary reads the QA summary that a run left.
func ReadSummary(path string) (*pipeline.RunSummary, error) {
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("summary of the run: %w: name the folder that 'evenlight calibrate' wrote to, or the file with --summary", err)
	}
	if err != nil {
		return nil, fmt.Errorf("summary of the run: %w", err)
	}
	s := &pipeline.RunSummary{}
	if err := json.Unmarshal(text, s); err != nil {
		return nil, fmt.Errorf("%s is no summary of a run: %w: name the file that 'evenlight calibrate' wrote", path, err)
	}
	if s.Software != pipeline.Software {
		return nil, fmt.Errorf("%s is no summary of a run: it does not say that %s wrote it: name the file that 'evenlight calibrate' wrote", path, pipeline.Software)
	}
	return s, nil
}

// OfRun makes the page of a run.
func OfRun(run Run, opt Options) (*Page, error) {
	library := &pipeline.Library{}
	if run.Masters != "" {
		var err error
		if library, err = pipeline.OpenLibrary(run.Masters); err != nil {
			return nil, err
		}
	}
	raw, err := findRaw(run.Raw)
	if err != nil {
		return nil, err
	}
	b := newBuilder(opt, KindRun, indexOf(library))
	s := run.Summary
	p := &b.page
	p.Title = fmt.Sprintf("%s, run of %d frames", s.Instrument, s.Counts.Found)
	p.Software, p.Version, p.Instrument, p.ProfileHash, p.RunSeconds = s.Software, s.Version, s.Instrument, s.ProfileHash, s.Throughput.Seconds
	p.Counts.Found, p.Counts.Failed, p.Counts.Skipped = s.Counts.Found, s.Counts.Failed, s.Counts.Skipped
	for _, f := range s.Failures {
		p.Failures = append(p.Failures, failureOf(f.Raw, f.Reason))
	}
	goods := make([]goodOf, len(s.Frames))
	for i := range s.Frames {
		goods[i] = goodOf{likeOf(&s.Frames[i]), s.Frames[i].Good}
	}
	out := outOfTheWay(goods)
	for i := range s.Frames {
		r := &s.Frames[i]
		it := item{product: filepath.Join(run.Products, baseName(r.Product)), report: r}
		it.raw, it.noRaw = raw.of(r.Raw)
		if out[i] != "" {
			it.look = []string{out[i]}
		}
		b.items = append(b.items, it)
	}
	return b.make()
}

// rawFiles knows where raw frames lie; nil: as the summary names them.
type rawFiles map[string][]string // paths by file name

func findRaw(where string) (rawFiles, error) {
	if where == "" {
		return nil, nil
	}
	files, err := pipeline.FindFrames([]string{where})
	if err != nil {
		return nil, err
	}
	r := rawFiles{}
	for _, f := range files {
		r[filepath.Base(f)] = append(r[filepath.Base(f)], f)
	}
	return r, nil
}

// of finds the raw frame that a summary names. The second value says why there is
// none.
func (r rawFiles) of(named string) (path, problem string) {
	if r == nil {
		if _, err := os.Stat(named); err != nil {
			return "", "no picture of the raw frame: " + err.Error() + ": name the folder of the raw frames with --raw"
		}
		return named, ""
	}
	all := r[baseName(named)]
	switch i := slices.Index(all, filepath.Clean(named)); {
	case i >= 0:
		return all[i], ""
	case len(all) == 1:
		return all[0], ""
	case len(all) == 0:
		return "", "no picture of the raw frame: it is not in the folder named with --raw"
	}
	return "", fmt.Sprintf("no picture of the raw frame: %d files in the folder named with --raw have its name", len(all))
}
