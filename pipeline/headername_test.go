package pipeline

import (
	"testing"

	"evenlight/fitsutil"
)

// A file may have any name that the system allows; a header holds printable
// ASCII only (FITS Standard 4.0, clause 4.2.1.1).
func TestAnyFileNameSurvivesTheHeader(t *testing.T) {
	for name, want := range map[string]string{
		"0173-scene.fits":           "0173-scene.fits",
		"two  spaces '' \"q\".fits": "two  spaces '' \"q\".fits",
		"line\nbreak.fits":          "line%0Abreak.fits",
		"mond-\u00fc.fits":          "mond-%C3%BC.fits",
		"\xff\x01.fits":             "%FF%01.fits",
		"100%; a=b.fits":            "100%25%3B a=b.fits",
	} {
		text := headerName(name)
		if text != want {
			t.Errorf("%q is written %q, want %q", name, text, want)
		}
		h := fitsutil.NewHeader()
		if err := h.Set("INNM0001", text, ""); err != nil {
			t.Errorf("%q: %v", name, err)
		}
		got, _, err := h.Text("INNM0001")
		if err != nil || nameInHeader(got) != name {
			t.Errorf("%q came back as %q, %v", name, nameInHeader(got), err)
		}
	}
	if got := nameInHeader("50% done.fits"); got != "50% done.fits" {
		t.Errorf("a name that was never written so became %q", got)
	}
}
