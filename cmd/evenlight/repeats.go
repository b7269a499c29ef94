package main

import (
	"github.com/spf13/cobra"

	"evenlight/pipeline"
)

func repeatsCommand(s *settings) *cobra.Command {
	var o pipeline.RepeatOptions
	c := &cobra.Command{
		Use:   "repeats --profile FILE --out FOLDER PRODUCT...",
		Short: "Flag cosmic-ray hits by comparing exposures of one scene",
		Long: `Compares calibrated frames (files, or folders of them) that show one scene: of
one detector, mode, band, target and profile, begun within --within seconds. A
pixel that is brighter than the others' median, or than the other one of two, by
more than --sigma standard deviations is flagged hit in a copy of the product,
whose values stay as they are. Exposures may be of unequal length. A set whose
scene moved by more than --max-shift pixels is refused.`,
		Example: "  evenlight repeats --profile cam.yaml --out compared products",
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
			o.Workers = s.workers
			r, err := pipeline.FlagRepeats(in, files, o)
			if err != nil {
				return err
			}
			if err := s.answer(c, r, r.Text()); err != nil {
				return err
			}
			return outcome(len(r.Frames), len(r.Failures), "no calibrated frames found: name products of 'evenlight calibrate'")
		},
	}
	s.needProfile(c)
	f := c.Flags()
	f.StringVar(&o.OutDir, "out", "", "folder for the copies (required)")
	f.BoolVar(&o.Overwrite, "overwrite", false, "replace copies that are there already")
	f.Float64Var(&o.WithinS, "within", 600, "seconds within which the exposures of a set were begun")
	f.Float64Var(&o.Sigma, "sigma", 5, "departure from the others, standard deviations, from which on a pixel was hit")
	f.Float64Var(&o.MaxShiftPx, "max-shift", 0.2, "largest displacement between exposures, pixels")
	_ = c.MarkFlagRequired("out")
	return c
}
