package page

import (
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"strings"
	"unicode"
)

//go:embed page.gohtml page.css page.js
var sources embed.FS

// Render writes the index of a page as HTML.
func Render(w io.Writer, p *Page) error {
	f, err := newFurniture()
	if err != nil {
		return err
	}
	return render(w, "index", newIndexView(p, f))
}

// RenderPart writes a part file as HTML.
func RenderPart(w io.Writer, p *Part) error {
	f, err := newFurniture()
	if err != nil {
		return err
	}
	return render(w, "part", newPartView(p, f))
}

func render(w io.Writer, name string, view any) error {
	t, err := template.New("").Funcs(template.FuncMap{
		"png": pngURI, "svg": inlineSVG, "show": show,
		"figure": figure, "percent": percent, "count": count, "utc": utc, "unit": unitText, "word": word, "short": short, "address": address,
	}).ParseFS(sources, "page.gohtml")
	if err != nil {
		return fmt.Errorf("templates of the page: %w", err)
	}
	return t.ExecuteTemplate(w, name, view)
}

// furniture is what each file of a page carries so that it needs no other: the
// style, the script, and the policy that lets only these act.
type furniture struct {
	Style  template.CSS
	Script template.JS
	Policy string
}

func newFurniture() (furniture, error) {
	style, err := sources.ReadFile("page.css")
	if err != nil {
		return furniture{}, fmt.Errorf("style of the page: %w", err)
	}
	script, err := sources.ReadFile("page.js")
	if err != nil {
		return furniture{}, fmt.Errorf("script of the page: %w", err)
	}
	return furniture{template.CSS(style), template.JS(script), policy(script)}, nil
}

// policy forbids the page all that it does not need (W3C, Content Security
// Policy Level 3): nothing is fetched, and no script runs but this one. Styles
// are free, since drawings carry theirs in attributes.
func policy(script []byte) string {
	sum := sha256.Sum256(script)
	return fmt.Sprintf("default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'sha256-%s'; base-uri 'none'; form-action 'none'",
		base64.StdEncoding.EncodeToString(sum[:]))
}

// pngURI makes the address of a picture that is part of the page. The bytes are
// this package's own.
func pngURI(png []byte) template.URL {
	return template.URL("data:image/png;base64," + base64.StdEncoding.EncodeToString(png))
}

// inlineSVG puts a drawing into the page. It is this package's own, with all
// text escaped; what stands before its first element is left out.
func inlineSVG(svg []byte) template.HTML {
	text := string(svg)
	return template.HTML(text[max(0, strings.Index(text, "<svg")):])
}

// show makes characters visible that would move the cursor or turn the line
// around: controls, and the marks of bidirectional text (Unicode Standard Annex
// 9).
func show(text string) string {
	if !strings.ContainsFunc(text, hidden) {
		return text
	}
	var b strings.Builder
	for _, r := range text {
		if hidden(r) {
			fmt.Fprintf(&b, "\\u%04x", r)
		} else {
			b.WriteRune(r)
		}
	}
	return b.String()
}

func hidden(r rune) bool {
	return r != '\n' && r != '\t' && unicode.IsControl(r) || unicode.Is(unicode.Cf, r) || r == '\u2028' || r == '\u2029' || r == unicode.ReplacementChar
}
