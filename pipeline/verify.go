package pipeline

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"evenlight/configs"
	"evenlight/fitsutil"
)

// Verification is the answer to whether a product can be made again.
type Verification struct {
	Product string   `json:"product"`
	Same    bool     `json:"same"` // byte for byte
	Details []string `json:"details"`
}

// Verify makes a product again from its inputs, found by name under the given
// folders and checked by content hash, with the profile that the product
// carries, and compares the result byte for byte. An input that is absent or
// changed is an error; bytes that differ are not, they are the answer.
func Verify(path string, folders []string, workers int) (*Verification, error) {
	made, err := openMade(path)
	if err != nil {
		return nil, err
	}
	defer made.file.Close()
	in, record := made.in, made.record
	v := &Verification{Product: path, Details: []string{}}
	if _, err := made.file.VerifyChecksums(); err != nil {
		v.Details = append(v.Details, err.Error())
	}
	if record.Version != Version {
		v.Details = append(v.Details, fmt.Sprintf("made by version %s, this is %s: bytes may differ", record.Version, Version))
	}
	var again []byte
	switch {
	case record.What == whatCube:
		again, err = remakeCube(in, record, made.file.HDUs()[0].Header, folders, workers)
	case record.hasRole(roleRepeat):
		again, err = remakeRepeats(in, record, folders, workers)
	default:
		again, err = remake(in, record, folders, workers)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	before, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	v.Same = bytes.Equal(before, again)
	if !v.Same {
		v.Details = append(v.Details, difference(before, again))
	}
	return v, nil
}

// madeFile is a product with what tells how to make it again.
type madeFile struct {
	file   *fitsutil.File
	record *Provenance
	in     *Instrument // of the profile that the product carries
}

// openMade opens a calibrated frame or a band cube.
func openMade(path string) (*madeFile, error) {
	f, err := fitsutil.Open(path)
	if err != nil {
		return nil, err
	}
	m := &madeFile{file: f}
	if err := m.read(path); err != nil {
		f.Close()
		return nil, err
	}
	return m, nil
}

func (m *madeFile) read(path string) (err error) {
	if m.record, err = provenanceOf(path, m.file.HDUs()[0].Header); err != nil {
		return err
	}
	if m.record.What != whatFrame && m.record.What != whatCube {
		return fmt.Errorf("%s is a %s: calibrated frames and band cubes can be verified", path, m.record.What)
	}
	text, err := readProfile(m.file)
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	p, err := configs.Parse(path+" (profile)", text, configs.Overrides{})
	if err != nil {
		return err
	}
	if h := p.Hash(); h != m.record.ProfileHash {
		return fmt.Errorf("%s: the profile that it carries has hash %s and the header says %s", path, h, m.record.ProfileHash)
	}
	m.in = NewInstrument(p)
	return nil
}

// difference says where two files part.
func difference(a, b []byte) string {
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			return fmt.Sprintf("made again it differs from byte %d on", i)
		}
	}
	return fmt.Sprintf("the file has %d bytes, made again it has %d", len(a), len(b))
}

// remake makes a product in memory.
func remake(in *Instrument, record *Provenance, folders []string, workers int) ([]byte, error) {
	c, f, err := reopen(in, record, folders, workers)
	if err != nil {
		return nil, err
	}
	w := fitsutil.CreateBuffer()
	if _, _, err := c.calibrate(f, w); err != nil {
		return nil, err
	}
	if err := w.Commit(); err != nil {
		return nil, err
	}
	return w.Bytes(), nil
}

// reopen opens the raw frame of a product, with a calibrator that has the
// product's inputs and no others.
func reopen(in *Instrument, record *Provenance, folders []string, workers int) (*calibrator, *Frame, error) {
	raw := ""
	var before []string
	lib := &Library{Dir: "the product's inputs"}
	for _, input := range record.Inputs {
		path, err := findInput(input, folders)
		if err != nil {
			return nil, nil, err
		}
		switch input.Role {
		case roleRaw:
			raw = path
			continue
		case roleBefore:
			before = append(before, path)
			continue
		case roleProduct, roleRepeat:
			continue // they changed flags alone
		}
		m, err := readMaster(path)
		if err != nil {
			return nil, nil, err
		}
		lib.Masters = append(lib.Masters, m)
	}
	if raw == "" {
		return nil, nil, errors.New("its header lists no raw frame")
	}
	c := newCalibrator(in, lib, newMasterCache(defaultCacheMiB<<20), workers)
	c.sequence = in.newSequence(before, workers)
	frames, errs := c.open(raw)
	for _, f := range frames {
		if in.Profile.Detectors[f.Detector].Name != record.Detector || (f.Planes > 1 && f.Plane+1 != record.Plane) {
			continue
		}
		return c, f, nil
	}
	return nil, nil, fmt.Errorf("%s holds no such frame: %w", raw, errors.Join(errs...))
}

// findInput looks for a file of the given name and content.
func findInput(in Input, folders []string) (string, error) {
	found, changed := "", ""
	for _, dir := range folders {
		err := filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
			if err != nil || e.IsDir() || e.Name() != in.Name || found != "" {
				return err
			}
			sha, _, err := fitsutil.HashFile(path)
			if err != nil {
				return err
			}
			if sha == in.SHA256 {
				found = path
				return fs.SkipAll
			}
			changed = path
			return nil
		})
		if err != nil {
			return "", err
		}
	}
	switch {
	case found != "":
		return found, nil
	case changed != "":
		return "", fmt.Errorf("input %s (%s) has another content than when the product was made: find the file with SHA-256 %s", changed, in.Role, in.SHA256)
	}
	return "", fmt.Errorf("input %s (%s, SHA-256 %s) is not in %v: name its folder with --inputs", in.Name, in.Role, in.SHA256, folders)
}
