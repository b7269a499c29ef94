package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"evenlight/configs"
	"evenlight/pipeline"
)

// needArchive adds the flag of commands that work on an archive.
func needArchive(c *cobra.Command, path *string) {
	c.Flags().StringVar(path, "archive", "", "archive file, as 'evenlight archive template' prints one (required); values can be overridden by EVENLIGHT_ARCHIVE_SET_INTAKE__SETTLE_S=3")
	_ = c.MarkFlagRequired("archive")
	_ = c.MarkFlagFilename("archive", "yaml", "yml")
}

// loadArchive reads an archive file and the profiles of its sources, so that
// faults of either are known before anything is tried. What is no fault and
// still calls for a look is logged as config-warning.
func (s *settings) loadArchive(path string, log *zap.Logger) (*configs.Archive, error) {
	a, warnings, err := configs.LoadArchive(path, configs.Overrides{Env: true})
	if err != nil {
		logWarnings(log, warnings)
		return nil, err
	}
	var faults []error
	var instruments, metrics []string
	for i := range a.Sources {
		in, more, err := sourceInstrument(&a.Sources[i])
		warnings = append(warnings, more...)
		faults = append(faults, err)
		if err == nil {
			instruments = append(instruments, in.Profile.Instrument)
			metrics = append(metrics, pipeline.MetricNames(in.Profile)...)
		}
	}
	if errors.Join(faults...) == nil {
		warnings = append(warnings, idleRules(a, instruments, metrics)...)
	}
	if w := a.Alerts.Webhook; w != nil {
		if _, err := w.Secret(); err != nil {
			warnings = append(warnings, err.Error())
		}
	}
	logWarnings(log, warnings)
	if err := errors.Join(faults...); err != nil {
		return nil, fmt.Errorf("archive %s: %w", path, err)
	}
	return a, nil
}

// idleRules finds the rules that can never speak, because no source has the
// instrument or the metric.
func idleRules(a *configs.Archive, instruments, metrics []string) (warnings []string) {
	for _, r := range a.Alerts.Rules {
		if r.Instrument != "" && !slices.Contains(instruments, r.Instrument) {
			warnings = append(warnings, fmt.Sprintf("rule %s: no source is of instrument %s: it will never speak; the instruments are %s", r.Name, r.Instrument, strings.Join(slices.Compact(slices.Sorted(slices.Values(instruments))), ", ")))
		}
		if r.Metric != "" && !slices.Contains(metrics, r.Metric) {
			warnings = append(warnings, fmt.Sprintf("rule %s: no product has a metric %s: it will never speak; such are noise_ratio and good_fraction, and 'evenlight trends' lists them", r.Name, r.Metric))
		}
	}
	return warnings
}

// sourceInstrument reads the profile of a source. The strings are warnings.
func sourceInstrument(src *configs.Source) (*pipeline.Instrument, []string, error) {
	p, warnings, err := src.LoadProfile()
	if err != nil {
		return nil, warnings, err
	}
	in := pipeline.NewInstrument(p)
	if err := in.Check(); err != nil {
		return nil, warnings, fmt.Errorf("source %s: profile %s: %w", src.Name, src.Profile, err)
	}
	return in, warnings, nil
}

// logWarnings logs each warning once; sources may share a profile.
func logWarnings(log *zap.Logger, warnings []string) {
	for i, w := range warnings {
		if !slices.Contains(warnings[:i], w) {
			log.Warn("config-warning", zap.String("warning", w))
		}
	}
}

func archiveCommand(s *settings) *cobra.Command {
	c := &cobra.Command{Use: "archive", Short: "Check and describe archive files", Args: cobra.NoArgs,
		Long: `An archive file says where raw frames arrive, where masters and products lie,
and who is told when something goes wrong. The commands that run for years
read it.`,
		Example: "  evenlight archive template >archive.yaml\n  evenlight archive check --archive archive.yaml",
		RunE:    func(c *cobra.Command, _ []string) error { return c.Help() }}
	c.AddCommand(archiveCheckCommand(s),
		printCommand("template", "Print an archive file with its comments, to start a new one from", "  evenlight archive template >archive.yaml", configs.ArchiveTemplate),
		printCommand("schema", "Print the JSON Schema of archive files", "  evenlight archive schema >archive.schema.json", configs.ArchiveSchema))
	return c
}

// printCommand prints a text that comes with the software.
func printCommand(use, short, example string, text func() []byte) *cobra.Command {
	return &cobra.Command{Use: use, Short: short, Example: example, Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			_, err := c.OutOrStdout().Write(text())
			return err
		}}
}

func archiveCheckCommand(s *settings) *cobra.Command {
	var path string
	c := &cobra.Command{
		Use: "check --archive FILE", Short: "Check an archive file and the profiles that it names",
		Long: `Reads an archive file and the profiles of its sources, and prints the archive
as it is used: with full paths, defaults and overrides, and without passwords.
Nothing is made or written. Warnings go to the log on standard error.`,
		Example: "  evenlight archive check --archive archive.yaml", Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			log, err := s.logger(c.ErrOrStderr())
			if err != nil {
				return err
			}
			a, err := s.loadArchive(path, log)
			if err != nil {
				return err
			}
			view, err := viewArchive(path, a)
			if err != nil {
				return err
			}
			if s.json {
				return writeJSON(c.OutOrStdout(), view)
			}
			return view.write(c.OutOrStdout())
		},
	}
	needArchive(c, &path)
	return c
}

// archiveView is an archive as it is used.
type archiveView struct {
	File    string           `json:"file"`
	Archive *configs.Archive `json:"archive"` // without secrets
	Sources []sourceView     `json:"sources"`
	Notes   []string         `json:"notes"` // what may be on purpose
}

// sourceView says what the profile of a source is.
type sourceView struct {
	Name        string `json:"name"`
	Instrument  string `json:"instrument"`
	ProfileHash string `json:"profile_sha256"`
}

func viewArchive(path string, a *configs.Archive) (*archiveView, error) {
	v := &archiveView{File: path, Archive: a.WithoutSecrets(), Sources: []sourceView{}, Notes: []string{}}
	for i := range a.Sources {
		src := &a.Sources[i]
		in, _, err := sourceInstrument(src)
		if err != nil {
			return nil, err
		}
		v.Sources = append(v.Sources, sourceView{src.Name, in.Profile.Instrument, in.Hash})
		if note := lookAtFolder(src.Folder); note != "" {
			v.Notes = append(v.Notes, fmt.Sprintf("source %s: %s", src.Name, note))
		}
	}
	v.Notes = append(v.Notes, lookAtWebhook(a.Alerts.Webhook)...)
	return v, nil
}

// lookAtFolder says what keeps frames from arriving in a folder; else nothing.
func lookAtFolder(folder string) string {
	switch info, err := os.Stat(folder); {
	case errors.Is(err, os.ErrNotExist):
		return fmt.Sprintf("the folder %s does not exist yet", folder)
	case err != nil:
		return fmt.Sprintf("the folder cannot be looked at: %v", err)
	case !info.IsDir():
		return fmt.Sprintf("%s is no folder", folder)
	}
	return ""
}

// lookAtWebhook says whether the secret can be had here and now. That it
// cannot is no fault: the service may have an environment of its own.
func lookAtWebhook(w *configs.Webhook) []string {
	if w == nil {
		return nil
	}
	if _, err := w.Secret(); err != nil {
		return []string{err.Error()}
	}
	return nil
}

// write prints YAML whose comments say what is not in the archive file.
func (v *archiveView) write(w io.Writer) error {
	out := fmt.Appendf(nil, "# %s: good\n", v.File)
	for _, s := range v.Sources {
		out = fmt.Appendf(out, "# source %s: instrument %s, profile SHA-256 %s\n", s.Name, s.Instrument, s.ProfileHash)
	}
	for _, n := range v.Notes {
		out = fmt.Appendf(out, "# note: %s\n", n)
	}
	_, err := w.Write(append(out, v.Archive.Canonical()...))
	return err
}
