package main

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"evenlight/calib"
	"evenlight/calib/colour"
	"evenlight/pipeline"
)

func pictureCommand(s *settings) *cobra.Command {
	var o pipeline.PictureOptions
	var white, stretch string
	var probes []string
	c := &cobra.Command{
		Use:   "picture [flags] CUBE...",
		Short: "Make colour pictures of band cubes",
		Long: `Makes of each band cube (files, or folders of them) a picture in natural colour:
NAME-colour.png with 16 bits a channel and all pixels, NAME-preview.png with 8
bits to look at, and NAME-colour.json, the record of how both were made, which
the PNGs carry as text too. The colours follow from the bands' spectral
responses in the profile that the cube carries; where it has only wavelengths
they are approximate, and the record says so. White is what a perfect diffuser
facing the Sun would show, or a neutral target in the picture. Pixels without a
usable value are transparent. A calibrated frame becomes a picture in grey.

--stretch auto shows black at 0 and 99.5 % of natural colour below white, with
the same limits for all channels, so that hues are kept; false colour without a
target has limits for each channel.`,
		Example: `  evenlight picture --out pictures cubes
  evenlight picture --white 12:40,300:330 --probe 52:80,300:330 cubes/0171-cube.fits
  evenlight picture --rgb nir/green,red,violet --mark-moved cubes/0171-cube.fits`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			var err error
			if o.Stretch, err = parseStretch(stretch, o.Gamma); err != nil {
				return err
			}
			if c.Flags().Changed("white") {
				if o.White, err = parseRegion("--white", white); err != nil {
					return err
				}
			}
			for _, text := range probes {
				region, err := parseRegion("--probe", text)
				if err != nil {
					return err
				}
				o.Probes = append(o.Probes, *region)
			}
			if o.Log, err = s.logger(c.ErrOrStderr()); err != nil {
				return err
			}
			files, err := pipeline.FindFrames(args)
			if err != nil {
				return failed(err)
			}
			o.Workers, o.Progress = s.workers, s.progress(c.ErrOrStderr())
			r, err := pipeline.MakePictures(files, o)
			if err != nil {
				return err
			}
			if err := s.answer(c, r, r.Text()); err != nil {
				return err
			}
			return outcome(len(r.Pictures), len(r.Failures), "no band cubes found: name those of 'evenlight cube'")
		},
	}
	f := c.Flags()
	f.StringVar(&o.OutDir, "out", "", "folder for the pictures (default: that of the cube)")
	f.BoolVar(&o.Overwrite, "overwrite", false, "replace pictures that are there already")
	f.StringSliceVar(&o.RGB, "rgb", nil, "false colour: three bands or ratios, such as nir/green,red,violet")
	f.StringSliceVar(&o.Bands, "bands", nil, "bands that natural colour is made of (default: all that see mostly visible light)")
	f.StringVar(&o.Illuminant, "illuminant", "D65", "light in which the colours are to be seen: D65, sun or E")
	f.StringVar(&white, "white", "", "region x0:x1,y0:y1 of a neutral target, columns and rows from 1, both ends (default: by the Sun)")
	f.StringVar(&stretch, "stretch", "auto", "how values are shown: auto, full (0 to 1) or LOW:HIGH")
	f.Float64Var(&o.Gamma, "gamma", 0, "curve of the stretch, 0.4 to 3.5; 0: that of sRGB, which shows light in proportion")
	f.StringVar(&o.StretchFrom, "stretch-from", "", "record (NAME-colour.json) of another picture, whose stretch is used")
	f.StringSliceVar(&o.Hide, "hide", []string{"missing", "saturated", "no-calibration"}, "flags with which a pixel is left out")
	f.BoolVar(&o.MarkMoved, "mark-moved", false, "outline in the preview, in magenta, what moved between the bands")
	f.StringArrayVar(&probes, "probe", nil, "region x0:x1,y0:y1 of uniform colour to measure (may be repeated)")
	f.IntVar(&o.PreviewPx, "preview-size", 1024, "longer side of the preview at most, pixels")
	f.IntVar(&o.PNGLevel, "png-level", 1, "compression of the PNGs, 0 (none, fast) to 9 (small, slow)")
	c.MarkFlagsMutuallyExclusive("stretch", "stretch-from")
	c.MarkFlagsMutuallyExclusive("gamma", "stretch-from")
	c.MarkFlagsMutuallyExclusive("rgb", "bands")
	_ = c.MarkFlagFilename("stretch-from", "json")
	return c
}

// parseRegion reads "x0:x1,y0:y1": columns and rows from 1, both ends.
func parseRegion(flag, text string) (*calib.Region, error) {
	columns, rows, found := strings.Cut(text, ",")
	x0, x1, errX := parsePair(columns, strconv.Atoi)
	y0, y1, errY := parsePair(rows, strconv.Atoi)
	if !found || errX != nil || errY != nil || x0 < 1 || y0 < 1 || x1 < x0 || y1 < y0 {
		return nil, fmt.Errorf("%s %q: write x0:x1,y0:y1, the first and last column and row, counted from 1", flag, text)
	}
	return &calib.Region{X0: x0 - 1, X1: x1, Y0: y0 - 1, Y1: y1}, nil
}

// parsePair reads two numbers with a colon between.
func parsePair[T any](text string, read func(string) (T, error)) (a, b T, err error) {
	first, second, found := strings.Cut(text, ":")
	if !found {
		return a, b, fmt.Errorf("%q has no colon", text)
	}
	if a, err = read(strings.TrimSpace(first)); err != nil {
		return a, b, err
	}
	b, err = read(strings.TrimSpace(second))
	return a, b, err
}

// parseStretch reads auto, which is nil, full or LOW:HIGH.
func parseStretch(text string, gamma float64) (*colour.Stretch, error) {
	switch text {
	case "auto":
		return nil, nil
	case "full":
		s := colour.FullRange()
		s.Gamma = gamma
		return &s, nil
	}
	low, high, err := parsePair(text, func(word string) (float64, error) { return strconv.ParseFloat(word, 64) })
	if err != nil || !(low < high) {
		return nil, fmt.Errorf("--stretch %q: write auto, full, or LOW:HIGH with LOW below HIGH", text)
	}
	return &colour.Stretch{Low: [3]float64{low, low, low}, High: [3]float64{high, high, high}, Gamma: gamma, Source: "given"}, nil
}
