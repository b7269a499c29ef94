package pipeline

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode"

	"go.uber.org/zap"

	"evenlight/fitsutil"
)

// DecisionsFile is the name of the file, in the folder of a library, in which
// decisions about its masters are recorded, one JSON object a line. Lines are
// only ever added.
const DecisionsFile = "decisions.jsonl"

// What a decision is.
const (
	DecisionAccept   = "accept"   // a content may serve, from now on or again
	DecisionWithdraw = "withdraw" // a content may no longer serve
	DecisionNote     = "note"     // something worth knowing; changes no choice
	DecisionRequire  = "require"  // whether contents that nobody accepted may serve
)

// Decision is one line of the record. About a content the last acceptance or
// withdrawal, by its time, is in force; what an acceptance says of validity and
// supersession goes with it.
type Decision struct {
	What string    `json:"decision"`
	At   time.Time `json:"at"`
	By   string    `json:"by"`
	Why  string    `json:"why"`

	// SHA256 is the content that the decision is about, so that a file that is
	// renamed keeps its decisions; Name is what the file was called then, for
	// people. Both are empty where the whole library is meant.
	SHA256 string `json:"sha256,omitempty"`
	Name   string `json:"name,omitempty"`

	// From and To, of an acceptance, bound the frames that the content may
	// serve: those taken at From or later and before To. Zero: open.
	From time.Time `json:"from,omitzero"`
	To   time.Time `json:"to,omitzero"`
	// Supersedes, of an acceptance, lists contents that no longer serve the
	// frames between From and To.
	Supersedes []string `json:"supersedes,omitempty"`
	// Joined is when the content came into the library, where its own header
	// does not tell: the answer to which masters were there on a date.
	Joined time.Time `json:"joined,omitzero"`
	// On, of a requirement, is whether it holds from now on.
	On *bool `json:"on,omitempty"`
}

// signature tells who decided, when and why.
func (d *Decision) signature() string {
	return fmt.Sprintf("by %s on %s: %s", d.By, d.At.UTC().Format(time.DateTime), d.Why)
}

// check refuses a decision that says too little, or what it cannot say.
func (d *Decision) check() error {
	if d.At.IsZero() {
		return errors.New("it has no time: give at")
	}
	for _, word := range []struct{ name, text string }{{"by", d.By}, {"why", d.Why}} {
		if strings.TrimSpace(word.text) == "" {
			return fmt.Errorf("it does not say %s: a decision needs who made it and why", word.name)
		}
		if strings.ContainsFunc(word.text, unicode.IsControl) {
			return fmt.Errorf("%s holds control characters: write one line of text", word.name)
		}
	}
	for _, sha := range append([]string{d.SHA256}, d.Supersedes...) {
		if sha != "" && !isSHA256(sha) {
			return fmt.Errorf("%q is no SHA-256 of 64 hexadecimal digits in small letters", sha)
		}
	}
	return d.checkKind()
}

func (d *Decision) checkKind() error {
	ofLibrary := d.What == DecisionRequire
	switch {
	case !slices.Contains([]string{DecisionAccept, DecisionWithdraw, DecisionNote, DecisionRequire}, d.What):
		return fmt.Errorf("decision %q is none of accept, withdraw, note, require", d.What)
	case ofLibrary != (d.SHA256 == ""):
		return fmt.Errorf("decision %q: require is about the library, all others are about the content of sha256", d.What)
	case ofLibrary != (d.On != nil):
		return fmt.Errorf("decision %q: require, and nothing else, has on, true or false", d.What)
	case d.What != DecisionAccept && (!d.From.IsZero() || !d.To.IsZero() || len(d.Supersedes) > 0):
		return fmt.Errorf("decision %q has from, to or supersedes: only an acceptance can", d.What)
	case !d.From.IsZero() && !d.To.IsZero() && !d.From.Before(d.To):
		return fmt.Errorf("from %s is not before to %s", d.From.Format(time.RFC3339), d.To.Format(time.RFC3339))
	case slices.Contains(d.Supersedes, d.SHA256):
		return errors.New("a content cannot supersede itself")
	}
	return nil
}

// covers tells whether a frame of some time is within an acceptance's validity.
func (d *Decision) covers(t time.Time) bool {
	return !t.Before(d.From) && (d.To.IsZero() || t.Before(d.To))
}

// isSHA256 tells whether a word is the hexadecimal form of a SHA-256 as the
// project writes it.
func isSHA256(s string) bool {
	return len(s) == 64 && strings.Trim(s, "0123456789abcdef") == ""
}

// Decisions are the decisions about a library.
type Decisions struct {
	// All is sorted by time; those of one time are in the order in which they
	// were recorded.
	All []Decision
	// Torn lists the lines that a process that was killed, or a full disk, cut
	// off. Whoever decided was told that it failed.
	Torn []int

	require *Decision // the last one; nil: none
	of      map[string]*standing
}

// standing is where a content stands.
type standing struct {
	inForce      *Decision   // acceptance or withdrawal; nil: none
	supersededBy []*Decision // acceptances in force
	joined       time.Time   // zero: nobody said
}

// newDecisions sorts decisions, which are in the order of the record, and works
// out what is in force.
func newDecisions(all []Decision) *Decisions {
	d := &Decisions{All: all, of: map[string]*standing{}}
	slices.SortStableFunc(all, func(a, b Decision) int { return a.At.Compare(b.At) })
	for i := range all {
		one := &all[i]
		if one.What == DecisionRequire {
			d.require = one
			continue
		}
		s := d.standing(one.SHA256)
		if one.What != DecisionNote {
			s.inForce = one
		}
		if !one.Joined.IsZero() {
			s.joined = one.Joined
		}
	}
	for i := range all {
		if one := &all[i]; d.isInForce(one) {
			for _, sha := range one.Supersedes {
				s := d.standing(sha)
				s.supersededBy = append(s.supersededBy, one)
			}
		}
	}
	return d
}

func (d *Decisions) isInForce(one *Decision) bool {
	return one.What == DecisionAccept && d.of[one.SHA256].inForce == one
}

// standing returns where a content stands, to be filled in.
func (d *Decisions) standing(sha string) *standing {
	s := d.of[sha]
	if s == nil {
		s = &standing{}
		d.of[sha] = s
	}
	return s
}

// ReportTorn logs the lines that were cut off.
func (d *Decisions) ReportTorn(log *zap.Logger, folder string) {
	for _, line := range d.Torn {
		log.Warn(EventDecisionTorn, zap.String("path", filepath.Join(folder, DecisionsFile)), zap.Int("line", line))
	}
}

// Empty tells whether nothing was decided, so that no content need be known.
func (d *Decisions) Empty() bool { return d == nil || len(d.All) == 0 }

// Required returns the decision by which only contents that were accepted may
// serve; nil: all may.
func (d *Decisions) Required() *Decision {
	if d == nil || d.require == nil || !*d.require.On {
		return nil
	}
	return d.require
}

// About returns the decisions about a content in the order of time.
func (d *Decisions) About(sha string) []Decision {
	out := []Decision{}
	if d != nil {
		for _, one := range d.All {
			if one.SHA256 == sha {
				out = append(out, one)
			}
		}
	}
	return out
}

// States of a content.
const (
	StateAccepted  = "accepted"
	StateWithdrawn = "withdrawn"
	StateUndecided = "undecided"
)

// State tells where a content stands, and by which decision; nil: none.
func (d *Decisions) State(sha string) (string, *Decision) {
	var s *standing
	if d != nil {
		s = d.of[sha]
	}
	switch {
	case s == nil || s.inForce == nil:
		return StateUndecided, nil
	case s.inForce.What == DecisionWithdraw:
		return StateWithdrawn, s.inForce
	}
	return StateAccepted, s.inForce
}

// SupersededBy returns the acceptances in force by which a content no longer
// serves the frames that they cover.
func (d *Decisions) SupersededBy(sha string) []*Decision {
	if d == nil || d.of[sha] == nil {
		return nil
	}
	return d.of[sha].supersededBy
}

// Joined is when a content is said to have come into the library; zero: nobody
// said.
func (d *Decisions) Joined(sha string) time.Time {
	if d == nil || d.of[sha] == nil {
		return time.Time{}
	}
	return d.of[sha].joined
}

// AsOf leaves out the decisions that were made after a date. When a content
// joined the library is known from all of them: that is no decision, but a fact
// that somebody stated later.
func (d *Decisions) AsOf(date time.Time) *Decisions {
	if d == nil {
		return nil
	}
	var until []Decision
	for _, one := range d.All {
		if !one.At.After(date) {
			until = append(until, one)
		}
	}
	then := newDecisions(until)
	for sha, s := range d.of {
		then.standing(sha).joined = s.joined
	}
	return then
}

// refusal says why a content may not serve; its zero value: it may.
type refusal struct {
	why refusalKind
	by  *Decision
}

type refusalKind int

const (
	isAllowed    refusalKind = iota
	isWithdrawn              // by the withdrawal
	isUnaccepted             // by the requirement
	isOutside                // of the validity of its acceptance
	isSuperseded             // by the acceptance of another
)

// bars tells what keeps a content from serving any frame.
func (d *Decisions) bars(sha string) refusal {
	state, by := d.State(sha)
	switch require := d.Required(); {
	case state == StateWithdrawn:
		return refusal{isWithdrawn, by}
	case state == StateUndecided && require != nil:
		return refusal{isUnaccepted, require}
	}
	return refusal{}
}

// refuses tells what keeps a content from serving a frame of some time.
func (d *Decisions) refuses(sha string, t time.Time) refusal {
	if r := d.bars(sha); r.why != isAllowed {
		return r
	}
	if _, by := d.State(sha); by != nil && !by.covers(t) {
		return refusal{isOutside, by}
	}
	over := d.SupersededBy(sha)
	for i := len(over) - 1; i >= 0; i-- { // the last one is the best to tell
		if over[i].covers(t) {
			return refusal{isSuperseded, over[i]}
		}
	}
	return refusal{}
}

// text completes "this master ...".
func (r refusal) text() string {
	switch r.why {
	case isWithdrawn:
		return "was withdrawn " + r.by.signature()
	case isUnaccepted:
		return "was not accepted, which this library requires " + r.by.signature()
	case isOutside:
		return fmt.Sprintf("was accepted for frames %s only, %s", r.by.span(), r.by.signature())
	case isSuperseded:
		return fmt.Sprintf("is superseded by %s for frames %s, %s", r.by.content(), r.by.span(), r.by.signature())
	}
	return "may serve"
}

// remedy says what can be done about a refusal.
func (r refusal) remedy() string {
	if r.why == isOutside || r.why == isSuperseded {
		return "build a master for this time, or change the validity with 'evenlight library accept'"
	}
	return "accept it with 'evenlight library accept', or build another one"
}

// content names what a decision is about.
func (d *Decision) content() string {
	if d.Name == "" {
		return "sha256 " + d.SHA256[:12]
	}
	return fmt.Sprintf("%s (sha256 %s)", d.Name, d.SHA256[:12])
}

// span tells the validity of an acceptance.
func (d *Decision) span() string {
	words := nonEmpty(prefixed("from ", optionalTime(d.From)), prefixed("to before ", optionalTime(d.To)))
	if len(words) == 0 {
		return "of any time"
	}
	return strings.Join(words, " ")
}

func optionalTime(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.DateTime)
}

// ReadDecisions reads the record of a library. A line that was cut off is passed
// over and listed; any other line that cannot be read is an error, since a
// withdrawal could be in it.
func ReadDecisions(folder string) (*Decisions, error) {
	path := filepath.Join(folder, DecisionsFile)
	info, err := os.Lstat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return newDecisions(nil), nil
	}
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is no regular file: put the record of decisions in its place", path)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	return parseDecisions(path, text)
}

func parseDecisions(path string, text []byte) (*Decisions, error) {
	var all []Decision
	var torn []int
	number := 0
	for line := range bytes.Lines(text) {
		number++
		line = bytes.Trim(line, "\x00\r\n\t ") // zeros are what a lost write can leave
		if len(line) == 0 {
			continue
		}
		d, err := parseDecision(line)
		if errors.Is(err, io.ErrUnexpectedEOF) {
			torn = append(torn, number)
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("%s:%d: %w: correct the line, or take it away if nobody made this decision", path, number, err)
		}
		all = append(all, d)
	}
	d := newDecisions(all)
	d.Torn = torn
	return d, nil
}

func parseDecision(line []byte) (Decision, error) {
	var d Decision
	from := json.NewDecoder(bytes.NewReader(line))
	from.DisallowUnknownFields()
	if err := from.Decode(&d); err != nil {
		return d, err
	}
	if _, err := from.Token(); err != io.EOF {
		return d, errors.New("more than one JSON object, or other text, stands on a line")
	}
	return d, d.check()
}

// Record adds decisions to the record of a library, all of them in the order
// given. A decision that cannot stand, such as an acceptance by which two
// contents supersede each other, leaves the record as it is.
func Record(folder string, decisions ...Decision) error {
	path := filepath.Join(folder, DecisionsFile)
	if info, err := os.Lstat(path); err == nil && !info.Mode().IsRegular() {
		return fmt.Errorf("%s is no regular file: put the record of decisions in its place", path)
	}
	refused := error(nil)
	err := fitsutil.AppendAfter(path, func(held io.Reader) ([]byte, error) {
		var lines []byte
		lines, refused = linesOf(path, held, decisions)
		return lines, refused
	})
	if err != nil && refused == nil {
		return &WriteError{path, err}
	}
	return refused
}

// linesOf makes the lines of decisions that follow those that are held.
func linesOf(path string, held io.Reader, decisions []Decision) ([]byte, error) {
	text, err := io.ReadAll(held)
	if err != nil {
		return nil, err
	}
	before, err := parseDecisions(path, text)
	if err != nil {
		return nil, err
	}
	var lines bytes.Buffer
	to := json.NewEncoder(&lines)
	to.SetEscapeHTML(false)
	for i := range decisions {
		if err := decisions[i].check(); err != nil {
			return nil, fmt.Errorf("the decision cannot be recorded: %w", err)
		}
		if err := to.Encode(&decisions[i]); err != nil {
			return nil, err
		}
	}
	after := newDecisions(append(before.All, decisions...))
	for i := range decisions {
		if other := after.circle(decisions[i].SHA256); other != nil {
			return nil, fmt.Errorf("the decision cannot be recorded: %s supersedes what supersedes it, %s: accept that one again without it first, or withdraw it",
				other.content(), other.signature())
		}
	}
	return lines.Bytes(), nil
}

// circle returns the acceptance by which a content that it supersedes, however
// many others lie between, supersedes it; nil: there is none.
func (d *Decisions) circle(start string) *Decision {
	seen := map[string]bool{}
	next := []string{start}
	for len(next) > 0 {
		sha := next[0]
		next = next[1:]
		state, by := d.State(sha)
		if state != StateAccepted || seen[sha] {
			continue
		}
		seen[sha] = true
		if slices.Contains(by.Supersedes, start) {
			return by
		}
		next = append(next, by.Supersedes...)
	}
	return nil
}
