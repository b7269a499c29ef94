package pipeline

import (
	"fmt"
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
	// products made with them know it.
	Identity string
}

func isCharacterisationName(path string) bool {
	name := filepath.Base(path)
	return strings.HasSuffix(name, CharacterisationSuffix) && !strings.HasPrefix(name, ".")
}

func readCharacterisation(path string) (*CharacterisationFile, error) {
	measured, err := ReadCharacterisation(path)
	if err != nil {
		return nil, err
	}
	c := &CharacterisationFile{Path: path, Instrument: measured.Instrument, Detector: measured.Detector, Mode: measured.Mode, Identity: measured.SHA256}
	for _, t := range []struct {
		key, text string
		to        *time.Time
	}{{"begin", measured.Begin, &c.Begin}, {"end", measured.End, &c.End}} {
		if *t.to, err = time.Parse(timeForm, t.text); err != nil {
			return nil, fmt.Errorf("%s: its %s %q is no time such as 2031-03-14T06:00:00.000: measure the sensor again", path, t.key, t.text)
		}
	}
	return c, nil
}
