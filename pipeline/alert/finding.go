package alert

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"evenlight/configs"
	"evenlight/pipeline/ledger"
)

// Finding is a rule that is broken now.
type Finding struct {
	Rule    string    // name of the rule
	Subject string    // what broke it, in a stable form (see the package comment)
	Message string    // for people: what, by how much, since when, what to look at
	Since   time.Time // since when, by the data; zero: not known
	// Unjudged: the rule as a whole could not be judged, so that nothing is
	// known about its other subjects.
	Unjudged bool
}

// SubjectRule is the subject of a finding that a rule could not be judged.
const SubjectRule = "rule"

// subjectArchive is the subject of what concerns everything.
const subjectArchive = "archive"

// Env is what a rule may look at besides the ledger.
type Env struct {
	Now  time.Time
	What string // kind of product whose metrics are followed, such as "calibrated frame"
	// Folders gives the path for the words that Rule.Folder may hold.
	Folders map[string]string
	// Free tells how many bytes can still be written to a folder.
	Free func(folder string) (uint64, error)
	// Masters are those that are current; nil: those of the ledger.
	Masters []ledger.Master
	// Barred are the contents of masters that may serve no frame, by decision:
	// they are not the newest of anything.
	Barred map[ledger.Hash]bool
}

// judge is one pass over the rules.
type judge struct {
	Env
	led *ledger.Ledger
}

// Judge returns what breaks a rule now, in the order of the rules and sorted by
// subject. A rule that cannot be judged, because its folder is not there or the
// ledger cannot be read, becomes a finding of its own and does not keep the
// others from being judged. The only error is that of the context.
//
// Its cost is bounded for each rule and series, however large the ledger is;
// for a failures rule, by the runs in its hours.
func Judge(ctx context.Context, led *ledger.Ledger, rules []configs.Rule, env Env) ([]Finding, error) {
	j := &judge{env, led}
	var all []Finding
	for i := range rules {
		found, err := j.rule(ctx, &rules[i])
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if err != nil {
			found = []Finding{{Subject: SubjectRule, Message: "the rule cannot be judged: " + err.Error(), Unjudged: true}}
		}
		for _, f := range found {
			f.Rule, f.Message = rules[i].Name, oneLine(f.Message)
			all = append(all, f)
		}
	}
	return all, nil
}

func (j *judge) rule(ctx context.Context, r *configs.Rule) ([]Finding, error) {
	switch r.Kind {
	case configs.RuleThreshold:
		return j.eachSeries(ctx, r, j.threshold)
	case configs.RuleControl:
		return j.eachSeries(ctx, r, j.control)
	case configs.RuleFailures:
		return j.failures(ctx, r)
	case configs.RuleSilence:
		return j.silence(ctx, r)
	case configs.RuleSpace:
		return j.space(r)
	case configs.RuleMasterAge:
		return j.masterAge(ctx, r)
	}
	return nil, fmt.Errorf("there is no kind of rule %q: correct the archive's configuration", r.Kind)
}

// eachSeries judges each series that a rule chooses.
func (j *judge) eachSeries(ctx context.Context, r *configs.Rule, of func(context.Context, *configs.Rule, ledger.Series) (*Finding, error)) ([]Finding, error) {
	series, err := seriesOf(ctx, j.led, ledger.Filter{Kind: configs.KindScene, Instrument: r.Instrument, Detector: r.Detector, Mode: r.Mode, Band: r.Band})
	if err != nil {
		return nil, err
	}
	var found []Finding
	for _, s := range series {
		// A metric that the series does not have would be searched for in all
		// of its frames.
		names, err := j.led.MetricNames(ctx, j.What, s)
		if err != nil {
			return nil, err
		}
		if !slices.Contains(names, r.Metric) {
			continue
		}
		f, err := of(ctx, r, s)
		if err != nil {
			return nil, err
		}
		if f != nil {
			f.Subject = subjectOf(s)
			found = append(found, *f)
		}
	}
	return found, nil
}

func seriesOf(ctx context.Context, led *ledger.Ledger, filter ledger.Filter) (series []ledger.Series, err error) {
	err = led.EachSeries(ctx, filter, func(s ledger.Series) error {
		series = append(series, s)
		return nil
	})
	return series, err
}

func subjectOf(s ledger.Series) string {
	return words("instrument", s.Instrument, "detector", s.Detector, "mode", s.Mode, "band", s.Band, "kind", s.Kind)
}

// words writes names and values as name=value and leaves out empty values.
func words(namesAndValues ...string) string {
	var b strings.Builder
	for i := 0; i < len(namesAndValues); i += 2 {
		name, value := namesAndValues[i], namesAndValues[i+1]
		if value == "" {
			continue
		}
		if b.Len() > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(name + "=" + plain(value))
	}
	return b.String()
}

// plain is the text itself, or a quoted string where the text could be taken
// for something else.
func plain(text string) string {
	isOdd := func(r rune) bool {
		return r == utf8.RuneError || r == ' ' || r == '"' || r == '\\' || r == '=' || !unicode.IsPrint(r)
	}
	if text == "" || strings.ContainsFunc(text, isOdd) {
		return strconv.Quote(text)
	}
	return text
}

// oneLine makes text that a ledger takes and a line of a log can show, of text
// that may hold the bytes of any file name.
func oneLine(text string) string {
	replace := func(r rune) rune {
		if !unicode.IsPrint(r) {
			return unicode.ReplacementChar
		}
		return r
	}
	text = strings.ReplaceAll(text, "\n", "; ")
	return strings.Map(replace, strings.ToValidUTF8(text, string(unicode.ReplacementChar)))
}

// clock writes a time for people.
func clock(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05Z") }
