package pipeline

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"

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
// returns their paths, that of the characterisation first.
func (c *Characterisation) write(dir string, workers int) ([]string, error) {
	text, err := c.identify()
	if err != nil {
		return nil, err
	}
	paths, contents := []string{c.file(dir, ".json"), c.file(dir, ".txt")}, [][]byte{text, []byte(c.Text())}
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
