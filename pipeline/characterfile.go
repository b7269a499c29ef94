package pipeline

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// CharacterisationSuffix ends the names of files with measured properties of a
// sensor.
const CharacterisationSuffix = "-characterisation.json"

// CharacterisationFile is what a library looks at in a file of measured
// properties, whatever else it holds.
type CharacterisationFile struct {
	Path       string
	Instrument string
	Detector   string
	Mode       string
	Begin, End time.Time // of the first and the last exposure
	// Identity is the sha256 that the file states, by which profiles and the
	// products made with them know it; empty: none.
	Identity string
}

func isCharacterisationName(path string) bool {
	name := filepath.Base(path)
	return strings.HasSuffix(name, CharacterisationSuffix) && !strings.HasPrefix(name, ".")
}

// maxCharacterisationBytes bounds what is read of one.
const maxCharacterisationBytes = 64 << 20

func readCharacterisation(path string) (*CharacterisationFile, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	c, err := parseCharacterisation(io.LimitReader(f, maxCharacterisationBytes))
	if err != nil {
		return nil, fmt.Errorf("%s: %w: make it again", path, err)
	}
	c.Path = path
	return c, nil
}

func parseCharacterisation(text io.Reader) (*CharacterisationFile, error) {
	var words struct{ Instrument, Detector, Mode, Begin, End, SHA256 string }
	if err := json.NewDecoder(text).Decode(&words); err != nil {
		return nil, err
	}
	if words.Instrument == "" || words.Detector == "" {
		return nil, errors.New("it names no instrument and detector")
	}
	c := &CharacterisationFile{Instrument: words.Instrument, Detector: words.Detector, Mode: words.Mode, Identity: words.SHA256}
	for _, t := range []struct {
		key, text string
		to        *time.Time
	}{{"begin", words.Begin, &c.Begin}, {"end", words.End, &c.End}} {
		var err error
		if *t.to, err = time.Parse(timeForm, t.text); err != nil {
			return nil, fmt.Errorf("its %s %q is no time such as 2031-03-14T06:00:00.000", t.key, t.text)
		}
	}
	return c, nil
}
