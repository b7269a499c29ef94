package pipeline

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"

	"evenlight/fitsutil"
)

// text writes a characterisation as its file holds it.
func (c *Characterisation) text() ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	if err := e.Encode(c); err != nil {
		return nil, fmt.Errorf("characterisation of %s: %w", c.Detector, err)
	}
	return b.Bytes(), nil
}

// identify works out the identity of a characterisation and returns its text.
func (c *Characterisation) identify() ([]byte, error) {
	c.SHA256 = ""
	text, err := c.text()
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(text)
	c.SHA256 = hex.EncodeToString(sum[:])
	return c.text()
}

// write writes the characterisation, its table for people and its plots, and
// returns their paths, that of the characterisation first. One that holds other
// measurements is replaced only when that is asked for.
func (c *Characterisation) write(dir string, overwrite bool, workers int) ([]string, error) {
	text, err := c.identify()
	if err != nil {
		return nil, err
	}
	paths, contents := []string{c.file(dir, ".json"), c.file(dir, ".txt")}, [][]byte{text, []byte(c.Text())}
	if err := mayReplace(paths[0], text, overwrite); err != nil {
		return nil, err
	}
	drawn, err := c.plots(workers)
	if err != nil {
		return nil, err
	}
	for _, p := range drawn {
		paths, contents = append(paths, c.file(dir, "-"+p.name)), append(contents, p.content)
	}
	for i, path := range paths {
		if err := fitsutil.WriteFile(path, contents[i], fitsutil.CreateOptions{Overwrite: true}); err != nil {
			return nil, err
		}
	}
	return paths, nil
}

// mayReplace tells whether a file may be written: it is not there, or it has the
// same content, or it is to be overwritten.
func mayReplace(path string, content []byte, overwrite bool) error {
	if overwrite {
		return nil
	}
	old, _, err := fitsutil.ReadAll(path, nil, maxCharacterisation)
	switch {
	case errors.Is(err, fs.ErrNotExist) || err == nil && bytes.Equal(old, content):
		return nil
	case err != nil:
		return err
	}
	return fmt.Errorf("%s is there and holds other measurements: write to another folder, or give --overwrite", path)
}

// maxCharacterisation bounds the size of such a file, bytes.
const maxCharacterisation = 64 << 20

// ReadCharacterisation reads a file that [Characterise] wrote and checks that
// it is as it was written.
func ReadCharacterisation(path string) (*Characterisation, error) {
	text, _, err := fitsutil.ReadAll(path, nil, maxCharacterisation)
	if err != nil {
		return nil, err
	}
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	var c Characterisation
	var about struct {
		What   string `json:"what"`
		Format int    `json:"format"`
	}
	if err := json.Unmarshal(text, &about); err != nil || about.What != whatCharacterisation {
		return nil, fmt.Errorf("%s is no %s: name the JSON file that 'evenlight characterise' wrote", path, whatCharacterisation)
	}
	if about.Format != CharacterisationFormat {
		return nil, fmt.Errorf("%s has format %d and this software reads %d: measure the sensor again", path, about.Format, CharacterisationFormat)
	}
	if err := d.Decode(&c); err != nil {
		return nil, fmt.Errorf("%s: %w: measure the sensor again", path, err)
	}
	said := c.SHA256
	if _, err := c.identify(); err != nil {
		return nil, err
	}
	if c.SHA256 != said {
		return nil, fmt.Errorf("%s is not what was measured: its sha256 does not fit its content; measure the sensor again", path)
	}
	return &c, nil
}
