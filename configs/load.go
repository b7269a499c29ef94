package configs

import (
	"fmt"
	"io"
	"os"
)

// Load reads the profile in a file. The error is a [ProblemList] when the
// file could be read and is faulty; it wraps fs.ErrNotExist when there is no
// such file.
func Load(path string, over Overrides) (*Profile, error) {
	text, err := readFile(path)
	if err != nil {
		return nil, fmt.Errorf("reading profile: %w; check the path", err)
	}
	return Parse(path, text, over)
}

func readFile(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return readText(f)
}

// readText reads one byte more than a file may have at most, so that readTree
// can tell that it is too large.
func readText(r io.Reader) ([]byte, error) {
	return io.ReadAll(io.LimitReader(r, maxFileBytes+1))
}

// Parse reads a profile from its text; name stands for the file in messages.
// Overrides and defaults are filled in, and everything is checked. The error
// is a [ProblemList] with everything that is wrong.
func Parse(name string, text []byte, over Overrides) (*Profile, error) {
	b, err := profileFormat().bind(name, text, over)
	if err != nil {
		return nil, err
	}
	profile, err := decode[Profile](b.values)
	if err != nil {
		return nil, fmt.Errorf("decoding profile %s: %w", name, err)
	}
	if err := b.verdict(profile.check()); err != nil {
		return nil, err
	}
	return profile, nil
}
