package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"evenlight/pipeline/archive"
	"evenlight/pipeline/ledger"
	"evenlight/pipeline/watch"
)

// keeping is what the commands on an archive share.
type keeping struct {
	*settings
	path string

	// Of a service: how it is asked to read its configuration again, the
	// profiles that belong to it, and what state of both it knows.
	reload   <-chan os.Signal
	profiles []string
	seen     string
}

// opened is an archive that a command works on.
type opened struct {
	*archive.Archive
	ctx context.Context // ends when the process is told to stop
	log *zap.Logger
	end func()
}

// open reads the archive file and opens the archive. check searches the ledger
// for damage first.
func (k *keeping) open(c *cobra.Command, check bool) (*opened, error) {
	log, err := k.logger(c.ErrOrStderr())
	if err != nil {
		return nil, err
	}
	ctx, stop := toldToStop()
	a, err := k.openWith(ctx, c, log, check)
	if err != nil {
		stop()
		return nil, err
	}
	end := a.end
	a.end = func() { end(); stop() }
	return a, nil
}

// toldToStop returns a context that ends when the process is told to stop.
func toldToStop() (context.Context, context.CancelFunc) {
	return signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
}

func (k *keeping) openWith(ctx context.Context, c *cobra.Command, log *zap.Logger, check bool) (*opened, error) {
	cfg, err := k.loadArchive(k.path, log)
	if err != nil {
		return nil, err
	}
	k.profiles = nil
	for _, s := range cfg.Sources {
		k.profiles = append(k.profiles, s.Profile)
	}
	k.seen = k.stamps()
	a, err := archive.Open(ctx, cfg, archive.Options{Workers: k.workers, Check: check, Log: log, Progress: k.progress(c.ErrOrStderr()),
		Reload: k.reload, Changed: func() bool { return k.stamps() != k.seen }})
	if err != nil && ctx.Err() != nil {
		return nil, &exitError{exitSome, errors.New("it was told to stop")}
	}
	if err != nil {
		return nil, k.logged(log, exitNothing, err)
	}
	return &opened{a, ctx, log, func() { a.Close() }}, nil
}

// on makes the function of a command that works on an archive.
func (k *keeping) on(check bool, do func(c *cobra.Command, a *opened) error) func(*cobra.Command, []string) error {
	return func(c *cobra.Command, _ []string) error {
		a, err := k.open(c, check)
		if err != nil {
			return err
		}
		defer a.end()
		return do(c, a)
	}
}

// logged makes an event of what kept a command from its work, and an error of
// the event's code. Where the log goes to the screen, it is said there once.
func (k *keeping) logged(log *zap.Logger, code int, err error) error {
	if errors.Is(err, ledger.ErrBusy) || errors.Is(err, ledger.ErrLocked) {
		log.Info(archive.EventPassBusy, zap.Error(err))
		return &exitError{code, err}
	}
	log.Error(archive.EventPassFailed, zap.Error(err))
	if k.logFile == "" {
		return &exitError{code: code}
	}
	return &exitError{code, err}
}

// ending turns a report and its error into the exit code.
func (k *keeping) ending(a *opened, r *archive.Report, err error) error {
	some := r != nil && r.Counts.Done+r.Adopted+r.Known+r.Counts.Skipped > 0
	code := exitNothing
	if some {
		code = exitSome
	}
	switch {
	case errors.Is(err, ledger.ErrBusy), errors.Is(err, ledger.ErrLocked) && !some:
		return k.logged(a.log, exitBusy, err)
	case errors.Is(err, context.Canceled):
		return &exitError{exitSome, errors.New("it was told to stop; what is left is done by the next run")}
	case errors.Is(err, archive.ErrStopped):
		return &exitError{code: code} // there is an event of it, and the report says why
	case err != nil:
		return k.logged(a.log, code, err)
	case r.Counts.Failed > 0:
		return &exitError{code: code}
	case r.Stopped != "" || len(r.Missing) > 0:
		return &exitError{code: exitSome}
	case len(r.Alerts) > 0:
		return &exitError{code: exitAlert}
	}
	return nil
}

func intakeCommand(s *settings) *cobra.Command {
	k := &keeping{settings: s}
	var opt archive.PassOptions
	var wait time.Duration
	c := &cobra.Command{
		Use:   "intake --archive FILE",
		Short: "Take in what has arrived, once (for cron)",
		Long: `Looks into all source folders of an archive, calibrates the frames that are new
and complete, tries frames in quarantine whose reason is gone, and judges the
rules for alerts. What is done is in the ledger: running it again does nothing
twice. Only one run works on an archive at a time; another waits for it, or
leaves with exit code 4. With exit code 5 all was done and an alert holds.`,
		Example: "  evenlight intake --archive /srv/marrowby/archive.yaml --log-format json\n  evenlight intake --archive archive.yaml --retry",
		Args:    cobra.NoArgs,
		RunE: k.on(true, func(c *cobra.Command, a *opened) error {
			opt.Wait = -1
			if c.Flags().Changed("wait") {
				opt.Wait = wait
			}
			r, err := a.Pass(a.ctx, opt)
			if r != nil {
				if err := k.answer(c, r, reportText(r, paintFor(c.OutOrStdout()))); err != nil {
					return err
				}
			}
			return k.ending(a, r, err)
		}),
	}
	needArchive(c, &k.path)
	c.Flags().BoolVar(&opt.Retry, "retry", false, "try all frames in quarantine again, whatever their reasons")
	c.Flags().DurationVar(&wait, "wait", 0, "how long to wait for another run (default: intake.wait_s of the archive file)")
	return c
}

// serve runs the service, anew whenever its configuration has changed for another
// good one.
func (k *keeping) serve(c *cobra.Command) error {
	log, err := k.logger(c.ErrOrStderr())
	if err != nil {
		return err
	}
	hangup := make(chan os.Signal, 1)
	signal.Notify(hangup, syscall.SIGHUP)
	defer signal.Stop(hangup)
	k.reload = hangup
	ctx, stop := toldToStop()
	defer stop()
	a, err := k.openWith(ctx, c, log, true)
	if err != nil {
		return err
	}
	n := watch.NewNotifier(log)
	for {
		err := a.Serve(a.ctx, n)
		if !errors.Is(err, archive.ErrReload) {
			a.end()
			if err != nil {
				return failed(err)
			}
			return nil
		}
		k.seen = k.stamps()
		if _, err := k.loadArchive(k.path, log); err != nil {
			log.Error("config-refused", zap.Error(err))
			continue // with the one before
		}
		log.Info("config-reloaded", zap.String("archive", k.path))
		a.end()
		if ctx.Err() != nil {
			return nil
		}
		if a, err = k.openWith(ctx, c, log, false); err != nil {
			if ctx.Err() != nil {
				return nil // it was told to stop while it opened
			}
			return err
		}
	}
}

// stamps are of the archive file and the profiles of its sources, as they are
// now.
func (k *keeping) stamps() string {
	var b strings.Builder
	for _, path := range append([]string{k.path}, k.profiles...) {
		if st, err := os.Stat(path); err == nil {
			fmt.Fprintf(&b, "%q %d %d\n", path, st.Size(), st.ModTime().UnixNano())
		}
	}
	return b.String()
}

func watchCommand(s *settings) *cobra.Command {
	k := &keeping{settings: s}
	c := &cobra.Command{
		Use:   "watch --archive FILE",
		Short: "Take in frames as they arrive, until told to stop",
		Long: `Does what intake does whenever something changes in a source folder or among the
masters, and looks everywhere at set intervals, since network file systems tell
of no change. On SIGTERM it finishes the frames under way and ends. Tells systemd
when it is ready and that it works (Type=notify, WatchdogSec); the folder
scripts/service has a unit.`,
		Example: "  evenlight watch --archive /srv/marrowby/archive.yaml --log-format json --log-level info",
		Args:    cobra.NoArgs,
		RunE:    func(c *cobra.Command, _ []string) error { return k.serve(c) },
	}
	needArchive(c, &k.path)
	return c
}

// selecting adds the flags that select products.
func selecting(c *cobra.Command, sel *archive.Selection, from, to *string) {
	f := c.Flags()
	f.StringVar(from, "from", "", "exposures that began at this time or later (UTC), such as 2031-04-05 or 2031-04-05T06:00:00")
	f.StringVar(to, "to", "", "and before this one")
	f.StringVar(&sel.Instrument, "instrument", "", "of this instrument only")
	f.StringVar(&sel.Detector, "detector", "", "of this detector only")
	f.StringVar(&sel.Mode, "mode", "", "in this readout mode only")
	f.StringVar(&sel.Band, "band", "", "of this band only")
	f.StringVar(&sel.Master, "master", "", "made with this master, or to be made with it: its file name, or six or more digits of its SHA-256")
	f.StringSliceVar(&sel.Reasons, "reason", nil, "stale for one of these reasons only: "+strings.Join(archive.Reasons(), ", "))
	f.BoolVar(&sel.Files, "files", false, "look also whether the files of products are there")
}

// parseTimes reads the times of a selection.
func parseTimes(sel *archive.Selection, from, to string) error {
	for _, t := range []struct {
		flag, text string
		to         *time.Time
	}{{"--from", from, &sel.From}, {"--to", to, &sel.To}} {
		if t.text == "" {
			continue
		}
		var err error
		for _, form := range []string{time.DateOnly, "2006-01-02T15:04", "2006-01-02T15:04:05", time.RFC3339Nano} {
			if *t.to, err = time.Parse(form, t.text); err == nil {
				break
			}
		}
		if err != nil {
			return fmt.Errorf("%s %q is no time: write it as 2031-04-05 or 2031-04-05T06:07:08", t.flag, t.text)
		}
	}
	if !sel.From.IsZero() && !sel.To.IsZero() && !sel.From.Before(sel.To) {
		return fmt.Errorf("--from %s is not before --to %s", from, to)
	}
	return nil
}

// selected makes sure that a selection chooses something.
func selected(p *archive.Plan, sel archive.Selection) error {
	if p.Looked > 0 || sel.From.IsZero() && sel.To.IsZero() && sel.Instrument+sel.Detector+sel.Mode+sel.Band == "" {
		return nil
	}
	return failed(errors.New("no scene in the ledger is of the time, instrument, detector, mode and band that were named: 'evenlight plan' without them lists what there is"))
}

func planCommand(s *settings) *cobra.Command {
	k := &keeping{settings: s}
	var sel archive.Selection
	var from, to string
	var list bool
	c := &cobra.Command{
		Use:   "plan --archive FILE",
		Short: "Show which products are stale, why, and what remaking them takes",
		Long: `Compares what each product was made from (raw content, profile, masters,
software) with what it would be made from now. It reads the ledger and no pixel,
and changes nothing.`,
		Example: "  evenlight plan --archive archive.yaml\n  evenlight plan --archive archive.yaml --band green --from 2031-04-01 --list",
		Args:    cobra.NoArgs,
		PreRunE: func(*cobra.Command, []string) error { return parseTimes(&sel, from, to) },
		RunE: k.on(false, func(c *cobra.Command, a *opened) error {
			p, err := a.Plan(a.ctx, sel)
			if err == nil {
				err = selected(p, sel)
			}
			if err != nil {
				return failed(err)
			}
			return k.showPlan(c, p, list)
		}),
	}
	needArchive(c, &k.path)
	selecting(c, &sel, &from, &to)
	c.Flags().BoolVar(&list, "list", false, "list each stale product: time, SHA-256 of the raw frame, detector, plane, reasons; with --json one object a line and no plan")
	return c
}

func (k *keeping) showPlan(c *cobra.Command, p *archive.Plan, list bool) error {
	if !list || !k.json { // a list for machines is lines of JSON and nothing else
		if err := k.answer(c, p, planText(p)); err != nil || !list {
			return err
		}
	}
	var err error
	p.Each(func(raw ledger.Hash, detector string, plane int, begin time.Time, reasons []string) {
		if err != nil {
			return
		}
		if k.json {
			err = writeJSONLine(c.OutOrStdout(), staleView{begin, raw.String(), detector, plane, reasons})
		} else {
			_, err = fmt.Fprintf(c.OutOrStdout(), "%s %s %s %d %s\n", begin.Format("2006-01-02T15:04:05.000"), raw, detector, plane, strings.Join(reasons, ","))
		}
	})
	if err != nil {
		return failed(err)
	}
	return nil
}

// staleView is a line of a list of stale products.
type staleView struct {
	Time     time.Time `json:"time"`
	Raw      string    `json:"raw_sha256"`
	Detector string    `json:"detector"`
	Plane    int       `json:"plane,omitempty"`
	Reasons  []string  `json:"reasons"`
}

func reprocessCommand(s *settings) *cobra.Command {
	k := &keeping{settings: s}
	var sel archive.Selection
	var from, to string
	var dry bool
	var perHour, gib float64
	var most int
	c := &cobra.Command{
		Use:   "reprocess --archive FILE",
		Short: "Make stale products again, and no others",
		Long: `Plans as 'evenlight plan' does and makes what is stale. Products that are as they
should be are not touched. What becomes of earlier versions, versions in the
archive file says. It can be stopped at any time and goes on where it was when it
is run again; new frames are taken in between. Limits are those of the archive
file unless given here.`,
		Example: "  evenlight reprocess --archive archive.yaml --dry-run\n  evenlight reprocess --archive archive.yaml --reason master --most-frames 1000",
		Args:    cobra.NoArgs,
		PreRunE: func(*cobra.Command, []string) error {
			if perHour < 0 || gib < 0 || most < 0 {
				return errors.New("--frames-per-hour, --most-gib and --most-frames are not below 0")
			}
			return parseTimes(&sel, from, to)
		},
		RunE: k.on(true, func(c *cobra.Command, a *opened) error {
			p, err := a.Plan(a.ctx, sel)
			if err == nil {
				err = selected(p, sel)
			}
			if err != nil {
				return failed(err)
			}
			if dry {
				return k.showPlan(c, p, false)
			}
			lim := a.Limits()
			if c.Flags().Changed("frames-per-hour") {
				lim.FramesPerHour = perHour
			}
			if c.Flags().Changed("most-gib") {
				lim.MostBytes = int64(gib * (1 << 30))
			}
			lim.MostFrames = most
			r, err := a.Reprocess(a.ctx, p, lim)
			if r != nil {
				if err := k.answer(c, r, reportText(r, paintFor(c.OutOrStdout()))); err != nil {
					return err
				}
			}
			return k.ending(a, r, err)
		}),
	}
	needArchive(c, &k.path)
	selecting(c, &sel, &from, &to)
	f := c.Flags()
	f.BoolVar(&dry, "dry-run", false, "show the plan and change nothing")
	f.Float64Var(&perHour, "frames-per-hour", 0, "at most so many; 0: no bound")
	f.Float64Var(&gib, "most-gib", 0, "write at most so much; 0: no bound")
	f.IntVar(&most, "most-frames", 0, "make at most so many products; 0: no bound")
	return c
}

func statusCommand(s *settings) *cobra.Command {
	k := &keeping{settings: s}
	c := &cobra.Command{
		Use:     "status --archive FILE",
		Short:   "Show what an archive holds, its last runs, quarantine and alerts",
		Example: "  evenlight status --archive archive.yaml",
		Args:    cobra.NoArgs,
		RunE: k.on(false, func(c *cobra.Command, a *opened) error {
			st, err := a.Status(a.ctx)
			if err != nil {
				return failed(err)
			}
			return k.answer(c, st, statusText(st, paintFor(c.OutOrStdout())))
		}),
	}
	needArchive(c, &k.path)
	return c
}

func ledgerCommand(s *settings) *cobra.Command {
	c := &cobra.Command{Use: "ledger", Short: "Check the ledger, or rebuild it from the archive's files"}
	k := &keeping{settings: s}
	check := &cobra.Command{
		Use: "check --archive FILE", Short: "Search the ledger for damage", Args: cobra.NoArgs,
		Example: "  evenlight ledger check --archive archive.yaml",
		RunE: k.on(true, func(c *cobra.Command, a *opened) error { // opening searches for damage
			name := a.Ledger().Name()
			return k.answer(c, map[string]any{"ledger": name, "sound": true}, name+" is sound\n")
		}),
	}
	rebuild := &cobra.Command{
		Use: "rebuild --archive FILE", Short: "Make the ledger anew from headers and the journal", Args: cobra.NoArgs,
		Long: `Replaces what the ledger knows by what the headers of masters, products and their
earlier versions tell, and restores runs and alerts from the journal. A ledger
file that is damaged is moved away first, by hand. Raw files are looked at by the
next intake, which finds that their products are there.`,
		Example: "  evenlight ledger rebuild --archive archive.yaml",
		RunE: k.on(true, func(c *cobra.Command, a *opened) error {
			r, err := a.Rebuild(a.ctx)
			if errors.Is(err, ledger.ErrBusy) {
				return &exitError{exitBusy, err}
			}
			if err != nil {
				return failed(err)
			}
			err = k.answer(c, r, rebuiltText(r))
			if err == nil && len(r.Skipped) > 0 {
				return &exitError{code: exitSome}
			}
			return err
		}),
	}
	needArchive(check, &k.path)
	needArchive(rebuild, &k.path)
	c.AddCommand(check, rebuild)
	return c
}
