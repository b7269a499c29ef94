package configs

import (
	_ "embed"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
)

//go:embed archive.yaml
var archiveTemplate []byte

//go:embed archive.schema.json
var archiveSchema []byte

// ArchiveTemplate gives a copy of a commented archive file, to start a new one
// from.
func ArchiveTemplate() []byte { return slices.Clone(archiveTemplate) }

// ArchiveSchema gives a copy of the published schema of archive files (JSON
// Schema, draft 2020-12). It covers what can be said about one value or one
// rule at a time; [LoadArchive] also checks that the values agree with one
// another.
func ArchiveSchema() []byte { return slices.Clone(archiveSchema) }

func archiveFormat() *format {
	return &format{name: "archive file", start: "start from a copy of the template", override: "intake.settle_s=3",
		variables: "EVENLIGHT_ARCHIVE_SET_", shape: shapeOf(reflect.TypeFor[Archive](), ""), defaults: archiveDefaults()}
}

// archiveDefaults lists every value that is filled in where an archive file
// leaves it out. The published schema repeats them; a test holds the two
// together.
func archiveDefaults() []defaultSetting {
	return []defaultSetting{
		{"ledger", "!!str", "ledger.db"},
		{"masters", "!!str", "masters"},
		{"products", "!!str", "products"},
		{"earlier", "!!str", "earlier"},
		{"quarantine", "!!str", "quarantine"},
		{"journal", "!!str", "journal"},
		{"versions", "!!str", VersionsKeep},
		{"intake.settle_s", "!!int", "5"},
		{"intake.rescan_minutes", "!!int", "15"},
		{"intake.incomplete_hours", "!!int", "24"},
		{"intake.wait_s", "!!int", "60"},
		{"intake.min_free_gib", "!!int", "1"},
		{"intake.cache_mib", "!!int", "2048"},
		{"reprocess.frames_per_hour", "!!int", "0"},
		{"reprocess.most_gib", "!!int", "0"},
		{"reprocess.min_free_gib", "!!int", "5"},
		{"alerts.repeat_hours", "!!int", "24"},
		{"alerts.webhook.timeout_s", "!!int", "10"},
		{"alerts.webhook.tries", "!!int", "4"},
	}
}

// LoadArchive reads an archive file, strictly, fills in overrides and
// defaults, and checks everything. Paths in the result are absolute and clean.
// The strings are warnings for the operator, which prevent nothing.
//
// The error is a [ProblemList] when the file could be read and is faulty; it
// wraps fs.ErrNotExist when there is no such file, and [ErrExposed] when
// anybody may write to it.
func LoadArchive(path string, over Overrides) (*Archive, []string, error) {
	text, warnings, err := readGuarded(path)
	if err != nil {
		return nil, nil, fmt.Errorf("reading archive file: %w", err)
	}
	a, err := parseArchive(path, text, over)
	if err != nil {
		return nil, warnings, err
	}
	return a, append(warnings, a.warnings(path)...), nil
}

// parseArchive reads an archive file from its text. name is its path, which
// relative paths count from the folder of; a file need not be there.
func parseArchive(name string, text []byte, over Overrides) (*Archive, error) {
	b, err := archiveFormat().bind(name, text, over)
	if err != nil {
		return nil, err
	}
	a, err := decode[Archive](b.values)
	if err != nil {
		return nil, fmt.Errorf("decoding archive file %s: %w", name, err)
	}
	path, err := filepath.Abs(name)
	if err != nil {
		return nil, fmt.Errorf("archive file %s: finding its folder: %w; name it by its full path", name, err)
	}
	c := archiveChecker{a: a, root: b.root, file: path}
	c.beforePaths()
	a.resolve(filepath.Dir(path))
	c.afterPaths()
	if err := b.verdict(c.found); err != nil {
		return nil, err
	}
	return a, nil
}

// resolve makes the paths absolute. Relative ones count from base.
func (a *Archive) resolve(base string) {
	paths := []*string{&a.Masters, &a.Products, &a.Earlier, &a.Quarantine, &a.Journal, &a.Alerts.MetricsFile}
	if !isURL(a.Ledger) {
		paths = append(paths, &a.Ledger)
	}
	if a.Alerts.Webhook != nil {
		paths = append(paths, &a.Alerts.Webhook.SecretFile)
	}
	for i := range a.Sources {
		paths = append(paths, &a.Sources[i].Folder)
		a.Sources[i].Profile = profilePath(base, a.Sources[i].Profile)
	}
	for _, p := range paths {
		*p = absolute(base, *p)
	}
}

// profilePath leaves the name of a built-in profile as it is, unless there is
// a file of that name.
func profilePath(base, profile string) string {
	path := absolute(base, profile)
	if _, err := os.Stat(path); err != nil && slices.Contains(BuiltinNames(), profile) {
		return profile
	}
	return path
}

// absolute leaves a path that is not given as it is.
func absolute(base, path string) string {
	switch {
	case path == "":
		return ""
	case filepath.IsAbs(path):
		return filepath.Clean(path)
	}
	return filepath.Join(base, path)
}

// warnings lists what an operator should know about a good archive file.
func (a *Archive) warnings(path string) []string {
	w := a.Alerts.Webhook
	if w == nil || w.SecretEnv == "" && w.SecretFile == "" {
		return nil
	}
	if u, err := url.Parse(w.URL); err == nil && u.Scheme == "http" && !isLoopback(u.Hostname()) {
		return []string{fmt.Sprintf("%s: alerts.webhook.url: the secret would travel unencrypted (RFC 6750, section 5.3, asks for TLS); use https", path)}
	}
	return nil
}

// LoadProfile reads the profile of a source with the source's overrides. The
// environment does not count, so that what an archive holds does not depend on
// who runs it. The strings are warnings. A file that anybody may write to is
// refused with [ErrExposed].
func (s *Source) LoadProfile() (*Profile, []string, error) {
	over := Overrides{Set: s.Set}
	if slices.Contains(BuiltinNames(), s.Profile) {
		text, err := Builtin(s.Profile)
		if err != nil {
			return nil, nil, fmt.Errorf("source %s: %w", s.Name, err)
		}
		p, err := Parse(s.Profile, text, over)
		if err != nil {
			return nil, nil, fmt.Errorf("source %s: %w", s.Name, err)
		}
		return p, nil, nil
	}
	text, warnings, err := readGuarded(s.Profile)
	if err != nil {
		return nil, nil, fmt.Errorf("source %s: reading profile: %w", s.Name, err)
	}
	p, err := Parse(s.Profile, text, over)
	if err != nil {
		return nil, warnings, fmt.Errorf("source %s: %w", s.Name, err)
	}
	return p, warnings, nil
}

// Canonical gives the resolved archive file, overrides and defaults included,
// as YAML text.
func (a *Archive) Canonical() []byte { return canonical(a) }

// WithoutSecrets gives a copy to be shown or logged: without user, password
// and parameters of a database's URL, and without what follows the host of the
// webhook's URL.
func (a *Archive) WithoutSecrets() *Archive {
	shown := *a
	shown.Ledger = a.LedgerName()
	if a.Alerts.Webhook != nil {
		w := *a.Alerts.Webhook
		w.URL = serverOf(w.URL)
		shown.Alerts.Webhook = &w
	}
	return &shown
}

// LedgerName names the ledger without user, password and parameters.
func (a *Archive) LedgerName() string {
	if !isURL(a.Ledger) {
		return a.Ledger
	}
	u, err := url.Parse(a.Ledger)
	if err != nil {
		return shorten(a.Ledger)
	}
	return u.Scheme + "://" + u.Host + u.EscapedPath()
}

// serverOf gives scheme and host of a URL.
func serverOf(address string) string {
	u, err := url.Parse(address)
	if err != nil {
		return shorten(address)
	}
	return u.Scheme + "://" + u.Host
}

func isURL(address string) bool { return strings.Contains(address, "://") }
