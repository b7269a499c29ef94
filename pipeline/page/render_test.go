package page

import (
	"bytes"
	"strings"
	"testing"
)

// Text of headers must not become markup, nor turn lines around.
func TestHostileTextIsShownAsText(t *testing.T) {
	p := SamplePage(4)
	part := &Part{Title: hostile, Frames: p.Details, Masters: p.MasterDetails}
	for name, draw := range map[string]func(*bytes.Buffer) error{
		"index": func(b *bytes.Buffer) error { return Render(b, p) },
		"part":  func(b *bytes.Buffer) error { return RenderPart(b, part) },
	} {
		t.Run(name, func(t *testing.T) {
			var b bytes.Buffer
			if err := draw(&b); err != nil {
				t.Fatal(err)
			}
			html := b.String()
			if strings.Contains(html, "<script>alert") || strings.Contains(html, "<img src=x") {
				t.Error("a tag of a header is a tag of the page")
			}
			if strings.ContainsAny(html, "\u202e\x07") {
				t.Error("a hidden character is in the page as it is")
			}
			if !strings.Contains(html, "&lt;script&gt;alert") {
				t.Error("the text is not shown")
			}
		})
	}
}
