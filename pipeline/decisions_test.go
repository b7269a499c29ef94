package pipeline

import (
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"evenlight/configs"
)

// sha is the content of a made-up master.
func sha(name string) string { return strings.Repeat(fmt.Sprintf("%02x", name[0]), 32) }

// decided makes a decision on a day about a content.
func decided(what, name string, on float64) Decision {
	d := Decision{What: what, At: day(on), By: "A. Rook", Why: "a test of " + name}
	if what != DecisionRequire {
		d.SHA256, d.Name = sha(name), name
	}
	return d
}

func accepted(name string, on float64) Decision  { return decided(DecisionAccept, name, on) }
func withdrawn(name string, on float64) Decision { return decided(DecisionWithdraw, name, on) }

func required(on bool, at float64) Decision {
	d := decided(DecisionRequire, "all", at)
	d.On = &on
	return d
}

// but returns a changed copy of a decision.
func (d Decision) but(change func(*Decision)) Decision {
	change(&d)
	return d
}

func (d Decision) valid(from, to float64) Decision {
	return d.but(func(d *Decision) {
		if from != 0 {
			d.From = day(from)
		}
		if to != 0 {
			d.To = day(to)
		}
	})
}

func (d Decision) over(names ...string) Decision {
	return d.but(func(d *Decision) {
		for _, n := range names {
			d.Supersedes = append(d.Supersedes, sha(n))
		}
	})
}

// shelfOf is a library of made-up masters, whose names are their contents.
func shelfOf(masters []*Master, decisions ...Decision) *Library {
	l := &Library{Dir: "masters", Decisions: newDecisions(slices.Clone(decisions))}
	for _, m := range masters {
		l.Take(m, sha(m.Name()))
	}
	return l
}

// Three darks, made two days apart. Without decisions a serves until the middle
// between a and b, and so on.
var threeDarks = []*Master{dark("a", 8, 8, 260, 260, 10), dark("b", 10, 10, 260, 260, 10), dark("c", 12, 12, 260, 260, 10)}

func darkNeed(on float64) Need {
	return Need{Kind: MasterDark, Instrument: "quillon", Detector: "main", Mode: "normal", Time: day(on), TempK: 260}
}

func TestTheChoiceHeedsDecisions(t *testing.T) {
	for _, c := range []struct {
		name      string
		decisions []Decision
		want      string // for frames of the days 8, 9.5, 10, 10.5, 12; - : none
	}{
		{"none", nil, "a b b b c"},
		{"a note changes nothing", []Decision{decided(DecisionNote, "b", 1)}, "a b b b c"},
		{"an acceptance alone changes nothing", []Decision{accepted("b", 1)}, "a b b b c"},
		{"a master that was withdrawn serves no frame", []Decision{withdrawn("b", 1)}, "a a a c c"},
		{"the last decision holds", []Decision{withdrawn("b", 1), accepted("b", 2)}, "a b b b c"},
		{"and the last again", []Decision{accepted("b", 1), withdrawn("b", 2), decided(DecisionNote, "b", 3)}, "a a a c c"},
		{"last by its time, not by its place", []Decision{accepted("b", 2), withdrawn("b", 1)}, "a b b b c"},
		{"from is included", []Decision{accepted("b", 1).valid(10, 0)}, "a a b b c"},
		{"to is not", []Decision{accepted("b", 1).valid(0, 10)}, "a b a c c"},
		{"from and to", []Decision{accepted("b", 1).valid(9, 10.2)}, "a b b c c"},
		{"a later acceptance gives another validity", []Decision{accepted("b", 1).valid(10, 0), accepted("b", 2).valid(0, 10)}, "a b a c c"},
		{"superseded for the frames of the other's validity", []Decision{accepted("c", 1).valid(10, 0).over("b")}, "a b a c c"},
		{"superseded for all frames", []Decision{accepted("c", 1).over("a", "b")}, "c c c c c"},
		{"in a chain the last one serves", []Decision{accepted("b", 1).over("a"), accepted("c", 2).over("b")}, "c c c c c"},
		{"a successor that was withdrawn supersedes nothing", []Decision{accepted("c", 1).over("a", "b"), withdrawn("c", 2)}, "a b b b b"},
		{"nor does one whose acceptance was replaced", []Decision{accepted("c", 1).over("a", "b"), accepted("c", 2).over("a")}, "b b b b c"},
		{"a successor need not be there", []Decision{accepted("x", 1).valid(9, 11).over("b")}, "a a a c c"},
		{"required: only accepted ones", []Decision{required(true, 1), accepted("a", 2)}, "a a a a a"},
		{"required: none was accepted", []Decision{required(true, 1)}, "- - - - -"},
		{"no longer required", []Decision{required(true, 1), required(false, 2)}, "a b b b c"},
		{"all withdrawn", []Decision{withdrawn("a", 1), withdrawn("b", 1), withdrawn("c", 1)}, "- - - - -"},
	} {
		t.Run(c.name, func(t *testing.T) {
			turned := slices.Clone(threeDarks)
			slices.Reverse(turned)
			otherWay := slices.Clone(c.decisions) // their times are all different, but for the last case, where it does not matter
			slices.Reverse(otherWay)
			for order, l := range map[string]*Library{"as listed": shelfOf(threeDarks, c.decisions...), "masters turned round": shelfOf(turned, c.decisions...),
				"decisions turned round": shelfOf(threeDarks, otherWay...)} {
				var got []string
				for _, on := range []float64{8, 9.5, 10, 10.5, 12} {
					got = append(got, serving(t, l, darkNeed(on)))
				}
				if strings.Join(got, " ") != c.want {
					t.Errorf("%s: %v, want %s", order, got, c.want)
				}
			}
		})
	}
}

// serving names the master that serves, and makes sure that the one who foretells
// says the same.
func serving(t *testing.T, l *Library, n Need) string {
	t.Helper()
	lim := configs.Limits{MaxAgeDays: 30, MaxTempDiffK: 50}
	m, err := l.Select(n, lim)
	chooser := &Chooser{lib: l, like: map[Need][]*Master{}}
	alike, errAlike := chooser.alike(&n)
	foretold, errForetold := l.choose(&n, alike, lim)
	if errAlike != nil || foretold != m || fmt.Sprint(err) != fmt.Sprint(errForetold) {
		t.Errorf("chosen is %v (%v), foretold %v (%v, %v)", m, err, foretold, errForetold, errAlike)
	}
	var missing *MissingMasterError
	switch {
	case errors.As(err, &missing):
		return "-"
	case err != nil:
		t.Fatal(err)
	}
	return m.Name()
}

// mayServe is the rule of decisions anew, straight from its words, to judge the
// choice by: all decisions are looked at for each master and frame.
func mayServe(all []Decision, content string, frame time.Time) bool {
	last := func(about string) *Decision {
		var found *Decision
		for i := range all {
			d := &all[i]
			if d.SHA256 == about && (d.What == DecisionAccept || d.What == DecisionWithdraw) && (found == nil || !d.At.Before(found.At)) {
				found = d
			}
		}
		return found
	}
	within := func(d *Decision) bool {
		return (d.From.IsZero() || !frame.Before(d.From)) && (d.To.IsZero() || frame.Before(d.To))
	}
	must := false
	var ruled time.Time
	for _, d := range all {
		if d.What == DecisionRequire && !d.At.Before(ruled) {
			must, ruled = *d.On, d.At
		}
	}
	own := last(content)
	if own == nil && must || own != nil && (own.What == DecisionWithdraw || !within(own)) {
		return false
	}
	for i := range all {
		d := &all[i]
		if slices.Contains(d.Supersedes, content) && last(d.SHA256) == d && within(d) {
			return false
		}
	}
	return true
}

func TestTheChoiceIsThatAmongTheMastersThatMayServe(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 2))
	names := "abcdefghij"
	refused := 0
	for range 400 {
		var masters []*Master
		for _, n := range names {
			from := float64(rng.IntN(20))
			masters = append(masters, dark(string(n), from, from+float64(rng.IntN(3)), 250, 270, 10))
		}
		var decisions []Decision
		for range rng.IntN(14) {
			about, other := names[rng.IntN(len(names)):][:1], names[rng.IntN(len(names)):][:1]
			on := float64(rng.IntN(10))
			d := []Decision{accepted(about, on), withdrawn(about, on), required(rng.IntN(3) == 0, on), accepted(about, on).over(other)}[rng.IntN(4)]
			if d.What == DecisionAccept && rng.IntN(2) == 0 {
				from := 1 + float64(rng.IntN(20))
				d = d.valid(from, from+1+float64(rng.IntN(10)))
			}
			decisions = append(decisions, d)
		}
		l := shelfOf(masters, decisions...)
		for range 5 {
			n := darkNeed(float64(rng.IntN(25)))
			allowed := &Library{Dir: "masters"}
			for _, m := range masters {
				if mayServe(decisions, sha(m.Name()), n.Time) {
					allowed.Take(m, sha(m.Name()))
				}
			}
			want := serving(t, allowed, n)
			if got := serving(t, l, n); got != want {
				t.Fatalf("%s serves, want %s; decisions %v", got, want, decisions)
			}
			if len(allowed.Masters) < len(masters) {
				refused++
			}
		}
	}
	if refused < 1000 {
		t.Errorf("decisions kept a master from only %d of 2000 frames: hardly anything is tested", refused)
	}
}

func TestTheErrorSaysWhichDecisionWasTheReason(t *testing.T) {
	one := threeDarks[1:2]
	for _, c := range []struct {
		decisions []Decision
		want      []string
	}{
		{[]Decision{withdrawn("b", 2)}, []string{"no dark master", "detector main", "the nearest, b, was withdrawn by A. Rook on 2031-03-02 12:00:00: a test of b", "evenlight library accept"}},
		{[]Decision{accepted("b", 2).valid(11, 20)}, []string{"b, was accepted for frames from 2031-03-11 12:00:00 to before 2031-03-20 12:00:00 only", "by A. Rook"}},
		{[]Decision{accepted("c", 3).over("b")}, []string{"b, is superseded by c (sha256 636363636363)", "of any time", "A. Rook on 2031-03-03"}},
		{[]Decision{required(true, 4)}, []string{"b, was not accepted, which this library requires by A. Rook on 2031-03-04 12:00:00: a test of all"}},
	} {
		_, err := shelfOf(one, c.decisions...).Select(darkNeed(10), configs.Limits{MaxAgeDays: 30})
		if err == nil {
			t.Fatalf("%v: no error", c.decisions)
		}
		for _, w := range c.want {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%q does not say %q", err, w)
			}
		}
	}
	// One that is too far away was not refused by anybody.
	_, err := shelfOf(one, withdrawn("b", 2)).Select(darkNeed(30), configs.Limits{MaxAgeDays: 7})
	if err == nil || !strings.Contains(err.Error(), "20.0 days") || strings.Contains(err.Error(), "withdrawn") {
		t.Errorf("%v; want the distance as the reason", err)
	}
}

func TestALibraryAsOfADate(t *testing.T) {
	decisions := []Decision{withdrawn("b", 14), accepted("b", 18), required(true, 16),
		decided(DecisionNote, "c", 20).but(func(d *Decision) { d.Joined = day(17) })}
	for _, c := range []struct {
		on   float64
		want string // for frames of the days 8, 10, 12
	}{
		{7, "- - -"},   // none was made yet
		{8, "a a a"},   // the last exposure of a
		{10, "a b b"},  // b is there; c joined later than its exposures tell
		{13, "a b b"},  // nothing was decided yet
		{15, "a a a"},  // b was withdrawn
		{17, "- - -"},  // accepted ones are required; c is there now
		{19, "b b b"},  // b was accepted again
		{100, "b b b"}, // as now
	} {
		then, err := shelfOf(threeDarks, decisions...).AsOf(day(c.on))
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, on := range []float64{8, 10, 12} {
			got = append(got, serving(t, then, darkNeed(on)))
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("as of day %g: %v, want %s", c.on, got, c.want)
		}
	}
}

func TestMastersMadeJustNowServeThoseMadeWithThem(t *testing.T) {
	l := shelfOf(threeDarks[:1], required(true, 1))
	if got := serving(t, l, darkNeed(8)); got != "-" {
		t.Errorf("%s serves, and was not accepted", got)
	}
	l.add(threeDarks[1])
	l.contents.put(threeDarks[1], sha("b"))
	if got := serving(t, l, darkNeed(8)); got != "b" {
		t.Errorf("%s serves, want what was made just now", got)
	}
	l.Decisions = newDecisions([]Decision{withdrawn("b", 2)})
	if got := serving(t, l, darkNeed(10)); got != "a" {
		t.Errorf("%s serves, and its content was withdrawn", got)
	}
}

func TestTheRecordIsReadBack(t *testing.T) {
	dir := t.TempDir()
	want := []Decision{accepted("a", 1).valid(2, 3).over("b"), required(true, 2), withdrawn("a", 3).but(func(d *Decision) { d.Why = `"1 < 2 & ü"` })}
	for _, d := range want {
		if err := Record(dir, d); err != nil {
			t.Fatal(err)
		}
	}
	got, err := ReadDecisions(dir)
	if err != nil {
		t.Fatal(err)
	}
	a, b := asJSON(t, got.All), asJSON(t, want)
	if a != b || len(got.Torn) > 0 {
		t.Errorf("read back are\n%s torn %v, recorded were\n%s", a, got.Torn, b)
	}
}

func asJSON(t *testing.T, v any) string {
	t.Helper()
	text, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// A line may be cut off anywhere, as by a process that was killed. All that was
// recorded before and after it stays.
func TestALineThatWasCutOffIsPassedOver(t *testing.T) {
	line := asJSON(t, withdrawn("b", 5))
	for cut := 1; cut < len(line); cut += 7 {
		for _, zeros := range []string{"", "\x00\x00\x00"} {
			dir := t.TempDir()
			path := filepath.Join(dir, DecisionsFile)
			if err := Record(dir, withdrawn("a", 1)); err != nil {
				t.Fatal(err)
			}
			text, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, append(text, line[:cut]+zeros...), 0o600); err != nil {
				t.Fatal(err)
			}
			mustRead(t, dir, 1, 2)
			if err := Record(dir, withdrawn("c", 6)); err != nil {
				t.Fatal(err)
			}
			d := mustRead(t, dir, 2, 2)
			if state, _ := d.State(sha("b")); state != StateUndecided {
				t.Errorf("cut after %d bytes: b is %s", cut, state)
			}
		}
	}
}

// mustRead reads a record of n decisions and one line that was cut off.
func mustRead(t *testing.T, dir string, n, torn int) *Decisions {
	t.Helper()
	d, err := ReadDecisions(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(d.All) != n || !slices.Equal(d.Torn, []int{torn}) {
		t.Fatalf("%d decisions, torn lines %v; want %d, and line %d", len(d.All), d.Torn, n, torn)
	}
	return d
}

func TestWhatCannotBeReadIsNamedByItsLine(t *testing.T) {
	good := asJSON(t, accepted("a", 1))
	for name, c := range map[string]struct{ line, want string }{
		"no JSON":              {"withdraw a", "invalid character"},
		"an unknown key":       {strings.Replace(good, `"by"`, `"whom"`, 1), `unknown field "whom"`},
		"two on a line":        {good + good, "more than one"},
		"a brace too many":     {good + "}", "other text"},
		"a list closed there":  {good + "] and more", "other text"},
		"an unknown decision":  {strings.Replace(good, "accept", "praise", 1), `"praise"`},
		"no reason":            {strings.Replace(good, "a test of a", " ", 1), "why"},
		"nobody":               {strings.Replace(good, "A. Rook", "", 1), "by"},
		"a line break in it":   {strings.Replace(good, "A. Rook", `A.\nRook`, 1), "control characters"},
		"no time":              {strings.Replace(good, "2031-03-01T12:00:00Z", "0001-01-01T00:00:00Z", 1), "no time"},
		"a content cut short":  {strings.Replace(good, sha("a"), "6161", 1), "64 hexadecimal digits"},
		"an empty validity":    {asJSON(t, accepted("a", 1).valid(5, 5)), "is not before"},
		"superseding itself":   {asJSON(t, accepted("a", 1).over("a")), "supersede itself"},
		"a withdrawal until":   {asJSON(t, withdrawn("a", 1).valid(0, 5)), "only an acceptance"},
		"a note that requires": {asJSON(t, required(true, 1).but(func(d *Decision) { d.What = DecisionNote; d.SHA256 = sha("a") })), "nothing else, has on"},
		"a requirement of one": {asJSON(t, required(true, 1).but(func(d *Decision) { d.SHA256 = sha("a") })), "about the library"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			path := filepath.Join(dir, DecisionsFile)
			if err := os.WriteFile(path, []byte(good+"\n\n"+c.line+"\n"+good+"\n"), 0o600); err != nil {
				t.Fatal(err)
			}
			_, err := ReadDecisions(dir)
			_, errOpen := OpenLibrary(dir)
			errRecord := Record(dir, withdrawn("a", 2))
			for _, err := range []error{err, errOpen, errRecord} {
				if err == nil || !strings.Contains(err.Error(), path+":3: ") || !strings.Contains(err.Error(), c.want) {
					t.Errorf("%v; want %s:3 and %q", err, path, c.want)
				}
			}
		})
	}
}

func TestARecordThatIsALinkIsRefused(t *testing.T) {
	dir := t.TempDir()
	other := filepath.Join(t.TempDir(), "elsewhere")
	if err := os.WriteFile(other, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(other, filepath.Join(dir, DecisionsFile)); err != nil {
		t.Skip(err)
	}
	if _, err := ReadDecisions(dir); err == nil {
		t.Error("it was read")
	}
	if err := Record(dir, accepted("a", 1)); err == nil {
		t.Error("it was written to")
	}
	if text, _ := os.ReadFile(other); len(text) > 0 {
		t.Errorf("the other file holds %q", text)
	}
}

func TestContentsDoNotSupersedeEachOther(t *testing.T) {
	for name, c := range map[string]struct {
		before []Decision
		last   Decision
		ok     bool
	}{
		"two":                         {[]Decision{accepted("b", 1).over("a")}, accepted("a", 2).over("b"), false},
		"three":                       {[]Decision{accepted("b", 1).over("a"), accepted("c", 2).over("b")}, accepted("a", 3).over("c"), false},
		"not in a chain":              {[]Decision{accepted("b", 1).over("a")}, accepted("c", 2).over("b", "a"), true},
		"not by one that was revoked": {[]Decision{accepted("b", 1).over("a"), accepted("b", 2)}, accepted("a", 3).over("b"), true},
		"not by one that is gone":     {[]Decision{accepted("b", 1).over("a"), withdrawn("b", 2)}, accepted("a", 3).over("b"), true},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			if err := Record(dir, c.before...); err != nil {
				t.Fatal(err)
			}
			before, _ := os.ReadFile(filepath.Join(dir, DecisionsFile))
			err := Record(dir, c.last)
			if (err == nil) != c.ok {
				t.Errorf("%v, want that it stands: %v", err, c.ok)
			}
			after, _ := os.ReadFile(filepath.Join(dir, DecisionsFile))
			if err != nil && string(after) != string(before) {
				t.Error("it was recorded all the same")
			}
		})
	}
}

// Were two writers to decide at once, both of two acceptances that contradict
// each other could be recorded.
func TestDecisionsMadeAtOnceAreAllRecordedAndNeverContradict(t *testing.T) {
	dir := t.TempDir()
	const writers, each = 8, 10
	var all sync.WaitGroup
	var mu sync.Mutex
	refused := 0
	for w := range writers {
		all.Go(func() {
			for i := range each {
				err := Record(dir, decided(DecisionNote, string(rune('A'+w)), float64(i+1)))
				if err != nil {
					t.Error(err)
				}
			}
			one, other := "a", "b"
			if w%2 == 1 {
				one, other = other, one
			}
			if Record(dir, accepted(one, float64(20+w)).over(other)) != nil {
				mu.Lock()
				defer mu.Unlock()
				refused++
			}
		})
	}
	all.Wait()
	d, err := ReadDecisions(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(d.Torn) > 0 || len(d.All) != writers*each+writers-refused {
		t.Errorf("%d decisions, torn %v; want %d notes and %d acceptances", len(d.All), d.Torn, writers*each, writers-refused)
	}
	_, byA := d.State(sha("a"))
	_, byB := d.State(sha("b"))
	if byA != nil && byB != nil {
		t.Errorf("a was accepted over b and b over a: %v, %v", byA, byB)
	}
}

// A master is known by its content: a file that is renamed keeps its decisions,
// and another content under its name has none.
func TestDecisionsFollowTheContentAndNotTheName(t *testing.T) {
	dir := t.TempDir()
	one, two := writeDark(t, dir, "one.fits", 1), writeDark(t, dir, "two.fits", 2)
	l := mustOpen(t, dir)
	all, err := l.Entries()
	if err != nil {
		t.Fatal(err)
	}
	e, err := FindEntry(all, "one.fits")
	if err != nil {
		t.Fatal(err)
	}
	d := withdrawn("x", 1)
	d.SHA256, d.Name = e.SHA256, e.Name
	if err := Record(dir, d); err != nil {
		t.Fatal(err)
	}
	serves := func(want string) {
		t.Helper()
		if got := serving(t, mustOpen(t, dir), darkNeed(8)); got != want {
			t.Errorf("%s serves, want %s", got, want)
		}
	}
	serves("two.fits")
	for _, names := range [][2]string{{one, filepath.Join(dir, "a-new-name.fits")}, {two, one}} {
		if err := os.Rename(names[0], names[1]); err != nil {
			t.Fatal(err)
		}
	}
	serves("one.fits") // which holds what was in two
	if err := os.Remove(one); err != nil {
		t.Fatal(err)
	}
	serves("-")
}

// The lanes of a run choose at once, and look for contents as they need them.
func TestMastersAreChosenAtOnce(t *testing.T) {
	dir := t.TempDir()
	for i := range 6 {
		writeDark(t, dir, fmt.Sprintf("%d.fits", i), float32(i))
	}
	first, err := mustOpen(t, dir).Entries()
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range first[:4] {
		d := withdrawn("x", 1)
		d.SHA256 = e.SHA256
		if err := Record(dir, d); err != nil {
			t.Fatal(err)
		}
	}
	l := mustOpen(t, dir)
	var all sync.WaitGroup
	for range 8 {
		all.Go(func() {
			if m, err := l.Select(darkNeed(8), configs.Limits{}); err != nil || m.Name() != "4.fits" {
				t.Errorf("%v, %v; want the first that was not withdrawn", m, err)
			}
		})
	}
	all.Wait()
}

func mustOpen(t *testing.T, dir string) *Library {
	t.Helper()
	l, err := OpenLibrary(dir)
	if err != nil || len(l.Unreadable) > 0 {
		t.Fatal(err, l.Unreadable)
	}
	return l
}

// writeDark writes a small dark master of day 8.
func writeDark(t *testing.T, dir, name string, level float32) string {
	t.Helper()
	c := &masterContent{info: *dark(name, 8, 8, 260, 260, 10), width: 2, height: 1, profile: []byte("instrument: quillon\n"),
		record: Provenance{Software: Software, Version: Version, What: "master dark", Instrument: "quillon", Detector: "main", ProfileHash: sha("p")},
		planes: []plane{{name: "VALUE", float: []float32{level, level}}, {name: "VARIANCE", float: []float32{1, 1}}}}
	c.info.BiasSHA256 = sha("b")
	path := filepath.Join(dir, name)
	if err := c.write(path); err != nil {
		t.Fatal(err)
	}
	return path
}
