package pipeline

import (
	"encoding/json"
	"fmt"
	"path/filepath"
	"strings"

	"gonum.org/v1/gonum/mat"

	"evenlight/calib"
	"evenlight/calib/colour"
)

// PictureSummary tells what became of a run that made pictures.
type PictureSummary struct {
	Software string        `json:"software"`
	Version  string        `json:"version"`
	Pictures []MadePicture `json:"pictures"`
	Failures []Failure     `json:"failures"`
}

// MadePicture is a picture and the folder that its files are in.
type MadePicture struct {
	Folder string `json:"folder"`
	*PictureReport
}

// PictureReport is the record of a picture: what it was made of and how, so
// that it can be judged and made again. Red, green and blue are linear sRGB in
// which white is 1, before the stretch; uncertainties are standard
// uncertainties.
type PictureReport struct {
	Software    string      `json:"software"`
	Version     string      `json:"version"`
	Mode        string      `json:"mode"` // natural, false colour or grey
	Approximate bool        `json:"approximate"`
	Statement   string      `json:"statement"` // what the picture is, in a line
	Inputs      []Input     `json:"inputs"`
	Instrument  string      `json:"instrument"`
	Target      string      `json:"target,omitempty"`
	Time        string      `json:"time,omitempty"` // start of the first exposure, UTC
	ProfileHash string      `json:"profile_sha256"`
	Unit        string      `json:"unit"` // of the band values; empty: I/F
	Width       int         `json:"width"`
	Height      int         `json:"height"`
	Bands       []string    `json:"bands"`
	LeftOut     []string    `json:"bands_left_out,omitempty"`
	Channels    []string    `json:"channels,omitempty"` // of false colour
	Illuminant  string      `json:"illuminant,omitempty"`
	MatrixXYZ   [][]float64 `json:"matrix_xyz,omitempty"` // values relative to white -> X, Y, Z
	MatrixRGB   [][]float64 `json:"matrix_rgb"`           // values relative to white -> linear red, green, blue

	White       PictureWhite   `json:"white"`
	ColourError *ColourErrors  `json:"colour_error,omitempty"`
	Stretch     PictureStretch `json:"stretch"`
	Hide        []string       `json:"hide"` // flags with which a pixel is left out
	Pixels      PictureCounts  `json:"pixels"`
	// Noise is the median standard uncertainty of red, green and blue of a
	// pixel, random only; absent where no pixel has one.
	Noise    *[3]float64    `json:"noise_rgb,omitempty"`
	Probes   []PictureProbe `json:"probes,omitempty"`
	Preview  PreviewReport  `json:"preview"`
	PNGLevel int            `json:"png_level"`
	Files    PictureFiles   `json:"files"`
	Warnings []string       `json:"warnings"`
}

// PictureWhite is what is shown as white.
type PictureWhite struct {
	Kind        string    `json:"kind"` // sun, target or none
	Source      string    `json:"source"`
	Reason      string    `json:"reason,omitempty"` // for none
	Values      []float64 `json:"values"`           // by band or channel, in Unit
	Uncertainty []float64 `json:"uncertainty"`      // the same for all pixels
}

// ColourErrors is how far colours are off without noise, on the test colours of
// CIE 13.3-1995.
type ColourErrors struct {
	MeanDeltaE2000 float64 `json:"mean_delta_e_2000"`
	MaxDeltaE2000  float64 `json:"max_delta_e_2000"`
	MeanDeltaE76   float64 `json:"mean_delta_e_76"`
	MaxDeltaE76    float64 `json:"max_delta_e_76"`
}

// PictureStretch is how values are shown: low as 0, high as 1, by channel.
type PictureStretch struct {
	Low    [3]float64 `json:"low"`
	High   [3]float64 `json:"high"`
	Gamma  float64    `json:"gamma"` // 0: the curve of sRGB
	Source string     `json:"source"`
	From   string     `json:"from,omitempty"` // the record that it was taken from
}

func (s PictureStretch) stretch() colour.Stretch {
	return colour.Stretch{Low: s.Low, High: s.High, Gamma: s.Gamma, Source: s.Source}
}

// PictureCounts counts pixels of the whole picture. One may be clipped at both
// ends.
type PictureCounts struct {
	All          int `json:"all"`
	Shown        int `json:"shown"` // the others are transparent
	Moved        int `json:"moved"` // flagged so in any of the bands
	ClippedBelow int `json:"clipped_below"`
	ClippedAbove int `json:"clipped_above"`
}

// Measured is a number with its standard uncertainties.
type Measured struct {
	Name       string  `json:"name"`
	Value      float64 `json:"value"`
	Random     float64 `json:"random"`
	Systematic float64 `json:"systematic"` // common to all pixels
}

// PictureProbe is the colour of a uniform region.
type PictureProbe struct {
	Columns [2]int     `json:"columns"` // from 1, both ends
	Rows    [2]int     `json:"rows"`
	Pixels  int        `json:"pixels"` // good ones
	Values  []Measured `json:"values"` // by band or channel, relative to white
	RGB     []Measured `json:"rgb"`
	// XYZ, Chromaticity and ToGrey are for natural colour, in the light of the
	// illuminant.
	XYZ          []Measured    `json:"xyz,omitempty"`
	Chromaticity []Measured    `json:"chromaticity,omitempty"`
	ToGrey       *GreyDistance `json:"to_grey,omitempty"`
	// Scatter is the pixels' standard deviation over that of their noise, the
	// largest of the bands: well above 1 the region is not uniform.
	Scatter float64 `json:"scatter"`
}

// GreyDistance is the colour difference to the grey of the same lightness, and
// what a* and b* of such a grey scatter by, together.
type GreyDistance struct {
	DeltaE76   float64 `json:"delta_e_76"`
	DeltaE2000 float64 `json:"delta_e_2000"`
	Random     float64 `json:"random"`
	Systematic float64 `json:"systematic"`
}

// PreviewReport describes the 8-bit picture.
type PreviewReport struct {
	Width  int `json:"width"`
	Height int `json:"height"`
	Side   int `json:"averaged_px"` // of the squares that were averaged, pixels
	Marked int `json:"marked"`      // pixels drawn over, around what moved
}

// PictureFiles names a picture's files, without folder.
type PictureFiles struct {
	Colour  string `json:"colour"`  // PNG, 16 bits a channel, all pixels
	Preview string `json:"preview"` // PNG, 8 bits a channel
	Record  string `json:"record"`  // JSON
}

// report starts the record of a picture.
func (m *pictureMaker) report(in *pictureInput, p *palette, full, small *colour.Picture, s colour.Stretch) *PictureReport {
	r := &PictureReport{
		Software: Software, Version: Version, Mode: p.mode, Inputs: []Input{{inputRole(in), filepath.Base(in.path), in.sha}},
		Instrument: in.record.Instrument, Target: in.target, Time: in.begin, ProfileHash: in.in.Hash, Unit: in.unit,
		Width: full.Width, Height: full.Height, Bands: p.bands, LeftOut: p.leftOut, MatrixRGB: rowsOfMatrix(p.rgb),
		White:   PictureWhite{p.whiteKind, p.white.Source, p.whiteNote, p.white.Values, p.white.Uncertainty},
		Stretch: PictureStretch{s.Low, s.High, s.Gamma, s.Source, m.from},
		Hide:    flagNames(m.hide), Pixels: counts(full, p), Noise: p.noise(m.hide),
		Preview:  PreviewReport{Width: small.Width, Height: small.Height, Side: previewSide(full.Width, full.Height, m.opt.PreviewPx)},
		PNGLevel: m.opt.PNGLevel, Warnings: []string{},
	}
	switch {
	case p.transform != nil:
		q := &p.transform.Quality
		r.Approximate, r.Illuminant, r.MatrixXYZ = p.transform.Approximate, p.transform.Illuminant, rowsOfMatrix(p.transform.XYZ)
		r.ColourError = &ColourErrors{q.Mean2000, q.Max2000, q.Mean76, q.Max76}
		r.Statement = p.transform.String()
	case p.mode == modeFalse:
		r.Channels = p.names
		r.Statement = fmt.Sprintf("false colour: red is %s, green is %s, blue is %s", p.names[0], p.names[1], p.names[2])
	default:
		r.Statement = fmt.Sprintf("grey: one band, %s", p.names[0])
	}
	return r
}

func inputRole(in *pictureInput) string {
	if in.record.What == whatCube {
		return roleCube
	}
	return roleProduct
}

// roleCube is the role of a band cube among inputs.
const roleCube = "band cube"

func rowsOfMatrix(m *mat.Dense) [][]float64 {
	rows, _ := m.Dims()
	out := make([][]float64, rows)
	for i := range out {
		out[i] = mat.Row(nil, i, m)
	}
	return out
}

func flagNames(bits calib.Flags) []string {
	out := []string{}
	for _, f := range calib.FlagTable() {
		if bits&(1<<f.Bit) != 0 {
			out = append(out, f.Name)
		}
	}
	return out
}

func counts(full *colour.Picture, p *palette) PictureCounts {
	c := PictureCounts{All: full.Width * full.Height, ClippedBelow: full.Clipped.Below, ClippedAbove: full.Clipped.Above}
	for i := range c.All {
		if full.Deep.Pix[8*i+7] != 0 {
			c.Shown++
		}
	}
	seen := make([]calib.Flags, c.All)
	for _, r := range p.rasters {
		for i, f := range r.Flags {
			seen[i] |= f
		}
	}
	for _, f := range seen {
		if f&calib.Moved != 0 {
			c.Moved++
		}
	}
	return c
}

// manyClipped is the share of pixels beyond the stretch that is worth a
// warning; a stretch that is found from the picture leaves less. Below zero
// there is only noise.
const manyClipped = 0.05

// unevenScatter is the ratio of scatter to noise above which a region is
// called uneven.
const unevenScatter = 1.5

// warn lists what a person should know before trusting the picture.
func (r *PictureReport) warn(in *pictureInput, p *palette) {
	add := func(form string, v ...any) { r.Warnings = append(r.Warnings, fmt.Sprintf(form, v...)) }
	if r.Approximate {
		add("the colour is approximate: the profile has no response of some bands, so bands of %d nm about their wavelengths were assumed", colour.AssumedWidthNM)
	}
	if p.mode == modeNatural && len(p.names) == 2 {
		add("two bands tell no more than a line of colours through white")
	}
	if p.mode == modeGrey && p.whiteKind == whiteNone {
		add("there is no white reference: %s", p.whiteNote)
	}
	if p.mode == modeNatural && len(p.leftOut) > 0 {
		add("band %s is left out: it was not asked for, or sees little visible light", strings.Join(p.leftOut, ", "))
	}
	c := &r.Pixels
	if float64(c.ClippedAbove) > manyClipped*float64(c.All) {
		add("%d of %d pixels are brighter than the stretch shows", c.ClippedAbove, c.All)
	}
	if max(r.Stretch.Low[0], r.Stretch.Low[1], r.Stretch.Low[2]) > 0 && float64(c.ClippedBelow) > manyClipped*float64(c.All) {
		add("%d of %d pixels are darker than the stretch shows", c.ClippedBelow, c.All)
	}
	if c.Shown == 0 {
		add("no pixel has a colour: all are hidden by their flags")
	}
	if c.Moved > 0 {
		add("the colour of %d pixels that are flagged moved is not the target's", c.Moved)
	}
	if in.record.Version != Version {
		add("the input was made by version %s", in.record.Version)
	}
	for _, q := range r.Probes {
		if q.Scatter > unevenScatter {
			add("the probe of columns %d-%d rows %d-%d is not uniform: its pixels scatter %.1f times their noise", q.Columns[0], q.Columns[1], q.Rows[0], q.Rows[1], q.Scatter)
		}
	}
}

// notes are the text chunks of the PNGs: what people and viewers look for, the
// settings one by one, and the record whole.
func (r *PictureReport) notes(p *palette) ([]colour.TextChunk, error) {
	record, err := json.Marshal(r)
	if err != nil {
		return nil, err
	}
	notes := []colour.TextChunk{{Keyword: "Software", Text: r.Software + " " + r.Version}}
	for _, n := range []colour.TextChunk{
		{Keyword: "Title", Text: r.Target},
		{Keyword: "Source", Text: r.Instrument},
		{Keyword: "Description", Text: r.Statement},
		{Keyword: "Warning", Text: strings.Join(r.Warnings, "\n")},
	} {
		if n.Text != "" {
			notes = append(notes, n)
		}
	}
	var settings []calib.Setting
	if p.transform != nil {
		settings = p.transform.Settings()
	}
	settings = append(append(settings, p.white.Settings()...), r.Stretch.stretch().Settings()...)
	notes = append(notes, colour.TextOf(settings)...)
	return append(notes, colour.TextChunk{Keyword: recordKeyword, Text: string(record)}), nil
}

// recordKeyword is the keyword of the chunk that holds the record, in JSON.
const recordKeyword = "record"

// Text writes the summary for people.
func (s *PictureSummary) Text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d pictures made, %d failures\n", len(s.Pictures), len(s.Failures))
	for _, p := range s.Pictures {
		p.write(&b)
	}
	for _, f := range s.Failures {
		fmt.Fprintf(&b, "\nfailed: %s\n", f.Reason)
	}
	return b.String()
}

func (p MadePicture) write(b *strings.Builder) {
	r := p.PictureReport
	fmt.Fprintf(b, "\n%s and %s, in %s\n  %s\n", r.Files.Colour, r.Files.Preview, p.Folder, r.Statement)
	fmt.Fprintf(b, "  white      %s\n", r.White.Source)
	curve := "curve of sRGB"
	if r.Stretch.Gamma != 0 {
		curve = fmt.Sprintf("gamma %g", r.Stretch.Gamma)
	}
	fmt.Fprintf(b, "  stretch    %.5g to %.5g, %s (%s)\n", r.Stretch.Low, r.Stretch.High, curve, r.Stretch.Source)
	fmt.Fprintf(b, "  pixels     %d of %d shown; clipped %d below, %d above\n", r.Pixels.Shown, r.Pixels.All, r.Pixels.ClippedBelow, r.Pixels.ClippedAbove)
	if r.Noise != nil {
		fmt.Fprintf(b, "  noise      %.2g of white in red, green, blue\n", *r.Noise)
	}
	for _, q := range r.Probes {
		q.write(b)
	}
	for _, w := range r.Warnings {
		fmt.Fprintf(b, "  warning: %s\n", w)
	}
}

func (q *PictureProbe) write(b *strings.Builder) {
	fmt.Fprintf(b, "  probe of columns %d-%d rows %d-%d, %d pixels (± random ± systematic)\n", q.Columns[0], q.Columns[1], q.Rows[0], q.Rows[1], q.Pixels)
	for _, list := range [][]Measured{q.XYZ, q.Chromaticity, q.RGB} {
		if len(list) == 0 {
			continue
		}
		b.WriteString("   ")
		for _, v := range list {
			fmt.Fprintf(b, "  %s %.5f ± %.2g ± %.2g", v.Name, v.Value, v.Random, v.Systematic)
		}
		b.WriteByte('\n')
	}
	if g := q.ToGrey; g != nil {
		fmt.Fprintf(b, "     to grey: CIEDE2000 %.2f, CIE 1976 %.2f (noise %.2g, systematic %.2g)\n", g.DeltaE2000, g.DeltaE76, g.Random, g.Systematic)
	}
}
