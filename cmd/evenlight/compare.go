package main

import (
	"github.com/spf13/cobra"

	"evenlight/pipeline"
)

func compareCommand(s *settings) *cobra.Command {
	var o pipeline.CompareOptions
	c := &cobra.Command{
		Use:   "compare OLD NEW",
		Short: "Show how two versions of a product differ",
		Long: `Compares two versions of a calibrated frame: the difference NEW less OLD, also
over its uncertainty and by level of signal, how the uncertainty changed, which
flags were gained and lost, and what differs in how they were made. Both come
from the same raw samples and have their random errors in common: the difference
is measured by the uncertainty of OLD. --any also takes products of different raw
frames of one shape, whose errors are independent: the uncertainties of both
then count. Checksums are verified first. Nothing is written.`,
		Example: `  evenlight compare earlier/0171-scene-calibrated.fits products/0171-scene-calibrated.fits
  evenlight compare --any products/0171-scene-calibrated.fits products/0172-scene-calibrated.fits`,
		Args: cobra.ExactArgs(2),
		RunE: func(c *cobra.Command, args []string) error {
			o.Workers = s.workers
			r, err := pipeline.Compare(args[0], args[1], o)
			if err != nil {
				return failed(err)
			}
			return s.answer(c, r, r.Text())
		},
	}
	c.Flags().BoolVar(&o.Any, "any", false, "also compare products of different raw frames, of one shape and unit")
	return c
}
