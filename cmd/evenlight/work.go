package main

import (
	"fmt"
	"path/filepath"
	"runtime/debug"
	"strings"

	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/demo"
	"evenlight/pipeline/page"
)

func mastersCommand(s *settings) *cobra.Command {
	var out string
	c := &cobra.Command{
		Use:   "masters --profile FILE --out FOLDER RAW...",
		Short: "Make master frames from calibration frames",
		Long: `Sorts the raw frames (files, or folders of them) into sets of like kind,
detector, mode and band, and makes of each set a master: bias, linearity from an
exposure ladder, dark, flat, and the bad-pixel mask. Scene frames are passed
over. Masters that are in the folder already serve the new ones.`,
		Example: "  evenlight masters --profile cam.yaml --out masters raw/2031-04",
		Args:    cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			in, err := s.instrument()
			if err != nil {
				return err
			}
			log, err := s.logger(c.ErrOrStderr())
			if err != nil {
				return err
			}
			files, err := pipeline.FindFrames(args)
			if err != nil {
				return failed(err)
			}
			// The samples held at once are bounded by the profile; this keeps
			// the collector from letting garbage pile up beyond that.
			debug.SetMemoryLimit(int64(in.Profile.Masters.MemoryMiB) << 20)
			r, err := pipeline.BuildMasters(in, files, pipeline.BuildOptions{OutDir: out, Workers: s.workers, Log: log, Progress: s.progress(c.ErrOrStderr())})
			if err != nil {
				return failed(err)
			}
			if s.json {
				if err := writeJSON(c.OutOrStdout(), r); err != nil {
					return failed(err)
				}
			} else {
				fmt.Fprint(c.OutOrStdout(), r.Text())
			}
			return outcome(len(r.Made)+len(r.Unchanged), len(r.Failures), "no calibration frames found: see 'evenlight inspect' for how the profile reads a frame")
		},
	}
	s.needProfile(c)
	c.Flags().StringVar(&out, "out", "", "folder for the masters (required)")
	_ = c.MarkFlagRequired("out")
	return c
}

// outcome turns counts into the exit code.
func outcome(done, failures int, none string) error {
	switch {
	case done == 0 && failures == 0:
		return failed(fmt.Errorf("%s", none))
	case done == 0:
		return &exitError{code: exitNothing}
	case failures > 0:
		return &exitError{code: exitSome}
	}
	return nil
}

func calibrateCommand(s *settings) *cobra.Command {
	var o pipeline.RunOptions
	var summary, pageDir string
	c := &cobra.Command{
		Use:   "calibrate --profile FILE --masters FOLDER --out FOLDER RAW...",
		Short: "Calibrate scene frames",
		Long: `Makes of each scene frame among the raw files (or folders of them) a product:
value, standard uncertainty, flags and provenance. A frame for which a needed
master is missing is refused with the reason. The gist of the run, the worst
frames first, goes to standard output, and its QA summary as JSON to summary.json
in the output folder.`,
		Example: `  evenlight calibrate --profile cam.yaml --masters masters --out products raw/2031-04
  evenlight calibrate --profile cam.yaml --set output.quantity=electrons --masters masters --out electrons raw`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			in, err := s.instrument()
			if err != nil {
				return err
			}
			if o.Log, err = s.logger(c.ErrOrStderr()); err != nil {
				return err
			}
			files, err := pipeline.FindFrames(args)
			if err != nil {
				return failed(err)
			}
			o.Workers, o.Progress = s.workers, s.progress(c.ErrOrStderr())
			o.Log.Info(pipeline.EventRunStarted, zap.Int("files", len(files)), zap.String("profile_sha256", in.Hash))
			r, err := pipeline.Calibrate(in, files, o)
			if err != nil {
				return failed(err)
			}
			o.Log.Info(pipeline.EventRunEnded, zap.Int("done", r.Counts.Done), zap.Int("failed", r.Counts.Failed))
			if summary == "" {
				summary = filepath.Join(o.OutDir, demo.SummaryFile)
			}
			if r.Counts.Done > 0 { // a run that made nothing leaves the last summary alone
				if err := writeJSONFile(summary, r); err != nil {
					return failed(err)
				}
			}
			if err := s.answer(c, r, runGist(r, paintFor(c.OutOrStdout()))); err != nil {
				return err
			}
			if pageDir != "" {
				run := page.Run{Summary: r, Products: o.OutDir, Masters: o.MastersDir}
				if _, err := page.OfRun(run, page.Options{Out: pageDir, Workers: s.workers, Progress: o.Progress}); err != nil {
					return &exitError{exitSome, fmt.Errorf("the products are made, their page is not: %w", err)}
				}
			}
			return outcome(r.Counts.Done, r.Counts.Failed, "no scene frames found: see 'evenlight inspect' for how the profile reads a frame")
		},
	}
	s.needProfile(c)
	c.Flags().StringVar(&o.MastersDir, "masters", "", "folder of the master frames (required)")
	c.Flags().StringVar(&o.OutDir, "out", "", "folder for the products (required)")
	c.Flags().StringVar(&summary, "summary", "", "file for the QA summary (default: summary.json in the output folder)")
	c.Flags().StringVar(&pageDir, "page", "", "make the page of the run in this folder, as 'evenlight page' does")
	c.Flags().BoolVar(&o.Overwrite, "overwrite", false, "replace products that are there already")
	c.Flags().IntVar(&o.CacheMiB, "cache-mib", 2048, "bound on the masters held in memory")
	_ = c.MarkFlagRequired("masters")
	_ = c.MarkFlagRequired("out")
	return c
}

func demoCommand(s *settings) *cobra.Command {
	o := demo.Options{Colour: true, Sensor: true}
	c := &cobra.Command{
		Use:   "demo FOLDER",
		Short: "Run everything on simulated frames and compare with the truth",
		Long: `Simulates a campaign of an invented camera (quillon, on the probe Marrowby, at
the moon Tessaly) in a new folder, makes masters, calibrates the scenes, measures
the sensor, brings bands together and prints how values, uncertainties, flags,
the sensor's figures and what is particular to the camera's family compare with
the truth, and makes the page of the run. --camera chooses one of the other
built-in cameras.`,
		Example: `  evenlight demo demo
  evenlight demo --camera brindle demo-brindle
  evenlight demo --set 'detectors.0.fill.causes=[bad_pixels, hits]' demo-filled`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			log, err := s.logger(c.ErrOrStderr())
			if err != nil {
				return err
			}
			o.Dir, o.Workers, o.Log, o.Progress = args[0], s.workers, log, s.progress(c.ErrOrStderr())
			r, err := demo.Run(o)
			if err != nil {
				return failed(err)
			}
			if err := writeJSONFile(filepath.Join(o.Dir, demo.ProductsDir, demo.SummaryFile), r.Run); err != nil {
				return failed(err)
			}
			index, err := s.demoPage(c, o.Dir, r)
			if err != nil {
				return failed(err)
			}
			if s.json {
				err = writeJSON(c.OutOrStdout(), r)
			} else {
				_, err = fmt.Fprintf(c.OutOrStdout(), "%sThe page of the run is %s.\n", r.Text(), index)
			}
			if err != nil {
				return failed(err)
			}
			return outcome(r.Run.Counts.Done, r.Run.Counts.Failed+len(r.Masters.Failures), "the demo made nothing")
		},
	}
	c.Flags().Uint64Var(&o.Seed, "seed", 1, "seed of the simulation")
	c.Flags().StringArrayVar(&o.Set, "set", nil, "override a profile value, path=value, e.g. output.quantity=electrons; repeatable")
	c.Flags().StringVar(&o.Camera, "camera", "quillon", "built-in camera to simulate: "+strings.Join(configs.BuiltinNames(), ", "))
	return c
}

// demoPage makes the page of the demo's run and returns its path.
func (s *settings) demoPage(c *cobra.Command, dir string, r *demo.Result) (string, error) {
	of := func(name string) string { return filepath.Join(dir, name) }
	run := page.Run{Summary: r.Run, Products: of(demo.ProductsDir), Raw: of(demo.RawDir), Masters: of(demo.MastersDir)}
	out := of("page")
	if _, err := page.OfRun(run, page.Options{Out: out, Workers: s.workers, Progress: s.progress(c.ErrOrStderr())}); err != nil {
		return "", err
	}
	return filepath.Join(out, page.IndexFile), nil
}
