package page

import (
	"embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"strings"
	"unicode"
)

//go:embed page.gohtml
var sources embed.FS

// Render writes the index of a page as HTML.
func Render(w io.Writer, p *Page) error { return render(w, "index", p) }

// RenderPart writes a part file as HTML.
func RenderPart(w io.Writer, p *Part) error { return render(w, "part", p) }

func render(w io.Writer, name string, data any) error {
	t, err := template.New("").Funcs(template.FuncMap{"png": pngURI, "svg": inlineSVG, "show": show}).ParseFS(sources, "page.gohtml")
	if err != nil {
		return fmt.Errorf("templates of the page: %w", err)
	}
	return t.ExecuteTemplate(w, name, data)
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
