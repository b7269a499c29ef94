package main

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"evenlight/pipeline"
)

// shelf is what the commands on a calibration library share.
type shelf struct {
	*settings
	masters string // folder
	archive string // file of an archive, whose folder of masters is meant
	on      string // date
}

func libraryCommand(s *settings) *cobra.Command {
	c := &cobra.Command{Use: "library", Short: "Keep the calibration library: what is in it, who accepted or withdrew what, what would serve",
		Long: `The library is the folder of masters, with the record of decisions beside them
(decisions.jsonl). Decisions are about contents, known by their SHA-256: a file
that is renamed keeps them. The choice of masters heeds them at once.`,
		Example: "  evenlight library list --masters masters", Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() }}
	c.AddCommand(libraryListCommand(s), libraryShowCommand(s), libraryAcceptCommand(s), libraryWithdrawCommand(s), libraryNoteCommand(s),
		libraryRequireCommand(s), libraryCompareCommand(s), libraryChooseCommand(s))
	return c
}

// needMasters adds the flags that say which library is meant.
func (l *shelf) needMasters(c *cobra.Command) {
	c.Flags().StringVar(&l.masters, "masters", "", "folder of the masters")
	c.Flags().StringVar(&l.archive, "archive", "", "archive file, whose folder of masters is meant")
	c.MarkFlagsOneRequired("masters", "archive")
	c.MarkFlagsMutuallyExclusive("masters", "archive")
	_ = c.MarkFlagDirname("masters")
	_ = c.MarkFlagFilename("archive", "yaml", "yml")
}

func (l *shelf) needDate(c *cobra.Command) {
	c.Flags().StringVar(&l.on, "on", "", "as it was at this time (UTC), such as 2031-04-10T06:00:00, or at the end of this day")
}

// folder is that of the masters.
func (l *shelf) folder(c *cobra.Command) (string, error) {
	if l.archive == "" {
		return l.masters, nil
	}
	log, err := l.logger(c.ErrOrStderr())
	if err != nil {
		return "", err
	}
	cfg, err := l.loadArchive(l.archive, log)
	if err != nil {
		return "", err
	}
	return cfg.Masters, nil
}

// open opens the library, as it was on the date that is asked for.
func (l *shelf) open(c *cobra.Command) (*pipeline.Library, error) {
	date, err := dateOf(l.on)
	if err != nil {
		return nil, err
	}
	folder, err := l.folder(c)
	if err != nil {
		return nil, err
	}
	lib, err := pipeline.OpenLibrary(folder)
	if err != nil {
		return nil, failed(err)
	}
	if l.on == "" {
		return lib, nil
	}
	if lib, err = lib.AsOf(date); err != nil {
		return nil, failed(err)
	}
	return lib, nil
}

// dateOf reads a time; a day means its end.
func dateOf(text string) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	t, err := parseTime("--on", text)
	if err == nil && len(text) == len(time.DateOnly) {
		t = t.AddDate(0, 0, 1).Add(-time.Nanosecond)
	}
	return t, err
}

// libraryView is the answer of list.
type libraryView struct {
	Folder     string             `json:"folder"`
	Required   *pipeline.Decision `json:"required"` // the decision by which only accepted masters serve; null: all may
	Entries    []pipeline.Entry   `json:"entries"`
	Unreadable []string           `json:"unreadable"`
	Torn       []int              `json:"torn_lines"` // of the record of decisions, that were cut off
}

// view lists what is in a library.
func viewLibrary(lib *pipeline.Library) (*libraryView, error) {
	v := &libraryView{Folder: lib.Dir, Required: lib.Decisions.Required(), Unreadable: []string{}, Torn: []int{}}
	v.Torn = append(v.Torn, lib.Decisions.Torn...)
	for _, err := range lib.Unreadable {
		v.Unreadable = append(v.Unreadable, err.Error())
	}
	var err error
	v.Entries, err = lib.Entries()
	return v, err
}

func libraryListCommand(s *settings) *cobra.Command {
	l := &shelf{settings: s}
	c := &cobra.Command{
		Use: "list --masters FOLDER", Short: "List masters and characterisations with what was decided about them", Args: cobra.NoArgs,
		Example: "  evenlight library list --masters masters\n  evenlight library list --masters masters --on 2031-04-10",
		RunE: func(c *cobra.Command, _ []string) error {
			lib, err := l.open(c)
			if err != nil {
				return err
			}
			v, err := viewLibrary(lib)
			if err != nil {
				return failed(err)
			}
			if err := l.answer(c, v, v.text()); err != nil {
				return err
			}
			return outcome(len(v.Entries), len(v.Unreadable), "nothing is in this library: make masters with 'evenlight masters'")
		},
	}
	l.needMasters(c)
	l.needDate(c)
	return c
}

func libraryShowCommand(s *settings) *cobra.Command {
	l := &shelf{settings: s}
	var u usesOf
	c := &cobra.Command{
		Use: "show --masters FOLDER MASTER...", Short: "Show all that was decided about a master, and what was made with it",
		Long: `Shows masters or characterisations, named by file name, path, or six or more
digits of their SHA-256: what was decided about them, the masters that were made
with them, and the products: those in the folders of --products, or with --archive
those that its ledger knows.`,
		Example: "  evenlight library show --masters masters 3f2a91\n  evenlight library show --archive archive.yaml flat-main-normal-red-20310401T060000-1a2b3c4d.fits",
		Args:    cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			lib, entries, err := l.find(c, args)
			if err != nil {
				return err
			}
			return u.answer(l, c, lib, entries)
		},
	}
	l.needMasters(c)
	u.needProducts(c)
	return c
}

// find opens the library and looks for what is named.
func (l *shelf) find(c *cobra.Command, words []string) (*pipeline.Library, []pipeline.Entry, error) {
	lib, err := l.open(c)
	if err != nil {
		return nil, nil, err
	}
	entries, err := entriesOf(lib, words)
	if err != nil {
		return nil, nil, failed(err)
	}
	return lib, entries, nil
}

func entriesOf(lib *pipeline.Library, words []string) ([]pipeline.Entry, error) {
	all, err := lib.Entries()
	if err != nil {
		return nil, err
	}
	var out []pipeline.Entry
	for _, word := range words {
		e, err := pipeline.FindEntry(all, word)
		if err != nil {
			if e = lib.AbsentEntry(word); e == nil {
				return nil, err
			}
		}
		if !slices.ContainsFunc(out, func(o pipeline.Entry) bool { return o.SHA256 == e.SHA256 }) {
			out = append(out, *e)
		}
	}
	return out, nil
}

// deciding are the flags of commands that record a decision.
type deciding struct {
	*shelf
	d  pipeline.Decision // what all of them share
	at string
}

func (r *deciding) needReason(c *cobra.Command) {
	r.needMasters(c)
	f := c.Flags()
	f.StringVar(&r.d.By, "by", "", "who decides (required)")
	f.StringVar(&r.d.Why, "why", "", "why (required)")
	f.StringVar(&r.at, "at", "", "when it was decided (UTC), such as 2031-04-10T06:00:00 (default: now)")
	_ = c.MarkFlagRequired("by")
	_ = c.MarkFlagRequired("why")
}

// when fills in the time.
func (r *deciding) when() (err error) {
	r.d.At = time.Now().UTC().Truncate(time.Millisecond)
	if r.at != "" {
		r.d.At, err = parseTime("--at", r.at)
	}
	return err
}

// record decides about some contents.
func (r *deciding) record(c *cobra.Command, about []pipeline.Entry) error {
	folder, err := r.folder(c)
	if err != nil {
		return err
	}
	decisions := []pipeline.Decision{}
	for i := range about {
		d := r.d
		d.SHA256, d.Name = about[i].SHA256, about[i].Name
		decisions = append(decisions, d)
	}
	if len(about) == 0 {
		decisions = append(decisions, r.d)
	}
	return failedIf(pipeline.Record(folder, decisions...))
}

// decide records a decision about what is named, and returns how things stand
// then.
func (r *deciding) decide(c *cobra.Command, words []string) (*pipeline.Library, []pipeline.Entry, error) {
	if err := r.when(); err != nil {
		return nil, nil, err
	}
	_, entries, err := r.find(c, words)
	if err != nil {
		return nil, nil, err
	}
	if err := r.record(c, entries); err != nil {
		return nil, nil, err
	}
	var contents []string
	for i := range entries {
		contents = append(contents, entries[i].SHA256)
	}
	return r.find(c, contents)
}

// tookEffect makes sure that what was decided is in force: a decision with a
// later date stays so.
func (r *deciding) tookEffect(c *cobra.Command, entries []pipeline.Entry) error {
	held := 0
	for i := range entries {
		e := &entries[i]
		if d := e.InForce(); d != nil && d.At.After(r.d.At) {
			held++
			fmt.Fprintf(c.ErrOrStderr(), "evenlight: %s: this is recorded, and without effect, since the decision of %s by %s (%s) is of a later date: give --at\n",
				e.Name, d.At.UTC().Format(time.DateTime), d.By, d.What)
		}
	}
	return outcome(len(entries)-held, held, "")
}

func libraryAcceptCommand(s *settings) *cobra.Command {
	r := &deciding{shelf: &shelf{settings: s}, d: pipeline.Decision{What: pipeline.DecisionAccept}}
	var from, to, joined string
	var over []string
	c := &cobra.Command{
		Use: "accept --masters FOLDER --by WHO --why WHY MASTER...", Short: "Accept masters, or accept them again, for a time if need be",
		Long: `Records that masters, or characterisations, are accepted. --from and --to bound
the frames that they may serve. --supersedes names masters that no longer serve
the frames of that time. A later acceptance takes the place of an earlier one.`,
		Example: `  evenlight library accept --masters masters --by "A. Rook" --why "residuals of the lamp test are flat" 3f2a91
  evenlight library accept --masters masters --by "A. Rook" --why "new lamp" --from 2031-04-05 --supersedes 3f2a91 77b0c4`,
		Args: cobra.MinimumNArgs(1),
		PreRunE: func(*cobra.Command, []string) error {
			for _, t := range []struct {
				flag, text string
				to         *time.Time
			}{{"--from", from, &r.d.From}, {"--to", to, &r.d.To}, {"--joined", joined, &r.d.Joined}} {
				var err error
				if t.text != "" {
					*t.to, err = parseTime(t.flag, t.text)
				}
				if err != nil {
					return err
				}
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error {
			if err := r.supersede(c, args, over); err != nil {
				return err
			}
			_, entries, err := r.decide(c, args)
			if err != nil {
				return err
			}
			if err := r.answer(c, entries, entriesText(entries)); err != nil {
				return err
			}
			return r.tookEffect(c, entries)
		},
	}
	r.needReason(c)
	f := c.Flags()
	f.StringVar(&from, "from", "", "for frames taken at this time or later (UTC)")
	f.StringVar(&to, "to", "", "and before this one")
	f.StringVar(&joined, "joined", "", "when the master came into the library, for questions about that time (UTC)")
	f.StringArrayVar(&over, "supersedes", nil, "a master that no longer serves frames of that time (may be repeated)")
	return c
}

// supersede finds the contents that an acceptance supersedes. They must be such
// as could serve the same frames, else the one is no successor of the other.
func (r *deciding) supersede(c *cobra.Command, words, over []string) error {
	if len(over) == 0 {
		return nil
	}
	_, newer, err := r.find(c, words)
	if err != nil {
		return err
	}
	_, older, err := r.find(c, over)
	if err != nil {
		return err
	}
	for _, o := range older {
		for _, n := range newer {
			if o.Kind != "" && n.Kind != "" && placeText(&o) != placeText(&n) {
				return failed(fmt.Errorf("%s (%s) cannot supersede %s (%s): name masters that could serve the same frames", n.Name, placeText(&n), o.Name, placeText(&o)))
			}
		}
		r.d.Supersedes = append(r.d.Supersedes, o.SHA256)
	}
	return nil
}

// placeText names what masters that can take each other's place have in common.
func placeText(e *pipeline.Entry) string {
	words := []string{e.Kind, e.Instrument, "detector " + e.Detector}
	if e.Mode != "" {
		words = append(words, "mode "+e.Mode)
	}
	if e.Band != "" {
		words = append(words, "band "+e.Band)
	}
	return strings.Join(words, ", ")
}

func libraryWithdrawCommand(s *settings) *cobra.Command {
	r := &deciding{shelf: &shelf{settings: s}, d: pipeline.Decision{What: pipeline.DecisionWithdraw}}
	var u usesOf
	c := &cobra.Command{
		Use: "withdraw --masters FOLDER --by WHO --why WHY MASTER...", Short: "Withdraw masters: they serve no more, and what was made with them is listed",
		Long: `Records that masters, or characterisations, are withdrawn, and lists what was
made with them: masters of the library, and the products in the folders of
--products, or with --archive those that its ledger knows. Nothing else changes:
'evenlight reprocess' makes products anew with the masters that serve now.`,
		Example: `  evenlight library withdraw --masters masters --products products --by "A. Rook" --why "lamp drifted" 3f2a91
  evenlight library withdraw --archive archive.yaml --by "A. Rook" --why "light leak" 3f2a91`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			lib, entries, err := r.decide(c, args)
			if err != nil {
				return err
			}
			if err := u.answer(r.shelf, c, lib, entries); err != nil {
				return err
			}
			return r.tookEffect(c, entries)
		},
	}
	r.needReason(c)
	u.needProducts(c)
	return c
}

func libraryNoteCommand(s *settings) *cobra.Command {
	r := &deciding{shelf: &shelf{settings: s}, d: pipeline.Decision{What: pipeline.DecisionNote}}
	var joined string
	c := &cobra.Command{
		Use: "note --masters FOLDER --by WHO --why TEXT MASTER...", Short: "Write down something about masters that changes no choice",
		Example: `  evenlight library note --masters masters --by "A. Rook" --why "taken after the second bake-out" 3f2a91`,
		Args:    cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if joined != "" {
				var err error
				if r.d.Joined, err = parseTime("--joined", joined); err != nil {
					return err
				}
			}
			_, entries, err := r.decide(c, args)
			if err != nil {
				return err
			}
			return r.answer(c, entries, entriesText(entries))
		},
	}
	r.needReason(c)
	c.Flags().StringVar(&joined, "joined", "", "when the master came into the library, for questions about that time (UTC)")
	return c
}

func libraryRequireCommand(s *settings) *cobra.Command {
	r := &deciding{shelf: &shelf{settings: s}, d: pipeline.Decision{What: pipeline.DecisionRequire}}
	c := &cobra.Command{
		Use: "require --masters FOLDER --by WHO --why WHY on|off", Short: "Let only accepted masters serve, or all that were not withdrawn",
		Example:   `  evenlight library require --masters masters --by "A. Rook" --why "products go to the archive from now on" on`,
		Args:      cobra.MatchAll(cobra.ExactArgs(1), cobra.OnlyValidArgs),
		ValidArgs: []string{"on", "off"},
		RunE: func(c *cobra.Command, args []string) error {
			if err := r.when(); err != nil {
				return err
			}
			on := args[0] == "on"
			r.d.On = &on
			if err := r.record(c, nil); err != nil {
				return err
			}
			lib, err := r.open(c)
			if err != nil {
				return err
			}
			v, err := viewLibrary(lib)
			if err != nil {
				return failed(err)
			}
			if err := r.answer(c, v, v.text()); err != nil {
				return err
			}
			if (v.Required != nil) != on {
				return failed(errors.New("this is recorded, and without effect, since a decision of a later date holds: give --at"))
			}
			return nil
		},
	}
	r.needReason(c)
	return c
}

func libraryCompareCommand(s *settings) *cobra.Command {
	return &cobra.Command{
		Use: "compare A B", Short: "Show what changes when master B serves in the place of A",
		Long: `Compares two masters of one kind and detector, by their paths: level, ratio
image, difference over the uncertainty of both, linearity curves, and of bad-pixel
masks the pixels that are new and those that vanished, for each reason. Checksums
are verified first. Nothing is written.`,
		Example: "  evenlight library compare masters/flat-main-normal-red-20310401T060000-1a2b3c4d.fits masters/flat-main-normal-red-20310501T060000-5e6f7a8b.fits",
		Args:    cobra.ExactArgs(2),
		RunE: func(c *cobra.Command, args []string) error {
			r, err := pipeline.CompareMasters(args[0], args[1], s.workers)
			if err != nil {
				return failed(err)
			}
			return s.answer(c, r, r.Text())
		},
	}
}

func libraryChooseCommand(s *settings) *cobra.Command {
	l := &shelf{settings: s}
	c := &cobra.Command{
		Use: "choose --masters FOLDER --profile FILE RAW...", Short: "Show which masters scene frames would be made with, now or on a date",
		Long: `Shows, for each scene frame in the raw files (or folders of them), which masters
would serve it, without reading a pixel. With --on, decisions made later are not
heeded, and masters that were not there yet are left out: one was there from the
time that --joined gave for it, and else from its last exposure.`,
		Example: "  evenlight library choose --masters masters --profile cam.yaml --on 2031-04-10 raw/0173-scene.fits",
		Args:    cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			in, err := s.instrument()
			if err != nil {
				return err
			}
			lib, err := l.open(c)
			if err != nil {
				return err
			}
			files, err := pipeline.FindFrames(args)
			if err != nil {
				return failed(err)
			}
			all, failures := chooseAll(c, in, lib, files)
			if err := l.answer(c, all, choicesText(all)); err != nil {
				return err
			}
			missing := 0
			for i := range all {
				if all[i].Missing != "" {
					missing++
				}
			}
			return outcome(len(all)-missing, failures+missing, "no scene frames found: see 'evenlight inspect' for how the profile reads a frame")
		},
	}
	s.needProfile(c)
	l.needMasters(c)
	l.needDate(c)
	return c
}

func chooseAll(c *cobra.Command, in *pipeline.Instrument, lib *pipeline.Library, files []string) (all []pipeline.Choice, failures int) {
	all = []pipeline.Choice{}
	for _, path := range files {
		some, err := in.Choose(lib, path)
		if err != nil {
			failures++
			fmt.Fprintf(c.ErrOrStderr(), "evenlight: %v\n", err)
		}
		all = append(all, some...)
	}
	return all, failures
}

// usesOf finds what was made with a content.
type usesOf struct{ products []string }

func (u *usesOf) needProducts(c *cobra.Command) {
	c.Flags().StringArrayVar(&u.products, "products", nil, "folder of products in which to look for those that were made with it (may be repeated)")
}

// usedView is an entry with what was made with it.
type usedView struct {
	pipeline.Entry
	Masters  []pipeline.Made `json:"masters"`
	Products []pipeline.Use  `json:"products"`
	Looked   []string        `json:"looked_in"` // folders, and the ledger; empty: products were not looked for
}

// answer tells how entries stand and what was made with them.
func (u *usesOf) answer(l *shelf, c *cobra.Command, lib *pipeline.Library, entries []pipeline.Entry) error {
	var views []usedView
	var problems []error
	for i := range entries {
		v, errs := u.of(l, c, lib, &entries[i])
		problems = append(problems, errs...)
		views = append(views, v)
	}
	for _, err := range problems {
		fmt.Fprintf(c.ErrOrStderr(), "evenlight: %v\n", err)
	}
	if err := l.answer(c, views, usedText(views)); err != nil {
		return err
	}
	return outcome(len(views), len(problems), "")
}

// of looks for all that was made with a content. What cannot be read is a
// problem that does not hide the rest.
func (u *usesOf) of(l *shelf, c *cobra.Command, lib *pipeline.Library, e *pipeline.Entry) (usedView, []error) {
	v := usedView{Entry: *e, Masters: []pipeline.Made{}, Products: []pipeline.Use{}, Looked: append([]string{}, u.products...)}
	if e.Kind == pipeline.KindCharacterisation {
		return u.ofSensor(v)
	}
	made, problems := lib.MadeWith(e.SHA256)
	v.Masters = made
	if len(u.products) > 0 {
		files, err := pipeline.FindFrames(u.products)
		if err != nil {
			return v, append(problems, err)
		}
		uses, unreadable := pipeline.FindUses(e.SHA256, made, files)
		v.Products, problems = uses, append(problems, unreadable...)
	}
	if l.archive != "" {
		name, uses, err := ledgerUses(l, c, e.SHA256, made)
		if err != nil {
			return v, append(problems, err)
		}
		v.Looked, v.Products = append(v.Looked, name), append(v.Products, uses...)
	}
	return v, problems
}

// ofSensor looks for the products whose profile took a characterisation.
// A ledger does not know them.
func (u *usesOf) ofSensor(v usedView) (usedView, []error) {
	if len(u.products) == 0 {
		return v, nil
	}
	files, err := pipeline.FindFrames(u.products)
	if err != nil {
		return v, []error{err}
	}
	var problems []error
	v.Products, problems = pipeline.FindUsesOfSensor(v.Identity, files)
	return v, problems
}

// ledgerUses asks the ledger of an archive.
func ledgerUses(l *shelf, c *cobra.Command, sha256 string, made []pipeline.Made) (ledgerName string, uses []pipeline.Use, err error) {
	k := &keeping{settings: l.settings, path: l.archive}
	a, err := k.open(c, false)
	if err != nil {
		return "", nil, errors.New(cmp.Or(err.Error(), "the archive cannot be opened"))
	}
	defer a.end()
	uses, err = a.Uses(a.ctx, sha256, made)
	return a.Ledger().Name(), uses, err
}
