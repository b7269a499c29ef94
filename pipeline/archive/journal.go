package archive

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"evenlight/fitsutil"
	"evenlight/pipeline"
	"evenlight/pipeline/ledger"
)

// journalLine is a line of the journal: what no header of a file tells, and a
// lost ledger could not get back otherwise.
type journalLine struct {
	Run   *ledger.Run   `json:"run,omitempty"`
	Alert *ledger.Alert `json:"alert,omitempty"` // that was cleared, or was raised
}

// journal appends a line to the journal, which has a file for each month.
func (a *Archive) journal(line journalLine) error {
	text, err := json.Marshal(line)
	if err != nil {
		return err
	}
	path := filepath.Join(a.cfg.Journal, a.opt.Now().UTC().Format("2006-01")+".jsonl")
	if err := fitsutil.AppendLine(path, append(text, '\n')); err != nil {
		return &pipeline.WriteError{Path: path, Err: err}
	}
	return nil
}

// eachJournalLine calls f for the lines of the journal in the order of time. A
// line that was cut off is passed over.
func (a *Archive) eachJournalLine(f func(journalLine) error) error {
	files, err := filepath.Glob(filepath.Join(a.cfg.Journal, "*.jsonl"))
	if err != nil {
		return err
	}
	slices.Sort(files)
	for _, path := range files {
		text, err := os.ReadFile(path)
		if err != nil {
			return fmt.Errorf("journal: %w", err)
		}
		lines := bufio.NewScanner(bytes.NewReader(text))
		lines.Buffer(nil, 16<<20)
		for lines.Scan() {
			var l journalLine
			if json.Unmarshal(lines.Bytes(), &l) != nil {
				continue
			}
			if err := f(l); err != nil {
				return err
			}
		}
		if err := lines.Err(); err != nil {
			return fmt.Errorf("journal %s: %w", path, err)
		}
	}
	return nil
}
