package configs

import "math"

// Mosaic is a colour filter array: a pattern of bands that repeats over the
// raw frame from its first pixel.
type Mosaic struct {
	// Pattern lists rows of band names, all of one length.
	Pattern [][]string `mapstructure:"pattern" yaml:"pattern,flow" json:"pattern"`
}

// Strip is a filter that covers a range of raw rows. Rows of the image that no
// strip covers are unusable.
type Strip struct {
	Band string `mapstructure:"band" yaml:"band" json:"band"`
	Rows [2]int `mapstructure:"rows" yaml:"rows,flow" json:"rows"` // raw rows, both ends count
}

// Names of the two ends of a detector's columns.
const (
	FirstRow = "first_row"
	LastRow  = "last_row"
)

// Ways in which rows are exposed one after another.
const (
	// RollingShutter: each row is exposed for the same time, later than the
	// row before it.
	RollingShutter = "shutter"
	// RollingReset: all rows begin together and end one after another, so
	// that later rows are exposed for longer.
	RollingReset = "reset"
)

// Rolling says how rows follow one another in time. Row number i, counted
// from the row that comes first, begins (shutter) or ends (reset) i row times
// after the first. The frame's exposure time is that of the first row.
type Rolling struct {
	Kind  string  `mapstructure:"kind" yaml:"kind" json:"kind"`
	RowS  float64 `mapstructure:"row_s" yaml:"row_s" json:"row_s"` // s from row to row
	First string  `mapstructure:"first" yaml:"first" json:"first"` // first_row or last_row of the raw frame
}

// When a frame-transfer detector moves its image through the light.
const (
	ShiftBefore = "before" // the shift that clears the chip before the exposure
	ShiftAfter  = "after"  // the shift to the storage after it
	ShiftBoth   = "both"
)

// Smear describes the charge m(x,y) that is gathered while the image is
// shifted. Charge moves towards one end of the columns; what arrives at a
// pixel's place before the exposure has passed the rows behind it, and what
// leaves it after the exposure passes the rows before it.
type Smear struct {
	RowS   float64 `mapstructure:"row_s" yaml:"row_s" json:"row_s"`                           // s that the image stands on a row while it is shifted
	Toward string  `mapstructure:"toward" yaml:"toward" json:"toward"`                        // first_row or last_row of the raw frame: where the charge moves to
	When   string  `mapstructure:"when" yaml:"when" json:"when"`                              // before, after or both
	OwnRow bool    `mapstructure:"own_row" yaml:"own_row,omitempty" json:"own_row,omitempty"` // the light of the pixel's own row counts once more in each shift
	// MaskedRows are raw rows without light that are shifted with the image
	// through all of it; their charge is the smear. With "both" only, where
	// each pixel passes all rows.
	MaskedRows *[2]int `mapstructure:"masked_rows" yaml:"masked_rows,flow,omitempty" json:"masked_rows,omitempty"`
}

// Decompanding turns transmitted codes into DN: C[k] and the bin width w_k.
// Exactly one of DN and SquareRoot is given.
type Decompanding struct {
	DN      []float64 `mapstructure:"dn" yaml:"dn,flow,omitempty" json:"dn,omitempty"`                   // C[k] of code k = 0, 1, ...; rising
	WidthDN []float64 `mapstructure:"width_dn" yaml:"width_dn,flow,omitempty" json:"width_dn,omitempty"` // w_k; empty: half the distance between the neighbours of C[k]
	// SquareRoot makes the table by rule instead.
	SquareRoot *SquareRoot `mapstructure:"square_root" yaml:"square_root,omitempty" json:"square_root,omitempty"`
}

// SquareRoot is the companding table whose bins grow as the shot noise does.
// Code k stands for the whole DN from e_k to e_(k+1)-1, where e_0 = 0 and
// e_k = max(e_(k-1) + 1, round((max_dn + 1) (k/codes)^2)).
type SquareRoot struct {
	Codes int `mapstructure:"codes" yaml:"codes" json:"codes"`
	MaxDN int `mapstructure:"max_dn" yaml:"max_dn" json:"max_dn"`
}

// Table returns C[k] and w_k in DN for every code k from 0. Where widths are
// not given, the first and the last code have the distance of their one
// neighbour. The slices may be the profile's own and are not to be changed.
func (d *Decompanding) Table() (dn, width []float64) {
	if d.SquareRoot != nil {
		return d.SquareRoot.table()
	}
	n := len(d.DN)
	width = d.WidthDN
	if len(width) == 0 {
		width = make([]float64, n)
		for k := range width {
			lo, hi := max(k-1, 0), min(k+1, n-1)
			width[k] = (d.DN[hi] - d.DN[lo]) / float64(hi-lo)
		}
	}
	return d.DN, width
}

func (s *SquareRoot) table() (dn, width []float64) {
	dn, width = make([]float64, s.Codes), make([]float64, s.Codes)
	edge := 0.0
	for k := range s.Codes {
		u := float64(k+1) / float64(s.Codes)
		next := max(edge+1, math.Round(float64(s.MaxDN+1)*u*u))
		dn[k], width[k] = (edge+next-1)/2, next-edge
		edge = next
	}
	return dn, width
}

// LineScan marks a detector that exposes one line at a time and steps its
// charge along with the ground. The profile describes one line, unbinned:
// height and all rows are 1; a file holds any number of lines, and with
// binning b fewer columns by that factor.
type LineScan struct {
	// MaxSmearPixels is the motion of the ground against the charge, summed
	// over the stages, above which a frame's pixels are flagged line-smear.
	MaxSmearPixels float64 `mapstructure:"max_smear_pixels" yaml:"max_smear_pixels" json:"max_smear_pixels"`
}

// Residual describes what a camera tube's target keeps of the frame before.
type Residual struct {
	Fraction          float64 `mapstructure:"fraction" yaml:"fraction" json:"fraction"` // of the signal of the frame before
	FractionRelUncert float64 `mapstructure:"fraction_relative_uncertainty" yaml:"fraction_relative_uncertainty,omitempty" json:"fraction_relative_uncertainty,omitempty"`
	MaxGapS           float64 `mapstructure:"max_gap_s" yaml:"max_gap_s" json:"max_gap_s"` // s between the starts of the two frames from which on nothing is left
}

// Marks describes the reference marks on a camera tube's faceplate: a grid
// whose true positions are known, in raw pixels of an undistorted image.
type Marks struct {
	First        [2]float64 `mapstructure:"first" yaml:"first,flow" json:"first"` // column and row of the first mark; pixel centres are whole numbers from 1
	Step         [2]float64 `mapstructure:"step" yaml:"step,flow" json:"step"`
	Count        [2]int     `mapstructure:"count" yaml:"count,flow" json:"count"`
	RadiusPixels float64    `mapstructure:"radius_pixels" yaml:"radius_pixels" json:"radius_pixels"` // of a mark
	SearchPixels float64    `mapstructure:"search_pixels" yaml:"search_pixels" json:"search_pixels"` // distance up to which a mark is looked for
	Order        int        `mapstructure:"order" yaml:"order" json:"order"`                         // of the distortion polynomial, 1 to 5
}

// Ways to know how the ground moves over a detector with strips of filters.
const (
	MotionProfile  = "profile"  // the rates below
	MotionMeasured = "measured" // from the overlap of neighbouring frames, near the rates below
)

// Motion says how the ground moves over the detector from frame to frame, in
// pixels per second towards higher rows and columns.
type Motion struct {
	From         string  `mapstructure:"from" yaml:"from" json:"from"`
	RowsPerS     float64 `mapstructure:"rows_per_s" yaml:"rows_per_s" json:"rows_per_s"`
	ColumnsPerS  float64 `mapstructure:"columns_per_s" yaml:"columns_per_s,omitempty" json:"columns_per_s,omitempty"`
	SearchPixels float64 `mapstructure:"search_pixels" yaml:"search_pixels,omitempty" json:"search_pixels,omitempty"` // for "measured": departure from the rates that is looked for
}

// Stack describes stacked photodiodes: several layers under each pixel, each
// of which sees a mixture of the bands.
type Stack struct {
	// Layers names the detectors that are the layers.
	Layers []string `mapstructure:"layers" yaml:"layers,flow" json:"layers"`
	// Matrix is M: for each layer the share of each band, in the order of
	// the profile's bands. Layer i gathers sum_b M_ib K_b L_b t electrons.
	Matrix [][]float64 `mapstructure:"matrix" yaml:"matrix,flow" json:"matrix"`
	// MaxAmplification is the noise amplification of a band above which the
	// matrix is refused.
	MaxAmplification float64 `mapstructure:"max_amplification" yaml:"max_amplification" json:"max_amplification"`
	// MinSNR is the ratio of signal to noise, summed over the bands, below
	// which a pixel is flagged mix-unsure.
	MinSNR float64 `mapstructure:"min_snr" yaml:"min_snr,omitempty" json:"min_snr,omitempty"`
}

// Stereo names the two eyes of a stereo pair among the detectors.
type Stereo struct {
	Left               string  `mapstructure:"left" yaml:"left" json:"left"`
	Right              string  `mapstructure:"right" yaml:"right" json:"right"`
	MaxDisparityPixels float64 `mapstructure:"max_disparity_pixels" yaml:"max_disparity_pixels" json:"max_disparity_pixels"`
}

// ResponsePoint is one point of a band's relative spectral response.
type ResponsePoint struct {
	NM       float64 `mapstructure:"nm" yaml:"nm" json:"nm"`
	Relative float64 `mapstructure:"relative" yaml:"relative" json:"relative"`
}
