package main

import (
	"fmt"
	"os"
	"strings"
	"unicode"

	"go.uber.org/zap/buffer"
	"go.uber.org/zap/zapcore"
	"gopkg.in/natefinch/lumberjack.v2"
)

// openLogFile appends events to a file. Before it grows beyond mib MiB it is put
// aside under a name with the time, UTC, and a new one is begun; of those put
// aside the newest keep remain. The file and those after it can be read by their
// owner alone, unless a file is there already: then its rights are kept. The
// second result closes the file.
//
// One process alone may write to a log file: another would go on writing to
// the file that was put aside.
func openLogFile(path string, mib, keep int) (zapcore.WriteSyncer, func() error) {
	l := &lumberjack.Logger{Filename: path, MaxSize: mib, MaxBackups: keep}
	return zapcore.AddSync(l), l.Close
}

// checkLogFile finds out whether a log can be kept as it is asked for, so that a
// service does not begin whose events are lost. It makes the file.
func checkLogFile(path string, mib, keep int) error {
	if mib < 1 {
		return fmt.Errorf("--log-max-mib %d: name a number from 1", mib)
	}
	if keep < 1 {
		return fmt.Errorf("--log-keep %d: name a number from 1", keep)
	}
	if st, err := os.Stat(path); err == nil && !st.Mode().IsRegular() {
		return fmt.Errorf("--log-file %s is not a file: name one, or leave --log-file out to log to standard error", path)
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return fmt.Errorf("--log-file: %w: name a file in a folder that exists and can be written to", err)
	}
	return f.Close()
}

// oneLine makes the console form write each event as one line, whatever its
// name holds; the fields are escaped by the form itself.
func oneLine(console zapcore.Encoder) zapcore.Encoder { return lineEncoder{console} }

type lineEncoder struct{ zapcore.Encoder }

func (e lineEncoder) Clone() zapcore.Encoder { return lineEncoder{e.Encoder.Clone()} }

func (e lineEncoder) EncodeEntry(entry zapcore.Entry, fields []zapcore.Field) (*buffer.Buffer, error) {
	entry.Message = escapeControls(entry.Message)
	entry.LoggerName = escapeControls(entry.LoggerName)
	entry.Stack = ""
	return e.Encoder.EncodeEntry(entry, fields)
}

// escapeControls writes control characters, which could end the line or steer a
// terminal, and the two separators of lines that Unicode has as Go does.
func escapeControls(s string) string {
	if strings.IndexFunc(s, breaksLine) < 0 {
		return s
	}
	var b strings.Builder
	for _, r := range s {
		if breaksLine(r) {
			fmt.Fprintf(&b, `\u%04x`, r)
		} else {
			b.WriteRune(r)
		}
	}
	return b.String()
}

func breaksLine(r rune) bool { return unicode.IsControl(r) || r == '\u2028' || r == '\u2029' }
