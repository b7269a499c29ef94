package pipeline

import (
	"fmt"
	"strings"

	"evenlight/calib"
	"evenlight/fitsutil"
)

// Roles of inputs besides the kinds of master.
const (
	roleRaw     = "raw"
	roleBefore  = RoleBefore
	roleProduct = "product" // a calibrated frame
	roleRepeat  = "repeat"  // another exposure of the scene, calibrated
)

// What files are, as their headers say.
const (
	whatFrame = "calibrated frame"
	whatCube  = "band cube"
)

// Input is one file that a master or a product was made from.
type Input struct {
	Role   string `json:"role"` // raw, frame before, product, repeat, bias, dark, flat, linearity, bad-pixels
	Name   string `json:"name"` // file name without folders
	SHA256 string `json:"sha256"`
}

// StageRecord is one stage as it acted, with its parameters.
type StageRecord struct {
	Name     string          `json:"name"`
	Settings []calib.Setting `json:"settings,omitempty"`
}

// Term is one systematic uncertainty, common to the frame.
type Term struct {
	Name     string  `json:"name"`
	Relative float64 `json:"relative"` // standard uncertainty, relative
}

// Provenance tells how a master or a product was made.
type Provenance struct {
	File        string        `json:"file"`
	Software    string        `json:"software"`
	Version     string        `json:"version"`
	What        string        `json:"what"` // calibrated frame, or kind of master
	Instrument  string        `json:"instrument"`
	Detector    string        `json:"detector"`
	Mode        string        `json:"mode,omitempty"`
	Band        string        `json:"band,omitempty"`
	Plane       int           `json:"plane,omitempty"` // of a cube, from 1
	ProfileHash string        `json:"profile_sha256"`
	Inputs      []Input       `json:"inputs"`
	Stages      []StageRecord `json:"stages"`
	Systematic  []Term        `json:"systematic,omitempty"`
}

// maxInputs is the largest number of inputs that the keywords can count.
const maxInputs = 9999

// writeTo adds the record to a header.
func (p *Provenance) writeTo(h *fitsutil.Header) error {
	if len(p.Inputs) > maxInputs {
		return fmt.Errorf("%d inputs are more than the %d that a header can list: split the set, for example by a smaller masters.split_gap_hours", len(p.Inputs), maxInputs)
	}
	w := cardWriter{h: h}
	w.comment("Provenance: how this file was made, from what, and with what.")
	w.set("SOFTWARE", p.Software, "software that made this file")
	w.set("SOFTVERS", p.Version, "its version")
	w.set("PROFHASH", p.ProfileHash, "SHA-256 of the profile in HDU PROFILE")
	w.set("NINPUTS", len(p.Inputs), "number of input files")
	for i, in := range p.Inputs {
		w.set(fmt.Sprintf("INRL%04d", i+1), in.Role, "role of the input")
		w.set(fmt.Sprintf("INNM%04d", i+1), headerName(in.Name), "")
		w.set(fmt.Sprintf("INSH%04d", i+1), in.SHA256, "")
	}
	w.set("NSTAGES", len(p.Stages), "number of stages, in the order of acting")
	for i, s := range p.Stages {
		w.set(fmt.Sprintf("STAGE%02d", i+1), s.text(), "")
	}
	if len(p.Systematic) > 0 {
		w.comment("Systematic standard uncertainties, relative; common to the frame and")
		w.comment("not part of the UNCERTAINTY plane.")
	}
	for i, t := range p.Systematic {
		w.set(fmt.Sprintf("SYSN%02d", i+1), t.Name, "source of a systematic uncertainty")
		w.set(fmt.Sprintf("SYSU%02d", i+1), t.Relative, "its relative standard uncertainty")
	}
	return w.err
}

// text writes a stage as "name; key=value; ...".
func (s StageRecord) text() string {
	parts := []string{s.Name}
	for _, v := range s.Settings {
		parts = append(parts, v.Name+"="+v.Value)
	}
	return strings.Join(parts, "; ")
}

func parseStage(text string) StageRecord {
	parts := strings.Split(text, "; ")
	s := StageRecord{Name: parts[0]}
	for _, p := range parts[1:] {
		name, value, _ := strings.Cut(p, "=")
		s.Settings = append(s.Settings, calib.Setting{Name: name, Value: value})
	}
	return s
}

// records lists stages or passes with their settings.
func records[S interface {
	Name() string
	Settings() []calib.Setting
}](stages []S) []StageRecord {
	out := make([]StageRecord, len(stages))
	for i, s := range stages {
		out[i] = StageRecord{s.Name(), s.Settings()}
	}
	return out
}

// ReadProvenance reads the record of a master or product.
func ReadProvenance(path string) (*Provenance, error) {
	f, err := fitsutil.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return provenanceOf(path, f.HDUs()[0].Header)
}

func provenanceOf(path string, h *fitsutil.Header) (*Provenance, error) {
	r := cardReader{h: h, path: path}
	p := &Provenance{
		File: path, Software: r.text("SOFTWARE"), Version: r.text("SOFTVERS"),
		What: r.text("PRODUCT"), Instrument: r.text("INSTRUME"), Detector: r.text("DETECTOR"),
		Mode: r.optional("READMODE"), Band: r.optional("BAND"), Plane: r.optionalInt("PLANE"),
		ProfileHash: r.text("PROFHASH"),
	}
	for i := range r.count("NINPUTS", maxInputs) {
		p.Inputs = append(p.Inputs, Input{
			r.text(fmt.Sprintf("INRL%04d", i+1)), nameInHeader(r.text(fmt.Sprintf("INNM%04d", i+1))), r.text(fmt.Sprintf("INSH%04d", i+1)),
		})
	}
	for i := range r.count("NSTAGES", 99) {
		p.Stages = append(p.Stages, parseStage(r.text(fmt.Sprintf("STAGE%02d", i+1))))
	}
	for i := 1; i < 100; i++ {
		name := r.optional(fmt.Sprintf("SYSN%02d", i))
		if name == "" {
			break
		}
		p.Systematic = append(p.Systematic, Term{name, r.number(fmt.Sprintf("SYSU%02d", i))})
	}
	if r.err != nil {
		return nil, fmt.Errorf("%w: is this a file that %s wrote?", r.err, Software)
	}
	return p, nil
}

// Text writes the record for people.
func (p *Provenance) Text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n", p.File)
	line := func(name, value string) {
		if value != "" {
			fmt.Fprintf(&b, "  %-11s %s\n", name, value)
		}
	}
	line("what", p.What)
	line("instrument", strings.Join(nonEmpty(p.Instrument, p.Detector, p.Mode, p.Band), ", "))
	if p.Plane > 0 {
		line("plane", fmt.Sprint(p.Plane))
	}
	line("made by", p.Software+" "+p.Version)
	line("profile", "sha256 "+p.ProfileHash)
	fmt.Fprintf(&b, "  inputs\n")
	for _, in := range p.Inputs {
		fmt.Fprintf(&b, "    %-11s %s\n    %-11s sha256 %s\n", in.Role, headerName(in.Name), "", in.SHA256)
	}
	fmt.Fprintf(&b, "  stages, in the order of acting\n")
	for i, s := range p.Stages {
		fmt.Fprintf(&b, "    %2d %s\n", i+1, s.Name)
		for _, v := range s.Settings {
			fmt.Fprintf(&b, "       %-22s %s\n", v.Name, v.Value)
		}
	}
	if len(p.Systematic) > 0 {
		fmt.Fprintf(&b, "  systematic standard uncertainties, relative\n")
		for _, t := range p.Systematic {
			fmt.Fprintf(&b, "    %-20s %.2g\n", t.Name, t.Relative)
		}
	}
	return b.String()
}

func nonEmpty(words ...string) []string {
	var out []string
	for _, w := range words {
		if w != "" {
			out = append(out, w)
		}
	}
	return out
}

// cardWriter sets cards and keeps the first error.
type cardWriter struct {
	h   *fitsutil.Header
	err error
}

func (w *cardWriter) set(key string, value any, comment string) {
	if w.err == nil {
		w.err = w.h.Set(key, value, comment)
	}
}

func (w *cardWriter) comment(text string) { w.h.AddComment(text) }

// cardReader reads cards that must be there and keeps the first error.
type cardReader struct {
	h    *fitsutil.Header
	path string
	err  error
}

func (r *cardReader) fail(key string, err error) {
	if r.err == nil {
		if err == nil {
			err = fmt.Errorf("keyword %s is missing", key)
		}
		r.err = fmt.Errorf("%s: %w", r.path, err)
	}
}

func (r *cardReader) text(key string) string {
	s, ok, err := r.h.Text(key)
	if err != nil || !ok {
		r.fail(key, err)
	}
	return s
}

func (r *cardReader) optional(key string) string {
	s, _, err := r.h.Text(key)
	if err != nil {
		r.fail(key, err)
	}
	return s
}

func (r *cardReader) number(key string) float64 {
	v, ok, err := r.h.Float(key)
	if err != nil || !ok {
		r.fail(key, err)
	}
	return v
}

func (r *cardReader) optionalInt(key string) int {
	v, _, err := r.h.Int(key)
	if err != nil {
		r.fail(key, err)
	}
	return int(v)
}

// count reads a number of things from 0 to most.
func (r *cardReader) count(key string, most int) int {
	v, ok, err := r.h.Int(key)
	if err != nil || !ok {
		r.fail(key, err)
		return 0
	}
	if v < 0 || v > int64(most) {
		r.fail(key, fmt.Errorf("keyword %s is %d, outside 0 to %d", key, v, most))
		return 0
	}
	return int(v)
}
