package main

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"evenlight/calib"
	"evenlight/pipeline"
)

func budgetCommand(s *settings) *cobra.Command {
	var inputs []string
	var pixel, region string
	c := &cobra.Command{
		Use:   "budget --inputs FOLDER... [--pixel X,Y | --region X0:X1,Y0:Y1] PRODUCT",
		Short: "Show of what the uncertainty of a product is made up, and that of a mean of pixels",
		Long: `Makes a calibrated frame again from its inputs, as verify does, and keeps the
terms of its uncertainty apart: those of a pixel, of a region, or of the whole
frame. For a region and a frame it gives the uncertainty of the mean and the sum
of the pixels without flags, in which errors that pixels have in common do not
average down: what is the frame's own, and what comes from the masters and is the
same in all frames that share them. Columns and rows count from 1 and are those
of the product. Nothing is written.`,
		Example: `  evenlight budget --inputs raw --inputs masters products/0173-scene-calibrated.fits
  evenlight budget --inputs raw --inputs masters --pixel 200,180 products/0173-scene-calibrated.fits
  evenlight budget --inputs raw --inputs masters --region 101:200,101:200 products/0173-scene-calibrated.fits`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			area, err := parseArea(pixel, region)
			if err != nil {
				return err
			}
			b, err := pipeline.BudgetOf(args[0], inputs, area, s.workers)
			if err != nil {
				return failed(err)
			}
			return s.answer(c, b, b.Text())
		},
	}
	c.Flags().StringArrayVar(&inputs, "inputs", nil, "folder in which to look for raw frames and masters (required, may be repeated)")
	c.Flags().StringVar(&pixel, "pixel", "", "one pixel: x,y, column and row")
	c.Flags().StringVar(&region, "region", "", "a rectangle: x0:x1,y0:y1, first and last column and row")
	c.MarkFlagsMutuallyExclusive("pixel", "region")
	_ = c.MarkFlagRequired("inputs")
	return c
}

// parseArea reads --pixel or --region; nil stands for the whole frame.
func parseArea(pixel, region string) (*calib.Region, error) {
	if region != "" {
		return parseRegion("--region", region)
	}
	if pixel == "" {
		return nil, nil
	}
	column, row, found := strings.Cut(pixel, ",")
	x, errX := strconv.Atoi(strings.TrimSpace(column))
	y, errY := strconv.Atoi(strings.TrimSpace(row))
	if !found || errX != nil || errY != nil || x < 1 || y < 1 {
		return nil, fmt.Errorf("--pixel %q: write x,y, the column and row, counted from 1", pixel)
	}
	return &calib.Region{X0: x - 1, X1: x, Y0: y - 1, Y1: y}, nil
}
