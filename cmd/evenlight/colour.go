package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"evenlight/calib/align"
	"evenlight/fitsutil"
	"evenlight/pipeline"
)

func cubeCommand(s *settings) *cobra.Command {
	var o pipeline.CubeOptions
	var kernel, summary string
	c := &cobra.Command{
		Use:   "cube --profile FILE --out FOLDER PRODUCT...",
		Short: "Put bands together into cubes",
		Long: `Makes band cubes of calibrated frames (files, or folders of them). The profile
tells how: a mosaic is interpolated, the layers of stacked photodiodes are
separated, frames behind a filter wheel and detectors of a line scanner are
aligned, strips of filters are assembled from their sequence, frames of a camera
tube are rectified by their reference marks. Bands that were exposed one after
another are compared: what moved between them is listed, and its pixels are
flagged moved, since their colour is not the target's.`,
		Example: `  evenlight cube --profile cam.yaml --out cubes products
  evenlight cube --profile cam.yaml --out cubes --bands red,green,violet --within 300 products`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			in, err := s.instrument()
			if err != nil {
				return err
			}
			if o.Kernel, err = align.ParseKernel(kernel); err != nil {
				return fmt.Errorf("--kernel: %w", err)
			}
			if err := in.CheckCubes(o); err != nil {
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
			r, err := pipeline.BuildCubes(in, files, o)
			if err != nil {
				return failed(err)
			}
			if err := s.answer(c, r, r.Text()); err != nil {
				return err
			}
			if summary != "" {
				if err := writeJSONFile(summary, r); err != nil {
					return failed(err)
				}
			}
			return outcome(len(r.Cubes), len(r.Failures), "no calibrated frames found: name products of 'evenlight calibrate'")
		},
	}
	s.needProfile(c)
	f := c.Flags()
	f.StringVar(&o.OutDir, "out", "", "folder for the cubes (required)")
	f.BoolVar(&o.Overwrite, "overwrite", false, "replace cubes that are there already")
	f.StringSliceVar(&o.Bands, "bands", nil, "bands that a cube must have, in its order (default: all of the profile)")
	f.Float64Var(&o.WithinS, "within", 3600, "seconds within which the frames of a filter-wheel set were begun, and from frame to frame of a pass over strips")
	f.StringVar(&kernel, "kernel", align.Cubic.String(), "how aligned bands are resampled: nearest, bilinear or cubic")
	f.BoolVar(&o.KeepPlace, "keep-place", false, "do not align: the camera is known to have looked at one place")
	f.Float64Var(&o.MaxShiftPx, "max-shift", 0, "largest displacement between bands, pixels (default: a quarter of the image)")
	f.Float64Var(&o.MetrePerPx, "metre-per-pixel", 0, "scale on the ground, for the speed of what moved")
	f.StringVar(&summary, "summary", "", "file for the summary in JSON")
	_ = c.MarkFlagRequired("out")
	return c
}

func agreeCommand(s *settings) *cobra.Command {
	c := &cobra.Command{
		Use:   "agree --profile FILE PRODUCT...",
		Short: "Test whether the two eyes of a stereo pair agree",
		Long: `Compares the brightness of the same ground in calibrated frames of the two
detectors that the profile calls a stereo pair: the ratio over all, by level of
signal and by quadrant, against what the calibrations' systematic uncertainties
allow.`,
		Example: "  evenlight agree --profile pair.yaml products",
		Args:    cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			in, err := s.instrument()
			if err != nil {
				return err
			}
			files, err := pipeline.FindFrames(args)
			if err != nil {
				return failed(err)
			}
			r, err := pipeline.Agree(in, files, s.workers)
			if err != nil {
				return err
			}
			if err := s.answer(c, r, r.Text()); err != nil {
				return err
			}
			return outcome(len(r.Pairs), len(r.Failures), "no calibrated frames found: name products of 'evenlight calibrate'")
		},
	}
	s.needProfile(c)
	return c
}

// answer writes a result in JSON or as text, as the flags say.
func (s *settings) answer(c *cobra.Command, v any, text string) error {
	if s.json {
		return failedIf(writeJSON(c.OutOrStdout(), v))
	}
	_, err := fmt.Fprint(c.OutOrStdout(), text)
	return failedIf(err)
}

func failedIf(err error) error {
	if err == nil {
		return nil
	}
	return failed(err)
}

// writeJSONFile writes a summary to a file, in the bytes that --json prints.
func writeJSONFile(path string, v any) error {
	b, err := jsonBytes(v)
	if err != nil {
		return err
	}
	if err := fitsutil.WriteFile(path, b, fitsutil.CreateOptions{Overwrite: true}); err != nil {
		return fmt.Errorf("QA summary: %w", err)
	}
	return nil
}
