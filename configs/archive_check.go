package configs

import (
	"fmt"
	"net"
	"net/url"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"time"
)

// Bounds on what an archive file may ask for. They lie beyond any use and keep
// times within what a count of nanoseconds can hold.
const (
	maxSeconds = 604_800 // a week
	maxMinutes = 10_080  // a week
	maxHours   = 876_600 // a century
	maxDays    = 36_525  // a century
	maxGiB     = 1e9
	maxPerHour = 1e9
	maxSources = 1000
	maxRules   = 1000
	maxTries   = 100
	maxTryS    = 600
)

var (
	// plainElement is the name of a folder that no file system, shell or
	// person takes for anything else.
	plainElement = regexp.MustCompile(`^[A-Za-z0-9_][A-Za-z0-9._-]{0,63}$`)
	// variableName is narrower than what systems take, so that a secret that
	// was written in its place is noticed.
	variableName = regexp.MustCompile(`^[A-Z_][A-Z0-9_]{0,127}$`)
	// keywordSecret is a database address of the form that is no URL.
	keywordSecret = regexp.MustCompile(`(?i)\bpassword\s*=`)
	// wholeTime is the form of RFC 3339, section 5.6, of which Go's parser
	// takes shortened ones too.
	wholeTime = regexp.MustCompile(`^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)$`)
)

const elementRemedy = "use 1 to 64 of A-Z, a-z, 0-9, ., _ and -, the first one a letter, a digit or _"

// archiveChecker looks for values that are impossible or do not go together.
type archiveChecker struct {
	findings
	a    *Archive
	root *node
	file string // absolute path of the archive file
}

// beforePaths checks everything but where the paths lead.
func (c *archiveChecker) beforePaths() {
	if c.a.Format != formatVersion {
		c.addf("format", fmt.Sprintf("bring the archive file to format %d", formatVersion), "is %d", c.a.Format)
	}
	c.ledger()
	c.oneOf("versions", c.a.Versions, []string{VersionsKeep, VersionsReplace})
	c.pathForms()
	c.sources()
	c.numbers()
	c.webhook()
	c.rules()
}

// ledger checks the form of the ledger's address, and never repeats it.
func (c *archiveChecker) ledger() {
	switch {
	case !isURL(c.a.Ledger):
		if keywordSecret.MatchString(c.a.Ledger) {
			c.add("ledger", "is no address of a database", "write it as postgres://user@host:port/database")
		}
	case !isDatabaseURL(c.a.Ledger):
		c.add("ledger", "is neither a file nor the URL of a PostgreSQL database",
			"write a path, or postgres://user@host:port/database with special characters as % and two digits")
	}
}

func isDatabaseURL(address string) bool {
	u, err := url.Parse(address)
	return err == nil && slices.Contains([]string{"postgres", "postgresql"}, u.Scheme)
}

// pathForms refuses what only a shell would understand.
func (c *archiveChecker) pathForms() {
	for _, f := range c.allPaths() {
		if strings.HasPrefix(f.value, "~") {
			c.add(f.path, "begins with ~, which only a shell replaces", "write the folder out")
		}
	}
}

// placed is a file or folder with the path of its key.
type placed struct {
	path, value string
	watched     bool // changes in it wake the watching service
}

// folders lists the folders, which must lie apart.
func (c *archiveChecker) folders() []placed {
	a := c.a
	all := []placed{{"masters", a.Masters, true}, {"products", a.Products, false}, {"earlier", a.Earlier, false},
		{"quarantine", a.Quarantine, false}, {"journal", a.Journal, false}}
	for i := range a.Sources {
		all = append(all, placed{at("sources", i) + ".folder", a.Sources[i].Folder, true})
	}
	return all
}

// inputs lists the files that are only read.
func (c *archiveChecker) inputs() []placed {
	var all []placed
	for i := range c.a.Sources {
		all = append(all, placed{path: at("sources", i) + ".profile", value: c.a.Sources[i].Profile})
	}
	if w := c.a.Alerts.Webhook; w != nil {
		all = append(all, placed{path: "alerts.webhook.secret_file", value: w.SecretFile})
	}
	return all
}

// outputs lists the files that are written.
func (c *archiveChecker) outputs() []placed {
	all := []placed{{path: "alerts.metrics_file", value: c.a.Alerts.MetricsFile}}
	if !isURL(c.a.Ledger) {
		all = append(all, placed{path: "ledger", value: c.a.Ledger})
	}
	return all
}

func (c *archiveChecker) allPaths() []placed {
	return slices.Concat(c.folders(), c.inputs(), c.outputs())
}

func (c *archiveChecker) sources() {
	if len(c.a.Sources) > maxSources {
		c.addf("sources", fmt.Sprintf("list at most %d", maxSources), "lists %d", len(c.a.Sources))
		return
	}
	seen := map[string]bool{}
	for i := range c.a.Sources {
		c.element(at("sources", i)+".name", c.a.Sources[i].Name, seen)
	}
}

// element checks a name that no other of its kind may have. Case does not tell
// names apart, since to some file systems it does not.
func (c *archiveChecker) element(path, name string, seen map[string]bool) {
	if !plainElement.MatchString(name) {
		c.addf(path, elementRemedy, "%q is no plain name", shorten(name))
	}
	folded := strings.ToLower(name)
	if seen[folded] {
		c.clash(path, "give each a name of its own; case does not count", "the name %q stands twice", shorten(name))
	}
	seen[folded] = true
}

func (c *archiveChecker) numbers() {
	in, re, al := &c.a.Intake, &c.a.Reprocess, &c.a.Alerts
	for _, v := range []struct {
		path         string
		x, low, high float64
	}{
		{"intake.settle_s", in.SettleS, 0, maxSeconds},
		{"intake.rescan_minutes", in.RescanMinutes, 0.01, maxMinutes},
		{"intake.incomplete_hours", in.IncompleteHours, 0, maxHours},
		{"intake.wait_s", in.WaitS, 0, maxSeconds},
		{"intake.min_free_gib", in.MinFreeGiB, 0, maxGiB},
		{"intake.cache_mib", float64(in.CacheMiB), 1, maxMemoryMiB},
		{"reprocess.frames_per_hour", re.FramesPerHour, 0, maxPerHour},
		{"reprocess.most_gib", re.MostGiB, 0, maxGiB},
		{"reprocess.min_free_gib", re.MinFreeGiB, 0, maxGiB},
		{"alerts.repeat_hours", al.RepeatHours, 0.01, maxHours},
	} {
		c.within(v.path, v.x, v.low, v.high)
	}
}

// webhook checks the address, and never repeats it or what may be a secret.
func (c *archiveChecker) webhook() {
	w := c.a.Alerts.Webhook
	if w == nil {
		return
	}
	const path = "alerts.webhook"
	u, err := url.Parse(w.URL)
	switch {
	case err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Hostname() == "":
		c.add(path+".url", "is no address of a web server", "write it as https://host/path")
	case u.User != nil:
		c.add(path+".url", "holds a user or a password", "take it out and name secret_env or secret_file")
	}
	if w.SecretEnv != "" && w.SecretFile != "" {
		c.clash(path+".secret_file", "keep one of the two", "is given beside secret_env")
	}
	if w.SecretEnv != "" && !variableName.MatchString(w.SecretEnv) {
		c.add(path+".secret_env", "is no name of an environment variable", "write the name of the variable, not the secret: A-Z, 0-9 and _")
	}
	c.within(path+".timeout_s", w.TimeoutS, 0.1, maxTryS)
	c.within(path+".tries", float64(w.Tries), 1, maxTries)
}

// isLoopback tells whether a host is this machine (RFC 6761, 6.3; RFC 5735,
// section 3; RFC 4291, 2.5.3).
func isLoopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// afterPaths checks where the resolved paths lead.
func (c *archiveChecker) afterPaths() {
	folders := followed(c.folders())
	for i, f := range folders {
		c.apart(f, folders[:i])
	}
	for _, out := range followed(c.outputs()) {
		c.written(out, folders)
	}
	if ledger := c.a.Ledger; ledger != "" && !isURL(ledger) && realPath(ledger) == realPath(c.a.Alerts.MetricsFile) {
		c.clash("alerts.metrics_file", "name another file", "is the ledger")
	}
}

// followed gives those of the places that are given, with links followed.
func followed(places []placed) []placed {
	var there []placed
	for _, p := range places {
		if p.value != "" {
			p.value = realPath(p.value)
			there = append(there, p)
		}
	}
	return there
}

// apart checks that a folder holds none of others and lies in none.
func (c *archiveChecker) apart(f placed, others []placed) {
	const remedy = "give each a folder of its own, none inside of another"
	for _, o := range others {
		a, b, needs := f.value, o.value, []string{o.path}
		switch {
		case a == b:
			c.clashWith(needs, f.path, remedy, "is the same folder as %s, %s", o.path, a)
			return
		case lies(a, b):
			c.clashWith(needs, f.path, remedy, "%s lies inside of %s, %s", a, o.path, b)
			return
		case lies(b, a):
			c.clashWith(needs, f.path, remedy, "%s holds %s, %s", a, o.path, b)
			return
		}
	}
}

// written checks that a file that is written lies where that does no harm.
func (c *archiveChecker) written(out placed, folders []placed) {
	file := out.value
	for _, f := range folders {
		if file == f.value || f.watched && lies(file, f.value) {
			c.clashWith([]string{f.path}, out.path, "put it elsewhere", "%s lies inside of %s, %s", file, f.path, f.value)
			return
		}
	}
	for _, in := range followed(append(c.inputs(), placed{value: c.file})) {
		if in.value == file {
			c.clash(out.path, "name another file", "%s would be written over", file)
			return
		}
	}
}

// lies tells whether inner lies inside of outer. Both are clean.
func lies(inner, outer string) bool {
	rest, err := filepath.Rel(outer, inner)
	return err == nil && rest != "." && rest != ".." && !strings.HasPrefix(rest, ".."+string(filepath.Separator))
}

// realPath follows the symbolic links of as much of a path as there is.
func realPath(path string) string {
	if path == "" {
		return ""
	}
	for here, rest := path, ""; ; {
		if known, err := filepath.EvalSymlinks(here); err == nil {
			return filepath.Join(known, rest)
		}
		parent := filepath.Dir(here)
		if parent == here {
			return path
		}
		here, rest = parent, filepath.Join(filepath.Base(here), rest)
	}
}

// ruleKind says which keys a kind of rule has besides its name and kind.
type ruleKind struct {
	name               string
	required, optional []string
}

func ruleKinds() []ruleKind {
	return []ruleKind{
		{RuleThreshold, []string{"metric"}, []string{"above", "below", "frames", "instrument", "detector", "mode", "band"}},
		{RuleControl, []string{"metric", "chart"}, []string{"baseline", "since", "sigmas", "lambda", "instrument", "detector", "mode", "band"}},
		{RuleFailures, []string{"percent", "hours"}, []string{"at_least"}},
		{RuleSilence, []string{"hours"}, []string{"instrument"}},
		{RuleSpace, []string{"folder", "below_gib"}, nil},
		{RuleMasterAge, []string{"days"}, []string{"master", "instrument", "detector"}},
	}
}

// ruleShape gives the shape of a rule.
func ruleShape() *shape { return shapeOf(reflect.TypeFor[Rule](), "rules") }

// keys lists all keys of a kind of rule.
func (k *ruleKind) keys() []string {
	return slices.Concat([]string{"name", "kind"}, k.required, k.optional)
}

// spaceFolders are the words for the folders whose room a rule can follow.
func spaceFolders() []string {
	return []string{"products", "earlier", "quarantine", "masters", "journal"}
}

// masterKinds are the kinds of masters, as their headers name them.
func masterKinds() []string { return []string{"bias", "dark", "linearity", "flat", "bad-pixels"} }

func (c *archiveChecker) rules() {
	rules := c.a.Alerts.Rules
	if len(rules) > maxRules {
		c.addf("alerts.rules", fmt.Sprintf("list at most %d", maxRules), "lists %d", len(rules))
		return
	}
	seen := map[string]bool{}
	for i := range rules {
		path := at("alerts.rules", i)
		c.element(path+".name", rules[i].Name, seen)
		c.rule(path, &rules[i])
	}
}

func (c *archiveChecker) rule(path string, r *Rule) {
	kinds := ruleKinds()
	i := slices.IndexFunc(kinds, func(k ruleKind) bool { return k.name == r.Kind })
	if i < 0 {
		names := make([]string, len(kinds))
		for k := range kinds {
			names[k] = kinds[k].name
		}
		c.oneOf(path+".kind", r.Kind, names)
		return
	}
	given := c.ruleKeys(path, &kinds[i])
	c.ruleNumbers(path, r, given)
	c.ruleWords(path, r, given)
	switch r.Kind {
	case RuleThreshold:
		c.bounds(path, r)
	case RuleControl:
		if r.Chart == ChartIndividuals && slices.Contains(given, "lambda") {
			c.clash(path+".lambda", "leave it out, or set chart to "+ChartEWMA, "belongs to the chart %s only", ChartEWMA)
		}
	}
}

// ruleKeys checks that a rule has the keys of its kind and no others, and
// lists those that it has. The text is asked, since a value of zero is given
// too.
func (c *archiveChecker) ruleKeys(path string, k *ruleKind) (given []string) {
	for _, name := range ruleShape().keys() {
		key := path + "." + name
		switch {
		case !c.root.has(key):
		case slices.Contains(k.keys(), name):
			given = append(given, name)
		default:
			c.addf(key, "leave it out; the keys of this kind are "+strings.Join(k.keys(), ", "), "does not belong to a rule of the kind %s", k.name)
		}
	}
	for _, key := range k.required {
		if !slices.Contains(given, key) {
			c.addf(path+"."+key, "add the key", "is missing, and a rule of the kind %s needs it", k.name)
		}
	}
	return given
}

// ruleNumbers checks the numbers that a rule gives.
func (c *archiveChecker) ruleNumbers(path string, r *Rule, given []string) {
	for _, v := range []struct {
		key          string
		x, low, high float64
	}{
		{"frames", float64(r.Frames), 1, 10_000},
		{"baseline", float64(r.Baseline), 5, 10_000},
		{"sigmas", r.Sigmas, 0.1, 100},
		{"lambda", r.Lambda, 0.01, 1},
		{"percent", r.Percent, 0.001, 100},
		{"at_least", float64(r.AtLeast), 1, 1e9},
		{"hours", r.Hours, 0.01, maxHours},
		{"below_gib", r.BelowGiB, 0.001, maxGiB},
		{"days", r.Days, 0.01, maxDays},
	} {
		if slices.Contains(given, v.key) {
			c.within(path+"."+v.key, v.x, v.low, v.high)
		}
	}
}

// ruleWords checks the words that a rule gives.
func (c *archiveChecker) ruleWords(path string, r *Rule, given []string) {
	for _, v := range []struct {
		key, value string
		valid      []string
	}{
		{"chart", r.Chart, []string{ChartIndividuals, ChartEWMA}},
		{"folder", r.Folder, spaceFolders()},
		{"master", r.Master, masterKinds()},
	} {
		if slices.Contains(given, v.key) {
			c.oneOf(path+"."+v.key, v.value, v.valid)
		}
	}
	for _, v := range []struct{ key, value string }{{"instrument", r.Instrument}, {"detector", r.Detector}} {
		if slices.Contains(given, v.key) {
			c.name(path+"."+v.key, v.value)
		}
	}
	if slices.Contains(given, "since") && !isTime(r.Since) {
		c.addf(path+".since", "write it as 2031-05-17T08:09:10Z (RFC 3339)", "%q is no time", shorten(r.Since))
	}
}

func isTime(text string) bool {
	_, err := time.Parse(time.RFC3339, text)
	return err == nil && wholeTime.MatchString(text)
}

// bounds checks the bounds of a threshold rule.
func (c *archiveChecker) bounds(path string, r *Rule) {
	switch {
	case r.Above == nil && r.Below == nil:
		c.clash(path, "write above, below or both", "has neither above nor below")
	case r.Above != nil && r.Below != nil && *r.Above < *r.Below:
		c.clash(path+".above", "swap the two, or keep one", "is %s, less than below, so that every value calls", brief(*r.Above))
	}
}
