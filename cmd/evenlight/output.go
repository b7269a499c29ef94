package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"time"

	"go.uber.org/zap/zapcore"
)

// utcTime writes log times in UTC, to the millisecond.
func utcTime(t time.Time, e zapcore.PrimitiveArrayEncoder) {
	e.AppendString(t.UTC().Format("2006-01-02T15:04:05.000Z"))
}

// writeJSON answers a machine.
func writeJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(v)
}

// jsonBytes returns what writeJSON writes.
func jsonBytes(v any) ([]byte, error) {
	var b bytes.Buffer
	err := writeJSON(&b, v)
	return b.Bytes(), err
}

// isTerminal tells whether w is a screen that a person looks at.
func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	st, err := f.Stat()
	return err == nil && st.Mode()&os.ModeCharDevice != 0 && f.Name() != os.DevNull
}

// progress is silent where a machine reads the log: then each line of
// standard error is one event.
func (s *settings) progress(w io.Writer) func(done, total int, what string) {
	if s.logFormat == "json" {
		return nil
	}
	return progress(w)
}

// progress tells how far the work is: one line that is written over on a
// terminal, a plain line at each tenth elsewhere.
func progress(w io.Writer) func(done, total int, what string) {
	terminal := isTerminal(w)
	last := -1
	return func(done, total int, what string) {
		switch {
		case total == 0:
			if terminal {
				fmt.Fprintf(w, "\r\x1b[K%s", what)
			} else {
				fmt.Fprintf(w, "%s\n", what)
			}
			last = -1
		case terminal:
			fmt.Fprintf(w, "\r\x1b[K%d/%d %s", done, total, what)
			if done == total {
				fmt.Fprint(w, "\r\x1b[K")
			}
		case done*10/total > last:
			last = done * 10 / total
			fmt.Fprintf(w, "%d/%d %s\n", done, total, what)
		}
	}
}
