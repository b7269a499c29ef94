package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"evenlight/pipeline"
)

func characteriseCommand(s *settings) *cobra.Command {
	var out string
	var overwrite bool
	c := &cobra.Command{
		Use:   "characterise --profile FILE --out FOLDER RAW...",
		Short: "Measure a sensor from calibration frames",
		Long: `Measures from the calibration frames among the raw files (or folders of them),
for each detector and mode: gain, read noise and full well by photon transfer,
linearity error, dark current and its temperature law, non-uniformities, and the
number of bad pixels, each with its standard uncertainty and beside the profile's
value. Names are those of EMVA Standard 1288 where it has them. The result goes
to the folder as JSON, as a table and as plots; the table is printed too. Frames
that do not belong are named and left out.`,
		Example: `  evenlight characterise --profile cam.yaml --out sensor raw/2031-04`,
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
			r, err := pipeline.Characterise(in, files, pipeline.CharacteriseOptions{OutDir: out, Overwrite: overwrite, Workers: s.workers, Log: log, Progress: s.progress(c.ErrOrStderr())})
			if err != nil {
				return failed(err)
			}
			if s.json {
				err = writeJSON(c.OutOrStdout(), r)
			} else {
				_, err = fmt.Fprint(c.OutOrStdout(), r.Text())
			}
			if err != nil {
				return failed(err)
			}
			return outcome(len(r.Made), len(r.Failures), "no calibration frames found: see 'evenlight inspect' for how the profile reads a frame")
		},
	}
	s.needProfile(c)
	c.Flags().StringVar(&out, "out", "", "folder for the results (required)")
	c.Flags().BoolVar(&overwrite, "overwrite", false, "replace a characterisation of other measurements in the folder")
	_ = c.MarkFlagRequired("out")
	return c
}
