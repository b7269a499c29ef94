package plots

import (
	"image/color"
	"math"
	"strings"

	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/font/liberation"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Colours of paper and ink.
var (
	paper = color.NRGBA{R: 255, G: 255, B: 255, A: 255}
	ink   = color.NRGBA{R: 0x22, G: 0x22, B: 0x22, A: 255} // text, axes
	faded = color.NRGBA{R: 0x60, G: 0x60, B: 0x60, A: 255} // less important text, limits
	grid  = color.NRGBA{R: 0xe4, G: 0xe4, B: 0xe4, A: 255}
	band  = color.NRGBA{R: 0xe9, G: 0xe9, B: 0xe9, A: 255} // what noise alone explains
)

// Colours of series: M. Okabe, K. Ito, "Color Universal Design (CUD): How to
// make figures and presentations that are friendly to colorblind people"
// (2008), figure 16. Its yellow is left out, since it hardly shows on white.
var (
	blue       = color.NRGBA{R: 0x00, G: 0x72, B: 0xb2, A: 255}
	vermillion = color.NRGBA{R: 0xd5, G: 0x5e, B: 0x00, A: 255}
	green      = color.NRGBA{R: 0x00, G: 0x9e, B: 0x73, A: 255} // "bluish green"
	purple     = color.NRGBA{R: 0xcc, G: 0x79, B: 0xa7, A: 255} // "reddish purple"
	orange     = color.NRGBA{R: 0xe6, G: 0x9f, B: 0x00, A: 255}
	sky        = color.NRGBA{R: 0x56, G: 0xb4, B: 0xe9, A: 255} // "sky blue"
	black      = color.NRGBA{R: 0x00, G: 0x00, B: 0x00, A: 255}
)

// colours are taken in this order, the darker ones first.
var colours = [...]color.NRGBA{blue, vermillion, green, purple, black, orange, sky}

// colourWords are the bands that have a colour of their own.
var colourWords = [...]struct {
	word   string
	colour color.NRGBA
}{
	{"red", vermillion}, {"green", green}, {"blue", blue}, {"violet", purple},
	{"yellow", orange}, {"cyan", sky}, {"clear", black},
}

// coloursOf gives each series its colour: that of its band where all names
// have the word for one, as in "A red", and otherwise one after another.
func coloursOf(names []string) []color.NRGBA {
	out := make([]color.NRGBA, len(names))
	for i, name := range names {
		colour, ok := colourOfWord(name)
		if !ok {
			return coloursInTurn(len(names))
		}
		out[i] = colour
	}
	return out
}

func coloursInTurn(n int) []color.NRGBA {
	out := make([]color.NRGBA, n)
	for i := range out {
		out[i] = colours[i%len(colours)]
	}
	return out
}

func colourOfWord(name string) (color.NRGBA, bool) {
	for _, field := range strings.Fields(name) {
		for _, c := range colourWords {
			if strings.EqualFold(field, c.word) {
				return c.colour, true
			}
		}
	}
	return color.NRGBA{}, false
}

// pale is a colour mixed with paper, for areas.
func pale(c color.NRGBA) color.NRGBA {
	mix := func(v uint8) uint8 { return uint8((int(v) + 3*255) / 4) }
	return color.NRGBA{R: mix(c.R), G: mix(c.G), B: mix(c.B), A: 255}
}

// Sizes, in points of 1/72 inch.
const (
	figureWidth vg.Length = 510 // 18 cm
	margin      vg.Length = 14
	panelHeight vg.Length = 235 // of the data of a panel that stands alone
	tickLength  vg.Length = 3
	markRadius  vg.Length = 2.3
	hairline    vg.Length = 0.5
	fineLine    vg.Length = 0.8
	curveLine   vg.Length = 1.1

	titleSize vg.Length = 12
	textSize  vg.Length = 8.5
	smallSize vg.Length = 7.5
)

var (
	dashed = []vg.Length{4, 2.5}
	dotted = []vg.Length{1.2, 2}
)

// lettering writes the text of one figure. The fonts come with the program
// and have the widths of Arial and Helvetica.
type lettering struct{ fonts *font.Cache }

func newLettering() *lettering { return &lettering{fonts: font.NewCache(liberation.Collection())} }

func (l *lettering) style(size vg.Length, c color.Color) draw.TextStyle {
	return draw.TextStyle{
		Color: c, Handler: text.Plain{Fonts: l.fonts},
		Font: font.Font{Typeface: "Liberation", Variant: "Sans", Size: size},
	}
}

func (l *lettering) title() draw.TextStyle {
	s := l.style(titleSize, ink)
	for _, face := range liberation.Collection() {
		if face.Font.Name() == "LiberationSans-Bold" {
			s.Font.Weight = face.Font.Weight
		}
	}
	return s
}

// aligned returns the style with its alignment.
func aligned(s draw.TextStyle, x draw.XAlignment, y draw.YAlignment) draw.TextStyle {
	s.XAlign, s.YAlign = x, y
	return s
}

// wrapped breaks a text between words into lines of at most width.
func wrapped(s draw.TextStyle, width vg.Length, txt string) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(txt) {
		longer := strings.TrimPrefix(line+" "+word, " ")
		if line != "" && s.Width(longer) > width {
			lines = append(lines, line)
			longer = word
		}
		line = longer
	}
	return append(lines, line)
}

// corners are the outlines of the shapes of points, in units of their radius,
// all of about the same area; the first, a circle, has none.
var corners = [...][][2]float64{
	nil, // circle
	{{-0.89, -0.89}, {0.89, -0.89}, {0.89, 0.89}, {-0.89, 0.89}},
	{{-1.2, -0.75}, {1.2, -0.75}, {0, 1.3}},
	{{0, -1.3}, {1.3, 0}, {0, 1.3}, {-1.3, 0}},
	{{-1.2, 0.75}, {0, -1.3}, {1.2, 0.75}},
	{{0.75, -1.2}, {0.75, 1.2}, {-1.3, 0}},
	{{-0.75, -1.2}, {1.3, 0}, {-0.75, 1.2}},
}

// shape is the number of a shape of points; any number has one.
type shape int

// drawAt draws a point, hollow or full.
func (s shape) drawAt(c *draw.Canvas, at vg.Point, colour color.Color, hollow bool) {
	path := s.path(at)
	if hollow {
		c.SetColor(paper)
		c.Fill(path)
		c.SetLineStyle(draw.LineStyle{Color: colour, Width: fineLine})
		c.Stroke(path)
		return
	}
	c.SetColor(colour)
	c.Fill(path)
}

func (s shape) path(at vg.Point) vg.Path {
	var p vg.Path
	outline := corners[int(s)%len(corners)]
	if outline == nil {
		p.Move(vg.Point{X: at.X + markRadius, Y: at.Y})
		p.Arc(at, markRadius, 0, 2*math.Pi)
		p.Close()
		return p
	}
	for i, corner := range outline {
		point := vg.Point{X: at.X + markRadius*vg.Length(corner[0]), Y: at.Y + markRadius*vg.Length(corner[1])}
		if i == 0 {
			p.Move(point)
		} else {
			p.Line(point)
		}
	}
	p.Close()
	return p
}
