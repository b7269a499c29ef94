package configs

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// Characterised refers to what calibration frames told of a detector: the
// gains, their uncertainties and the read noises of its amplifiers are then
// those of the file, in place of the profile's.
type Characterised struct {
	// File is the JSON file that 'evenlight characterise' wrote; a relative path
	// begins at the folder of the profile.
	File string `mapstructure:"file" yaml:"file" json:"file"`
	// SHA256 is the identity of the file, filled in once its values are: a
	// profile that has it, as products keep it, holds the values itself, and
	// the file is not read again.
	SHA256 string `mapstructure:"sha256" yaml:"sha256,omitempty" json:"sha256,omitempty"`
}

// maxCharacterisedBytes bounds the size of such a file.
const maxCharacterisedBytes = 64 << 20

// sensorFile is what a profile takes from such a file.
type sensorFile struct {
	What       string       `json:"what"`
	Format     int          `json:"format"`
	Instrument string       `json:"instrument"`
	Detector   string       `json:"detector"`
	SHA256     string       `json:"sha256"`
	Cells      []sensorCell `json:"cells"`
}

type sensorCell struct {
	Amplifier string        `json:"amplifier"`
	Gain      *sensorFigure `json:"gain"`
	ReadNoise *sensorFigure `json:"read_noise"`
}

type sensorFigure struct {
	Value float64 `json:"value"`
	U     float64 `json:"u"`
	Bound string  `json:"bound"`
}

// takeCharacterised writes what has been measured into the detectors that
// refer to a file, before anything is checked.
func takeCharacterised(root *node, name string) ProblemList {
	var problems ProblemList
	detectors := root.get("detectors")
	if detectors == nil {
		return nil
	}
	instrument := ""
	if n := root.get("instrument"); n != nil {
		instrument = n.text
	}
	for i, d := range detectors.items {
		ref := d.get("characterised")
		if ref == nil || ref.get("file") == nil || ref.get("sha256") != nil {
			continue
		}
		file := ref.get("file")
		path := file.text
		if !filepath.IsAbs(path) {
			path = filepath.Join(filepath.Dir(name), path)
		}
		if err := d.takeSensor(path, instrument, ref); err != nil {
			problems.add(Problem{File: file.at.file, Line: file.at.line, Path: fmt.Sprintf("detectors.%d.characterised.file", i),
				Problem: err.Error(), Remedy: "name the JSON file that 'evenlight characterise' wrote for this detector, relative to the profile"})
		}
	}
	return problems
}

// takeSensor writes the figures of a file into a detector's amplifiers, and the
// file's identity into the reference.
func (d *node) takeSensor(path, instrument string, ref *node) error {
	s, err := readSensor(path)
	if err != nil {
		return err
	}
	if name := d.get("name"); s.Instrument != instrument || name != nil && name.text != s.Detector {
		return fmt.Errorf("%s is of detector %q of %q", path, s.Detector, s.Instrument)
	}
	amplifiers := d.get("amplifiers")
	if amplifiers == nil {
		return nil // that it is missing is told elsewhere
	}
	for _, a := range amplifiers.items {
		name := a.get("name")
		if name == nil {
			continue
		}
		gain, noise := s.of(name.text)
		if !(gain.Value > 0) || !(noise.Value > 0) {
			return fmt.Errorf("%s does not measure gain and read noise of amplifier %q", path, name.text)
		}
		for _, f := range []struct {
			key   string
			value float64
		}{{"gain_e_per_dn", gain.Value}, {"gain_relative_uncertainty", gain.U / gain.Value}, {"read_noise_e", noise.Value}} {
			a.put(f.key, &node{at: ref.at, kind: scalarNode, tag: "!!float", text: strconv.FormatFloat(f.value, 'g', -1, 64)})
		}
	}
	ref.put("sha256", &node{at: ref.at, kind: scalarNode, tag: "!!str", text: s.SHA256})
	return nil
}

// of returns the gain and the read noise of an amplifier: where its bands are
// measured apart, their means weighted by 1/u^2. A mere bound is no value.
func (s *sensorFile) of(amplifier string) (gain, noise sensorFigure) {
	var gains, noises []sensorFigure
	for _, c := range s.Cells {
		if c.Amplifier == amplifier && c.Gain != nil && c.ReadNoise != nil && c.ReadNoise.Bound == "" {
			gains, noises = append(gains, *c.Gain), append(noises, *c.ReadNoise)
		}
	}
	return weightedMean(gains), weightedMean(noises)
}

func weightedMean(all []sensorFigure) sensorFigure {
	sum, weight := 0.0, 0.0
	for _, f := range all {
		if f.U > 0 {
			sum, weight = sum+f.Value/(f.U*f.U), weight+1/(f.U*f.U)
		}
	}
	if weight == 0 {
		return sensorFigure{}
	}
	return sensorFigure{Value: sum / weight, U: 1 / math.Sqrt(weight)}
}

// readSensor reads a file and checks that it is as it was written: its sha256
// is that of its text with this value empty.
func readSensor(path string) (*sensorFile, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, maxCharacterisedBytes+1))
	if err != nil {
		return nil, err
	}
	var s sensorFile
	if err := json.Unmarshal(text, &s); err != nil || s.What != "sensor characterisation" || len(text) > maxCharacterisedBytes {
		return nil, fmt.Errorf("%s is no characterisation of a sensor", path)
	}
	if s.Format != formatVersion {
		return nil, fmt.Errorf("%s has format %d, and this software reads format %d", path, s.Format, formatVersion)
	}
	at := strings.LastIndex(string(text), s.SHA256)
	if s.SHA256 == "" || at < 0 {
		return nil, fmt.Errorf("%s has no sha256", path)
	}
	sum := sha256.Sum256([]byte(string(text[:at]) + string(text[at+len(s.SHA256):])))
	if hex.EncodeToString(sum[:]) != s.SHA256 {
		return nil, fmt.Errorf("%s is not what was measured: its sha256 does not fit its content", path)
	}
	return &s, nil
}
