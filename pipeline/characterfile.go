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

// Characterisation is what a library looks at in a file of measured properties.
type Characterisation struct {
	Instrument string    `json:"instrument"`
	Detector   string    `json:"detector"`
	Mode       string    `json:"mode"`
	Software   string    `json:"software"`
	From       time.Time `json:"measured_from"` // first and last exposure
	To         time.Time `json:"measured_to"`

	Path string `json:"-"`
}

func isCharacterisationName(path string) bool {
	name := filepath.Base(path)
	return strings.HasSuffix(name, CharacterisationSuffix) && !strings.HasPrefix(name, ".")
}

// maxCharacterisationBytes bounds what is read of one.
const maxCharacterisationBytes = 64 << 20

func readCharacterisation(path string) (*Characterisation, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	c := &Characterisation{Path: path}
	err = json.NewDecoder(io.LimitReader(f, maxCharacterisationBytes)).Decode(c)
	switch {
	case err == nil && (c.Instrument == "" || c.Detector == ""):
		err = errors.New("it names no instrument and detector")
	case err == nil && (c.From.IsZero() || c.To.IsZero()):
		err = errors.New("it does not say when it was measured (measured_from, measured_to)")
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w: make it again", path, err)
	}
	return c, nil
}
