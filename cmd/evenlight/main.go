// Command evenlight calibrates the frames of spacecraft cameras: raw FITS in,
// calibrated frames with uncertainty, flags and provenance out.
package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime"

	"github.com/spf13/cobra"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"evenlight/configs"
	"evenlight/pipeline"
)

// Exit codes, documented in the README.
const (
	exitDone    = 0 // everything was done
	exitSome    = 1 // some frames failed and the rest was done
	exitUsage   = 2 // wrong use or configuration; nothing was tried
	exitNothing = 3 // nothing could be done
	exitBusy    = 4 // another run is at work on the archive
	exitAlert   = 5 // everything was done, and an alert holds
)

// exitError carries an exit code. A nil err has been reported already.
type exitError struct {
	code int
	err  error
}

func (e *exitError) Error() string {
	if e.err == nil {
		return ""
	}
	return e.err.Error()
}

func (e *exitError) Unwrap() error { return e.err }

// failed is an error of the work, not of the words on the command line.
func failed(err error) error { return &exitError{exitNothing, err} }

func main() { os.Exit(run(os.Args[1:], os.Stdout, os.Stderr)) }

// run is main without the process, for tests.
func run(args []string, stdout, stderr io.Writer) int {
	root := rootCommand()
	root.SetArgs(args)
	root.SetOut(stdout)
	root.SetErr(stderr)
	err := root.Execute()
	if err == nil {
		return exitDone
	}
	if err.Error() != "" {
		fmt.Fprintf(stderr, "evenlight: %v\n", err)
	}
	var e *exitError
	if errors.As(err, &e) {
		return e.code
	}
	return exitUsage
}

// settings are the flags that all commands share.
type settings struct {
	profile   string
	set       []string
	workers   int
	logLevel  string
	logFormat string
	logFile   string
	logMiB    int
	logKeep   int
	json      bool
}

func rootCommand() *cobra.Command {
	s := &settings{}
	root := &cobra.Command{
		Use:   "evenlight",
		Short: "Calibrate the frames of spacecraft cameras",
		Long: `evenlight turns raw FITS frames of a spacecraft camera into calibrated frames
in which brightness is the target's and not the camera's: value, standard
uncertainty and quality flags for each pixel, with a record of how they were
made. What is particular to a camera stands in a profile (YAML).

Exit codes: 0 everything was done; 1 some frames failed and the rest was done;
2 wrong use or configuration; 3 nothing could be done; 4 another run is at work on
the archive; 5 everything was done, and an alert holds.`,
		Example: `  evenlight demo demo                                   # see it work
  evenlight masters   --profile cam.yaml --out masters raw
  evenlight calibrate --profile cam.yaml --masters masters --out products raw
  evenlight verify    --inputs raw --inputs masters products/*.fits`,
		SilenceUsage: true, SilenceErrors: true, Version: pipeline.Version,
	}
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		return fmt.Errorf("%w: see '%s --help'", err, c.CommandPath())
	})
	root.PersistentPreRunE = func(*cobra.Command, []string) error {
		if s.workers < 1 {
			return fmt.Errorf("--workers %d: name a number from 1", s.workers)
		}
		return nil
	}
	f := root.PersistentFlags()
	f.IntVar(&s.workers, "workers", runtime.NumCPU(), "goroutines for the pixels; results do not depend on it")
	f.StringVar(&s.logLevel, "log-level", "warn", "least severe events to log: debug, info, warn, error")
	f.StringVar(&s.logFormat, "log-format", "console", "form of the log on standard error: console or json")
	f.StringVar(&s.logFile, "log-file", "", "log to this file instead of standard error; of one process alone")
	f.IntVar(&s.logMiB, "log-max-mib", 64, "size at which the log file is put aside and a new one begun")
	f.IntVar(&s.logKeep, "log-keep", 10, "log files put aside that are kept")
	f.BoolVar(&s.json, "json", false, "answer in JSON")
	root.AddCommand(mastersCommand(s), characteriseCommand(s), calibrateCommand(s), repeatsCommand(s), cubeCommand(s), agreeCommand(s), pictureCommand(s), pageCommand(s), provenanceCommand(s), verifyCommand(s), budgetCommand(s),
		profileCommand(s), inspectCommand(s), demoCommand(s),
		compareCommand(s), archiveCommand(s), intakeCommand(s), watchCommand(s), planCommand(s), reprocessCommand(s), statusCommand(s), trendsCommand(s), ledgerCommand(s), libraryCommand(s))
	return root
}

// needProfile adds the flags of commands that read a profile.
func (s *settings) needProfile(c *cobra.Command) {
	c.Flags().StringVar(&s.profile, "profile", "", "profile of the camera: a YAML file, or the name of a built-in one (required)")
	c.Flags().StringArrayVar(&s.set, "set", nil, "override a profile value, such as output.quantity=electrons; also EVENLIGHT_SET_OUTPUT__QUANTITY=electrons")
	_ = c.MarkFlagRequired("profile")
	_ = c.MarkFlagFilename("profile", "yaml", "yml")
}

// instrument reads the profile.
func (s *settings) instrument() (*pipeline.Instrument, error) {
	p, err := s.load()
	if err != nil {
		return nil, err
	}
	in := pipeline.NewInstrument(p)
	if err := in.Check(); err != nil {
		return nil, fmt.Errorf("%s: %w", s.profile, err)
	}
	return in, nil
}

func (s *settings) load() (*configs.Profile, error) {
	over := configs.Overrides{Set: s.set, Env: true}
	if _, err := os.Stat(s.profile); err != nil {
		text, errName := configs.Builtin(s.profile)
		if errName == nil {
			return configs.Parse(s.profile, text, over)
		}
		if errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("profile %s: there is no such file: check the path; and %w", s.profile, errName)
		}
	}
	return configs.Load(s.profile, over)
}

// logger writes events, one a line, to the log file, or else to w.
func (s *settings) logger(w io.Writer) (*zap.Logger, error) {
	level, err := zap.ParseAtomicLevel(s.logLevel)
	if err != nil || s.logLevel == "" {
		return nil, fmt.Errorf("--log-level %q: choose debug, info, warn or error", s.logLevel)
	}
	form := zap.NewProductionEncoderConfig()
	form.MessageKey, form.TimeKey, form.EncodeTime = "event", "time", utcTime
	var encoder zapcore.Encoder
	switch s.logFormat {
	case "json":
		encoder = zapcore.NewJSONEncoder(form)
	case "console":
		encoder = oneLine(zapcore.NewConsoleEncoder(form))
	default:
		return nil, fmt.Errorf("--log-format %q: choose console or json", s.logFormat)
	}
	to := zapcore.Lock(zapcore.AddSync(w))
	if s.logFile != "" {
		if err := checkLogFile(s.logFile, s.logMiB, s.logKeep); err != nil {
			return nil, err
		}
		to, _ = openLogFile(s.logFile, s.logMiB, s.logKeep) // open until the process ends
	}
	return zap.New(zapcore.NewCore(encoder, to, level)), nil
}
